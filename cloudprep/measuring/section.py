"""Sections: heights of terrains, surfaces, dates, designs and clouds along lines."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep.engine.loading import global_metres
from cloudprep.engine.reference import describe
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.io.caution import FIGURES as CAUTION
from cloudprep.io.las import read_columns
from cloudprep.io.vectors import read_layer
from cloudprep.kernels.profile import beside_line, grade_breaks, stations
from cloudprep.measuring.design_reading import FACES, DesignReader, DesignSource
from cloudprep.measuring.section_designs import Extent, design_profile, heights_at, stretches
from cloudprep.measuring.surfaces import CloudSurface, RasterSurface, open_surface
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.kernels.profile import Stations
    from cloudprep.measuring.designs import FacesDesign
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.layer import Layer

    Floats = NDArray[np.float64]

_MOST_STATIONS = 200_000
_NAMES = ("name", "id", "label", "section", "fid")


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
    """One surface along one line.

    Parameters
    ----------
    source : str
        The file's name.
    along, heights : ndarray of float64, shape (k,)
        Distances along the line and heights there, m; NaN between stretches. A raster has them at the
        stations, a design also wherever it bends.
    at_stations : ndarray of float64, shape (n,)
        Heights at the stations, m; NaN on gaps.
    segments : tuple of Segment
        Between breaks of grade.
    designed : bool
        Whether it is a surface to be built.
    """

    source: str
    along: Floats
    heights: Floats
    at_stations: Floats
    segments: tuple[Segment, ...]
    designed: bool = False

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
    warnings: tuple[str, ...] = ()
    along: str = ""
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
            "warnings": list(self.warnings),
            "files": self.files,
            "caution": self.caution,
            "sections": [
                {
                    "name": s.name,
                    "length": s.length,
                    "profiles": [
                        {
                            "source": p.source,
                            "designed": p.designed,
                            "horizontal": p.horizontal,
                            "slope_length": p.slope_length,
                            "gaps": int(np.isnan(p.at_stations).sum()),
                            "segments": [g.as_dict() for g in p.segments],
                        }
                        for p in s.profiles
                    ],
                    "points": {c.source: len(c.along) for c in s.clouds},
                }
                for s in self.sections
            ],
        }


class _Source:
    """A file that is cut, opened."""

    def __init__(self, path: Path, name: str, surface: RasterSurface | CloudSurface | FacesDesign) -> None:
        self.path, self.name, self.surface = path, name, surface


def cut_sections(
    sources: Sequence[Path],
    along: Path,
    *,
    width: float = 1.0,
    step: float | None = None,
    tolerance: float = 0.05,
    layer: str | None = None,
    design: Callable[[Path], DesignSource] = DesignSource,
) -> SectionReport:
    """Cut sections through rasters, clouds and designs.

    Parameters
    ----------
    sources : sequence of Path
        Rasters of heights and clouds, all in one reference system, at least one of them; designs as LandXML
        or DXF.
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
    design : callable
        What is told about a design: surface, reference system, unit, order of axes.

    Raises
    ------
    BadInputError
        If a file can't be used, a design doesn't overlap the others, or no line touches a source.
    CrsError
        If sources differ in reference system, vertical datum or (designs) the unit of the plan.
    UsageError
        If a line would have too many stations, or there are designs alone.
    """
    plain = [path for path in sources if path.suffix.lower() not in FACES]
    if not plain:
        raise UsageError(
            f"{sources[0]}: a design needs a terrain or a cloud beside it, which tells the sections' "
            "reference system and units"
        )
    surfaces = {path: open_surface(path) for path in dict.fromkeys(plain)}
    _refuse_mixed(plain, [surfaces[path] for path in plain])
    notes = [note for s in surfaces.values() for note in s.assumed]
    warnings: list[str] = []
    crs = surfaces[plain[0]].crs
    found = read_layer(along, layer, crs, (0.0, 0.0), kinds=("line",), note=notes.append)
    if len(found) == 0:
        raise BadInputError(along, "holds no lines")
    cells = [
        s.raster.cell * (s.crs.horizontal_unit or METRE)
        for s in surfaces.values()
        if isinstance(s, RasterSurface)
    ]
    distance = step or min(cells, default=width) / 2
    if distance <= 0:
        raise UsageError("a width of 0 tells no distance of stations: give --step")
    extent = _extent(plain[0], surfaces, distance)
    opened = []
    for path, name in zip(sources, _names_of(sources), strict=True):
        if path in surfaces:
            opened.append(_Source(path, name, surfaces[path]))
        else:
            read = DesignReader(design(path), extent, notes, warnings)
            opened.append(_Source(path, name, read.faces()))
    sections = _along(found, opened, extent, distance, tolerance, width)
    if not any(len(c.along) for s in sections for c in s.clouds) and not any(
        (~np.isnan(p.heights)).any() for s in sections for p in s.profiles
    ):
        raise BadInputError(along, f"none of its {len(sections)} lines touches {sources[0].name}")
    return SectionReport(
        tuple(str(p) for p in sources),
        describe(crs),
        width,
        tolerance,
        tuple(sections),
        crs,
        tuple(dict.fromkeys(notes)),
        tuple(dict.fromkeys(warnings)),
        str(along),
    )


def _along(
    found: Layer, opened: list[_Source], extent: Extent, distance: float, tolerance: float, width: float
) -> list[Section]:
    lower = {name.casefold(): name for name in found.attributes}
    names = next((found.attributes[lower[n]] for n in _NAMES if n in lower), None)
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
            sections.append(_section(name, line, opened, extent, distance, tolerance, width))
    return sections


def _names_of(sources: Sequence[Path]) -> list[str]:
    """Return how sources are called: by their file's name, with its folder's where two have the same."""
    names = [path.name for path in sources]
    return [
        name if names.count(name) == 1 else f"{path.resolve().parent.name}/{name}"
        for path, name in zip(sources, names, strict=True)
    ]


def _extent(first: Path, surfaces: dict[Path, RasterSurface | CloudSurface], cell: float) -> Extent:
    """Return where rasters and clouds lie, all together."""
    boxes = []
    for surface in surfaces.values():
        if isinstance(surface, RasterSurface):
            r = surface.raster
            boxes.append((r.left, r.bottom, r.left + r.columns * r.cell, r.bottom + r.rows * r.cell))
        else:
            low, high = surface.flight.header_min, surface.flight.header_max
            boxes.append((low[0], low[1], high[0], high[1]))
    crs = surfaces[first].crs
    return Extent.around(first, crs, boxes, cell / (crs.horizontal_unit or METRE))


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
    sources: Sequence[_Source],
    extent: Extent,
    step: float,
    tolerance: float,
    width: float,
) -> Section:
    places = stations(line, step)
    profiles, clouds = [], []
    for source in sources:
        surface = source.surface
        if isinstance(surface, CloudSurface):
            clouds.append(_cloud_strip(source.name, surface, line, width / 2))
            continue
        if isinstance(surface, RasterSurface):
            heights = surface.at(places.x, places.y).heights
            grades = tuple(_segments(stretches(places.along, heights), tolerance))
            profiles.append(Profile(source.name, places.along, heights, heights, grades))
            continue
        along, heights = design_profile(surface, extent.corner, line, places.along)
        pieces = stretches(along, heights)
        there = heights_at(pieces, places.along)
        grades = tuple(_segments(pieces, tolerance))
        profiles.append(Profile(source.name, along, heights, there, grades, designed=True))
    return Section(name, line, places, tuple(profiles), tuple(clouds))


def _segments(pieces: list[tuple[Floats, Floats]], tolerance: float) -> list[Segment]:
    found = []
    for x, z in pieces:
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
