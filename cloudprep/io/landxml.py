"""Surfaces of triangles as LandXML 1.2: written in pieces, complete or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr

import numpy as np

from cloudprep.errors import CrsError, OutputError
from cloudprep.io.atomic import whole_file
from cloudprep.io.vectors import CAUTION
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.layer import TinSurface

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
# The schema wants the time of writing; a fixed one makes equal files out of equal surfaces.
_DATE, _TIME = "2000-01-01", "00:00:00"
_AT_A_TIME = 20_000
_METRIC = (
    'areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter" temperatureUnit="celsius" '
    'pressureUnit="milliBars"'
)
_IMPERIAL = (
    'areaUnit="squareFoot" linearUnit="{}" volumeUnit="cubicFeet" temperatureUnit="fahrenheit" '
    'pressureUnit="inHG"'
)


@dataclass(frozen=True)
class _Units:
    """What the file says about its units, and metres in one of them."""

    element: str
    across: float
    up: float


def write_landxml(
    surface: TinSurface,
    target: Path,
    crs: CloudCrs,
    origin: tuple[float, float],
    *,
    software: tuple[str, str] = ("", ""),
) -> None:
    """Write a surface of triangles, in the cloud's own units.

    Parameters
    ----------
    surface : TinSurface
        Local metres.
    target : Path
        The file; replaced if it exists, and only by a complete one.
    crs : CloudCrs
        Reference system and units; metres where it states none. Without a WKT the file names none.
    origin : tuple of float
        Global easting and northing of the local zero, m.
    software : (str, str)
        Name and version of what made the file.

    Raises
    ------
    CrsError
        If the coordinates are degrees, or in a unit that LandXML has no word for.
    OutputError
        If the file can't be written, or a vertex isn't finite.

    Notes
    -----
    LandXML 1.2, from memory of the schema: ``Units``, ``CoordinateSystem``, ``Application``, and ``Surfaces``
    with a ``Definition`` of ``surfType="TIN"``; a point is "northing easting elevation", a face three ids of
    points. Heights have a unit of their own (``elevationUnit``): metres or feet, and feet are those of the
    plan; heights in other feet than the plan are written in those that a reader will take them for.
    """
    if crs.geographic:
        raise CrsError(f"{target}: a surface in metres can't be written in degrees")
    units = _units(target, crs)
    if not np.isfinite(surface.vertices).all():
        raise OutputError(f"{target}: can't be written: a vertex isn't finite")
    with whole_file(target) as part, part.open("w", encoding="utf-8", newline="\n") as file:
        for text in _parts(surface, crs, origin, units, software):
            file.write(text)


def check_units(crs: CloudCrs) -> None:
    """Refuse units that LandXML has no word for.

    Raises
    ------
    CrsError
        With the unit.
    """
    _units("LandXML", crs)


def _units(target: Path | str, crs: CloudCrs) -> _Units:
    """Return the units of a file; the schema has words for metres and for two kinds of feet."""
    across, up = crs.horizontal_unit or METRE, crs.vertical_unit or METRE
    if across == METRE:
        element, foot = f"<Metric {_METRIC}", INTERNATIONAL_FOOT
    elif across in {INTERNATIONAL_FOOT, US_SURVEY_FOOT}:
        word = "foot" if across == INTERNATIONAL_FOOT else "USSurveyFoot"
        element, foot = f"<Imperial {_IMPERIAL.format(word)}", across
    else:
        raise CrsError(f"{target}: LandXML has no word for a unit of {across:.10g} m")
    if up == METRE:
        return _Units(f'{element} elevationUnit="meter"/>', across, METRE)
    if up in {INTERNATIONAL_FOOT, US_SURVEY_FOOT}:
        return _Units(f'{element} elevationUnit="feet"/>', across, foot)
    raise CrsError(f"{target}: LandXML has no word for heights in a unit of {up:.10g} m")


def _parts(
    surface: TinSurface,
    crs: CloudCrs,
    origin: tuple[float, float],
    units: _Units,
    software: tuple[str, str],
) -> Iterator[str]:
    """Give the file some lines at a time."""
    xyz, faces = surface.vertices, surface.faces
    yield (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<LandXML xmlns="{NAMESPACE}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{NAMESPACE} {NAMESPACE}/LandXML-1.2.xsd" version="1.2" date="{_DATE}" '
        f'time="{_TIME}" language="English" readOnly="false">\n'
        f"<Units>{units.element}</Units>\n"
    )
    if crs.wkt is not None:
        yield f"<CoordinateSystem {_system(crs)}/>\n"
    name, version = software
    if name:
        yield f"<Application name={quoteattr(name)} version={quoteattr(version)}/>\n"
    limits = ""
    if len(xyz):
        low, high = (xyz[:, 2].min() / units.up, xyz[:, 2].max() / units.up)
        limits = (
            f' area2DSurf="{_area(surface) / units.across**2:.4f}" elevMax="{high:.4f}" elevMin="{low:.4f}"'
        )
    name, meaning = quoteattr(surface.name), quoteattr(f"{surface.meaning}. {CAUTION}")
    yield (f'<Surfaces><Surface name={name} desc={meaning}><Definition surfType="TIN"{limits}>\n<Pnts>\n')
    for first in range(0, len(xyz), _AT_A_TIME):
        some = xyz[first : first + _AT_A_TIME]
        rows = np.column_stack(
            (
                (some[:, 1] + origin[1]) / units.across,
                (some[:, 0] + origin[0]) / units.across,
                some[:, 2] / units.up,
            )
        ).tolist()
        # Twelve digits: a hundredth of a millimetre on a northing of ten thousand kilometres.
        yield "".join(
            f'<P id="{number}">{north:.12g} {east:.12g} {up:.9g}</P>\n'
            for number, (north, east, up) in enumerate(rows, first + 1)
        )
    yield "</Pnts>\n<Faces>\n"
    for first in range(0, len(faces), _AT_A_TIME):
        ids = faces[first : first + _AT_A_TIME] + 1
        yield "".join(f"<F>{a} {b} {c}</F>\n" for a, b, c in ids.tolist())
    yield "</Faces>\n</Definition></Surface></Surfaces>\n</LandXML>\n"


def _system(crs: CloudCrs) -> str:
    """Return the attributes of the reference system: its name, its code, and the whole of it."""
    from pyproj import CRS  # noqa: PLC0415 - slow to import
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    said = {"name": crs.name, "ogcWktCode": " ".join((crs.wkt or "").split())}
    try:
        whole = CRS.from_wkt(crs.wkt or "")
        plan = whole.sub_crs_list[0] if whole.is_compound else whole
        code = plan.to_epsg()
        said["horizontalCoordinateSystemName"] = plan.name
        if whole.is_compound:
            said["verticalCoordinateSystemName"] = whole.sub_crs_list[1].name
        if code is not None:
            said["epsgCode"] = str(code)
    except CRSError:  # the text itself stays
        pass
    return " ".join(f"{name}={quoteattr(value)}" for name, value in said.items())


def _area(surface: TinSurface) -> float:
    """Return the area in plan, m2."""
    total = 0.0
    for first in range(0, len(surface.faces), _AT_A_TIME):
        a, b, c = (surface.vertices[k] for k in surface.faces[first : first + _AT_A_TIME].T)
        across = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
        total += float(across.sum())
    return total / 2
