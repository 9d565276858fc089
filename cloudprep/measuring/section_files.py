"""What sections leave in a folder: tables, pictures and a drawing."""

from __future__ import annotations

import math
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep import __version__
from cloudprep.io.atomic import make_folder
from cloudprep.io.dxf import write_drawing
from cloudprep.measuring.outputs import refuse_inputs, write_table
from cloudprep.measuring.section_designs import stretches
from cloudprep.measuring.sheet import Sheet
from cloudprep.model.classes import class_name
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.measuring.section import Section, SectionReport

    Floats = NDArray[np.float64]

_MOST_POINTS = 60_000
# Apart for all kinds of colour vision (Okabe and Ito 2008, "Color universal design").
_COLOURS = ((0, 0, 0), (213, 94, 0), (0, 114, 178), (0, 158, 115), (204, 121, 167), (230, 159, 0))
_CLASS_COLOURS = {2: (160, 110, 60), 3: (150, 200, 120), 4: (80, 170, 90), 5: (20, 120, 60),
                  6: (204, 121, 167),
                  7: (230, 159, 0), 9: (86, 180, 233), 18: (230, 159, 0)}  # fmt: skip
_OTHER_CLASS = (150, 150, 150)
_DESIGN_DASH = (9.0, 4.0)


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
        If one can't be written, or would be written over an input.
    """
    made: list[Path] = []
    taken: set[str] = set()
    notes: list[str] = []
    stems = [_file_name(section.name, taken) for section in report.sections]
    endings = ("_stations.csv", "_grades.csv", ".svg", ".png")
    planned = [out / f"{stem}{ending}" for stem in stems for ending in endings]
    refuse_inputs([*planned, out / "sections.dxf"], [*report.sources, report.along])
    make_folder(out)
    for stem, section in zip(stems, report.sections, strict=True):
        made += [
            write_table(out / f"{stem}_stations.csv", _station_rows(section)),
            write_table(out / f"{stem}_grades.csv", _grade_rows(section)),
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
    """Return each surface's profiles as lines in space, a layer for each surface."""
    found: dict[str, list[Any]] = {}
    for section in report.sections:
        s = section.stations
        for profile in section.profiles:
            for along, heights in stretches(profile.along, profile.heights):
                if len(along) > 1:
                    x, y = np.interp(along, s.along, s.x), np.interp(along, s.along, s.y)
                    found.setdefault(profile.source, []).append(
                        shapely.LineString(np.column_stack([x, y, heights]))
                    )
    return [
        Layer(_layer_name(source), "line", np.array(lines, dtype=object), {}, "profile of a section")
        for source, lines in found.items()
    ]


def _layer_name(source: str) -> str:
    """Return a name that a drawing may have for a layer."""
    return "section_" + "".join(c if c.isalnum() or c in "-_." else "_" for c in source)


def _file_name(name: str, taken: set[str]) -> str:
    """Return a name that is safe as a file's and not taken yet."""
    plain = "".join(c if c.isalnum() or c in "-_" else "_" for c in name)[:60].strip("_") or "section"
    stem, number = f"section_{plain}", 2
    while stem.casefold() in taken:
        stem, number = f"section_{plain}_{number}", number + 1
    taken.add(stem.casefold())
    return stem


def _station_rows(section: Section) -> list[list[Any]]:
    rows: list[list[Any]] = [
        ["station_m", "easting_m", "northing_m", *(f"{p.source}_m" for p in section.profiles)]
    ]
    s = section.stations
    for i in range(len(s.along)):
        heights = [
            "" if math.isnan(p.at_stations[i]) else f"{p.at_stations[i]:.3f}" for p in section.profiles
        ]
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


_LEFT, _TOP, _WIDE, _HIGH, _FOOT = 70, 50, 1000, 360, 128


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
    legend: list[tuple[tuple[int, int, int], str, tuple[float, ...]]] = []
    for cloud in section.clouds:
        thin = max(1, len(cloud.z) // _MOST_POINTS)
        for code in np.unique(cloud.code):
            one = np.flatnonzero(cloud.code == code)[::thin]
            colour = _CLASS_COLOURS.get(int(code), _OTHER_CLASS)
            inside = (cloud.z[one] >= low) & (cloud.z[one] <= high)
            sheet.dots(places(cloud.along[one][inside], cloud.z[one][inside]), colour)
            legend.append((colour, f"{class_name(int(code))} points", ()))
    for i, profile in enumerate(section.profiles):
        colour = _COLOURS[i % len(_COLOURS)]
        dash: tuple[float, ...] = _DESIGN_DASH if profile.designed else ()
        for along, z in stretches(profile.along, profile.heights):
            sheet.line(places(along, z), colour, 1.6, dash)
        legend.append((colour, f"design {profile.source}" if profile.designed else profile.source, dash))
    sheet.words(_LEFT, 24, title, 16)
    scale = "true scale" if exaggeration == 1 else f"heights exaggerated {exaggeration} times"
    strip = f"points of a strip {report.width:g} m wide; " if section.clouds else ""
    sheet.words(_LEFT, 42, f"{scale}; {strip}heights and distances in metres", 12)
    x, y = float(_LEFT), _TOP + tall + 56.0
    for colour, text, dash in dict.fromkeys(legend):
        wide = 34 + 7.2 * len(text)
        if x + wide > _LEFT + _WIDE:
            x, y = float(_LEFT), y + 18
        sheet.line(np.array([[x, y - 4], [x + 18, y - 4]]), colour, 3, dash)
        sheet.words(x + 24, y, text, 12)
        x += wide
    sheet.words(_LEFT, _TOP + tall + _FOOT - 12, report.caution, 11)
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
