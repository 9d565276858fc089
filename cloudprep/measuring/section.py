"""Sections: heights of terrains, surfaces, dates and clouds along lines."""

from __future__ import annotations

import csv
import io
import itertools
import math
from dataclasses import dataclass, field
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep import __version__
from cloudprep.engine.loading import global_metres
from cloudprep.engine.reference import describe
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.io.atomic import make_folder, whole_file
from cloudprep.io.dxf import write_drawing
from cloudprep.io.las import read_columns
from cloudprep.io.vectors import read_layer
from cloudprep.kernels.profile import beside_line, grade_breaks, stations
from cloudprep.measuring.sheet import Sheet
from cloudprep.measuring.surfaces import CloudSurface, RasterSurface, open_surface
from cloudprep.model.classes import class_name
from cloudprep.model.crs import METRE
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.kernels.profile import Stations
    from cloudprep.model.crs import CloudCrs

    Floats = NDArray[np.float64]

CAUTION = (
    "Sections for work, safety or legal boundaries need checking under local rules and by licensed practice."
)
_MOST_STATIONS = 200_000
_MOST_POINTS = 60_000
_NAMES = ("name", "id", "label", "section", "fid")
# Apart for all kinds of colour vision (Okabe and Ito 2008, "Color universal design").
_COLOURS = ((0, 0, 0), (213, 94, 0), (0, 114, 178), (0, 158, 115), (204, 121, 167), (230, 159, 0))
_CLASS_COLOURS = {2: (160, 110, 60), 3: (150, 200, 120), 4: (80, 170, 90), 5: (20, 120, 60),
                  6: (204, 121, 167),
                  7: (230, 159, 0), 9: (86, 180, 233), 18: (230, 159, 0)}  # fmt: skip
_OTHER_CLASS = (150, 150, 150)


@dataclass(frozen=True)
class Segment:
    """A straight piece between two breaks of grade. Metres; the slope is positive where it rises.

    Parameters
    ----------
    start, end : float
        Distance along the line.
    from_height, to_height : float
        Heights.
    """

    start: float
    end: float
    from_height: float
    to_height: float

    @property
    def horizontal(self) -> float:
        """Distance in plan."""
        return self.end - self.start

    @property
    def slope_length(self) -> float:
        """Distance along the slope."""
        return math.hypot(self.horizontal, self.to_height - self.from_height)

    @property
    def percent(self) -> float:
        """Rise over run, per cent."""
        return 100 * (self.to_height - self.from_height) / self.horizontal

    @property
    def degrees(self) -> float:
        """Angle from the level."""
        return math.degrees(math.atan2(self.to_height - self.from_height, self.horizontal))

    def as_dict(self) -> dict[str, float]:
        """Return plain values."""
        return {
            "start": self.start, "end": self.end, "from_height": self.from_height, "to_height":
            self.to_height, "horizontal": self.horizontal, "slope_length": self.slope_length, "percent":
            self.percent, "degrees": self.degrees,
        }  # fmt: skip


@dataclass(frozen=True)
class Profile:
    """One raster along one line.

    Parameters
    ----------
    source : str
        The file's name.
    heights : ndarray of float64, shape (n,)
        At the stations, m; NaN on gaps.
    segments : tuple of Segment
        Between breaks of grade.
    """

    source: str
    heights: Floats
    segments: tuple[Segment, ...]

    @property
    def slope_length(self) -> float:
        """Length along the slope, over the stretches that have heights, m."""
        return sum(s.slope_length for s in self.segments)

    @property
    def horizontal(self) -> float:
        """Length of these stretches in plan, m."""
        return sum(s.horizontal for s in self.segments)


@dataclass(frozen=True)
class CloudStrip:
    """Points of a cloud near one line: distance along it, height (m), class."""

    source: str
    along: Floats
    z: Floats
    code: NDArray[np.uint8]


@dataclass(frozen=True)
class Section:
    """All that was found along one line."""

    name: str
    line: Floats
    stations: Stations
    profiles: tuple[Profile, ...]
    clouds: tuple[CloudStrip, ...] = ()

    @property
    def length(self) -> float:
        """In plan, m."""
        return float(self.stations.along[-1])


@dataclass(frozen=True)
class SectionReport:
    """Sections along all lines of a layer."""

    sources: tuple[str, ...]
    reference: str
    width: float
    tolerance: float
    sections: tuple[Section, ...]
    crs: CloudCrs
    assumed: tuple[str, ...] = ()
    files: list[str] = field(default_factory=list)
    caution: str = CAUTION

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines; metres."""
        return {
            "sources": list(self.sources),
            "reference": self.reference,
            "width": self.width,
            "tolerance": self.tolerance,
            "assumed": list(self.assumed),
            "files": self.files,
            "caution": self.caution,
            "sections": [
                {
                    "name": s.name,
                    "length": s.length,
                    "profiles": [
                        {
                            "source": p.source,
                            "horizontal": p.horizontal,
                            "slope_length": p.slope_length,
                            "gaps": int(np.isnan(p.heights).sum()),
                            "segments": [g.as_dict() for g in p.segments],
                        }
                        for p in s.profiles
                    ],
                    "points": {c.source: len(c.along) for c in s.clouds},
                }
                for s in self.sections
            ],
        }


def cut_sections(
    sources: Sequence[Path],
    along: Path,
    *,
    width: float = 1.0,
    step: float | None = None,
    tolerance: float = 0.05,
    layer: str | None = None,
) -> SectionReport:
    """Cut sections through rasters and clouds.

    Parameters
    ----------
    sources : sequence of Path
        Rasters of heights and clouds, all in one reference system.
    along : Path
        Lines, in any reference system.
    width : float
        Points of clouds within half of it on either side belong to the section, m.
    step : float, optional
        Distance of stations, m; half a cell of the finest raster, or half the width, if left out.
    tolerance : float
        Breaks of grade are kept where straight lines would be off by more, m.
    layer : str, optional
        Which layer of lines, where the file has several.

    Raises
    ------
    BadInputError
        If a file can't be used, or no line touches a source.
    CrsError
        If sources differ in reference system.
    UsageError
        If a line would have too many stations.
    """
    surfaces = [open_surface(path) for path in sources]
    _refuse_mixed(sources, surfaces)
    notes = [note for s in surfaces for note in s.assumed]
    found = read_layer(along, layer, surfaces[0].crs, (0.0, 0.0), kinds=("line",), note=notes.append)
    if len(found) == 0:
        raise BadInputError(along, "holds no lines")
    lower = {name.casefold(): name for name in found.attributes}
    names = next((found.attributes[lower[n]] for n in _NAMES if n in lower), None)
    cells = [
        s.raster.cell * (s.crs.horizontal_unit or METRE) for s in surfaces if isinstance(s, RasterSurface)
    ]
    distance = step or min(cells, default=width) / 2
    sections: list[Section] = []
    for i, shape in enumerate(found.geometries):
        parts = [p for p in shapely.get_parts(shape) if p.length > 0]
        for k, part in enumerate(parts):
            name = str(i + 1 if names is None or names[i] is None else names[i])
            name = name if len(parts) == 1 else f"{name}-{k + 1}"
            if part.length / distance > _MOST_STATIONS:
                raise UsageError(
                    f"line '{name}' would have {part.length / distance:,.0f} stations: give a larger --step"
                )
            line = np.asarray(part.coords)[:, :2]
            sections.append(_section(name, line, sources, surfaces, distance, tolerance, width))
    if not any(len(c.along) for s in sections for c in s.clouds) and not any(
        (~np.isnan(p.heights)).any() for s in sections for p in s.profiles
    ):
        raise BadInputError(along, f"none of its {len(sections)} lines touches {sources[0].name}")
    return SectionReport(
        tuple(str(p) for p in sources),
        describe(surfaces[0].crs),
        width,
        tolerance,
        tuple(sections),
        surfaces[0].crs,
        tuple(dict.fromkeys(notes)),
    )


def _refuse_mixed(sources: Sequence[Path], surfaces: Sequence[Any]) -> None:
    first = surfaces[0].crs
    for path, surface in zip(sources, surfaces, strict=True):
        if first.wkt and surface.crs.wkt and surface.crs.name != first.name:
            raise CrsError(
                f"{sources[0].name} is in {first.name}, {path.name} in {surface.crs.name}: bring them "
                f"together"
            )


def _section(
    name: str,
    line: Floats,
    sources: Sequence[Path],
    surfaces: Sequence[Any],
    step: float,
    tolerance: float,
    width: float,
) -> Section:
    places = stations(line, step)
    profiles, clouds = [], []
    for path, surface in zip(sources, surfaces, strict=True):
        if isinstance(surface, RasterSurface):
            heights = surface.at(places.x, places.y).heights
            profiles.append(Profile(path.name, heights, tuple(_segments(places.along, heights, tolerance))))
        elif isinstance(surface, CloudSurface):
            clouds.append(_cloud_strip(path.name, surface, line, width / 2))
    return Section(name, line, places, tuple(profiles), tuple(clouds))


def _segments(along: Floats, heights: Floats, tolerance: float) -> list[Segment]:
    there = ~np.isnan(heights)
    edges = np.flatnonzero(np.diff(np.r_[False, there, False].astype(int)))
    found = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        x, z = along[a:b], heights[a:b]
        kept = grade_breaks(x, z, tolerance)
        found += [
            Segment(float(x[i]), float(x[j]), float(z[i]), float(z[j])) for i, j in itertools.pairwise(kept)
        ]
    return found


def _cloud_strip(name: str, surface: CloudSurface, line: Floats, half: float) -> CloudStrip:
    flight, units = surface.flight, surface.units
    low, high = line.min(axis=0) - half, line.max(axis=0) + half
    parts: list[tuple[Floats, Floats, NDArray[np.uint8]]] = []
    for chunk in read_columns(flight, ["X", "Y", "Z", "classification"]):
        x, y = (global_metres(flight, units, chunk[a], i) for i, a in enumerate("XY"))
        near = (x >= low[0]) & (x <= high[0]) & (y >= low[1]) & (y <= high[1])
        if not near.any():
            continue
        at, _ = beside_line(line, x[near], y[near], half)
        inside = ~np.isnan(at)
        z = global_metres(flight, units, chunk["Z"][near][inside], 2)
        parts.append((at[inside], z, chunk["classification"][near][inside]))
    if not parts:
        return CloudStrip(name, np.empty(0), np.empty(0), np.empty(0, np.uint8))
    along, z, code = (np.concatenate([p[i] for p in parts]) for i in range(3))
    return CloudStrip(name, along, z, code)


# -- files
# ------------------------------------------------------------------------------------------------------


def write_sections(report: SectionReport, out: Path) -> tuple[list[Path], list[str]]:
    """Write for each section a table of stations, one of breaks, and a picture as SVG and PNG; a DXF of all.

    Returns
    -------
    made : list of Path
        The files.
    notes : list of str
        What isn't written, and why.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    make_folder(out)
    made: list[Path] = []
    taken: set[str] = set()
    notes: list[str] = []
    for section in report.sections:
        stem = _file_name(section.name, taken)
        made += [
            _write_csv(out / f"{stem}_stations.csv", _station_rows(section)),
            _write_csv(out / f"{stem}_grades.csv", _grade_rows(section)),
        ]
        sheet = picture_of(section, report)
        made += [sheet.save_svg(out / f"{stem}.svg"), sheet.save_png(out / f"{stem}.png")]
    if find_spec("ezdxf") is None:
        notes.append("sections.dxf isn't written: drawings need the extra cloudprep[dxf]")
    elif layers := _lines(report):
        made.append(out / "sections.dxf")
        write_drawing(layers, made[-1], report.crs, (0.0, 0.0), software=f"cloudprep {__version__}")
    report.files.extend(path.name for path in made)
    return made, notes


def _lines(report: SectionReport) -> list[Layer]:
    """Return each raster's profiles as lines in space, a layer for each raster."""
    found: dict[str, list[Any]] = {}
    for section in report.sections:
        for profile in section.profiles:
            there = ~np.isnan(profile.heights)
            edges = np.flatnonzero(np.diff(np.r_[False, there, False].astype(int)))
            for a, b in zip(edges[::2], edges[1::2], strict=True):
                if b - a > 1:
                    s = section.stations
                    places = np.column_stack([s.x[a:b], s.y[a:b], profile.heights[a:b]])
                    found.setdefault(profile.source, []).append(shapely.LineString(places))
    return [
        Layer(f"section_{source}", "line", np.array(lines, dtype=object), {}, "profile of a section")
        for source, lines in found.items()
    ]


def _file_name(name: str, taken: set[str]) -> str:
    """Return a name that is safe as a file's and not taken yet."""
    plain = "".join(c if c.isalnum() or c in "-_" else "_" for c in name)[:60].strip("_") or "section"
    stem, number = f"section_{plain}", 2
    while stem.casefold() in taken:
        stem, number = f"section_{plain}_{number}", number + 1
    taken.add(stem.casefold())
    return stem


def _write_csv(target: Path, rows: list[list[Any]]) -> Path:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    with whole_file(target) as part:
        part.write_text(text.getvalue(), encoding="utf-8")
    return target


def _station_rows(section: Section) -> list[list[Any]]:
    rows: list[list[Any]] = [
        ["station_m", "easting_m", "northing_m", *(f"{p.source}_m" for p in section.profiles)]
    ]
    s = section.stations
    for i in range(len(s.along)):
        heights = ["" if math.isnan(p.heights[i]) else f"{p.heights[i]:.3f}" for p in section.profiles]
        rows.append([f"{s.along[i]:.3f}", f"{s.x[i]:.3f}", f"{s.y[i]:.3f}", *heights])
    return rows


def _grade_rows(section: Section) -> list[list[Any]]:
    head = ["source", "from_station_m", "to_station_m", "from_height_m", "to_height_m", "horizontal_m",
            "slope_length_m", "slope_percent", "slope_degrees"]  # fmt: skip
    rows: list[list[Any]] = [head]
    for profile in section.profiles:
        for g in profile.segments:
            values = (g.start, g.end, g.from_height, g.to_height, g.horizontal, g.slope_length)
            rows.append(
                [profile.source, *(f"{v:.3f}" for v in values), f"{g.percent:.2f}", f"{g.degrees:.2f}"]
            )
    return rows


_LEFT, _TOP, _WIDE, _HIGH, _FOOT = 70, 50, 1000, 360, 110


def picture_of(section: Section, report: SectionReport) -> Sheet:
    """Return the drawing of a section: heights against distance, the scale of either stated."""
    heights = [p.heights[~np.isnan(p.heights)] for p in section.profiles] + [c.z for c in section.clouds]
    known = np.concatenate([h for h in heights if len(h)] or [np.array([0.0])])
    low, high = float(np.percentile(known, 0.1)), float(known.max())
    room = max(high - low, 0.5) * 0.06
    low, high = low - room, high + room
    across = _WIDE / max(section.length, 1e-9)
    up = _HIGH / (high - low)
    # Round exaggerations are easier to read; never less than true.
    exaggeration = next((e for e in (50, 20, 10, 5, 2, 1) if e * across <= up), 1)
    up = exaggeration * across
    if up * (high - low) > _HIGH:
        across = up = _HIGH / (high - low)
        exaggeration = 1
    tall = round(up * (high - low))
    title = f"section {section.name}, {section.length:,.1f} m"
    sheet = Sheet(_LEFT + _WIDE + 30, _TOP + tall + _FOOT, title)

    def places(x: Floats, z: Floats) -> Floats:
        return np.asarray(np.column_stack([_LEFT + across * x, _TOP + up * (high - z)]))

    _axes(sheet, section.length, across, up, low, high)
    legend: list[tuple[tuple[int, int, int], str]] = []
    for cloud in section.clouds:
        thin = max(1, len(cloud.z) // _MOST_POINTS)
        for code in np.unique(cloud.code):
            one = np.flatnonzero(cloud.code == code)[::thin]
            colour = _CLASS_COLOURS.get(int(code), _OTHER_CLASS)
            inside = (cloud.z[one] >= low) & (cloud.z[one] <= high)
            sheet.dots(places(cloud.along[one][inside], cloud.z[one][inside]), colour)
            legend.append((colour, f"{class_name(int(code))} points"))
    for i, profile in enumerate(section.profiles):
        colour = _COLOURS[i % len(_COLOURS)]
        there = ~np.isnan(profile.heights)
        edges = np.flatnonzero(np.diff(np.r_[False, there, False].astype(int)))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            sheet.line(places(section.stations.along[a:b], profile.heights[a:b]), colour, 1.6)
        legend.append((colour, profile.source))
    sheet.words(_LEFT, 24, title, 16)
    scale = "true scale" if exaggeration == 1 else f"heights exaggerated {exaggeration} times"
    sheet.words(_LEFT, 42, f"{scale}; points within {report.width:g} m; heights and distances in metres", 12)
    x, y = float(_LEFT), _TOP + tall + 56.0
    for colour, text in dict.fromkeys(legend):
        wide = 34 + 7.2 * len(text)
        if x + wide > _LEFT + _WIDE:
            x, y = float(_LEFT), y + 18
        sheet.line(np.array([[x, y - 4], [x + 18, y - 4]]), colour, 3)
        sheet.words(x + 24, y, text, 12)
        x += wide
    return sheet


def _axes(sheet: Sheet, length: float, across: float, up: float, low: float, high: float) -> None:
    grey = (205, 205, 205)
    bottom, right = _TOP + up * (high - low), _LEFT + across * length
    for value in _ticks(0, length, 10):
        x = _LEFT + across * value
        sheet.line(np.array([[x, _TOP], [x, bottom]]), grey, 0.6)
        sheet.words(x, bottom + 18, f"{value:g}", 12, "middle")
    for value in _ticks(low, high, max(2, int(up * (high - low) / 40))):
        y = _TOP + up * (high - value)
        sheet.line(np.array([[_LEFT, y], [right, y]]), grey, 0.6)
        sheet.words(_LEFT - 8, y + 4, f"{value:g}", 12, "end")


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Return round values within a range, few enough to read."""
    rough = max(high - low, 1e-6) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough)
    first = math.ceil(low / step - 1e-9)
    return [round(i * step, 10) for i in range(first, math.floor(high / step + 1e-9) + 1)]
