"""Reference systems from WKT or EPSG codes, by way of pyproj.

Import it late: pyproj opens a database, and many commands never need it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from pyproj import CRS
from pyproj.crs import CompoundCRS
from pyproj.enums import WktVersion
from pyproj.exceptions import CRSError

from cloudprep.errors import CrsError
from cloudprep.io.las.units import snapped, spelled


@dataclass(frozen=True)
class System:
    """A reference system, as far as it is stated; the fields are those of ``CloudCrs``."""

    wkt: str | None = None
    name: str = "none"
    code: str | None = None
    horizontal_unit: float | None = None
    vertical_unit: float | None = None
    geographic: bool = False
    warnings: tuple[str, ...] = ()


def system_from_wkt(text: str) -> System | None:
    """Return the system that a well-known text describes, or None where it can't be read.

    Parameters
    ----------
    text : str
        WKT of any dialect.

    Returns
    -------
    System or None
        With the text itself, unchanged.
    """
    try:
        return replace(described(CRS.from_wkt(text)), wkt=text)
    except CRSError:
        return None


def system_from_codes(horizontal: int, vertical: int | None) -> System:
    """Return the system with these EPSG codes.

    Raises
    ------
    CrsError
        If a code is unknown or names a system of the wrong kind.
    """
    plane = from_epsg(horizontal)
    if plane is None:
        raise CrsError(f"EPSG:{horizontal} isn't a known reference system")
    if plane.is_vertical and not plane.is_compound:
        raise CrsError(
            f"EPSG:{horizontal} is a vertical system; name the horizontal one first: EPSG:n+{horizontal}"
        )
    if vertical is None:
        return described(plane)
    height = from_epsg(vertical)
    if height is None or not height.is_vertical or height.is_compound:
        raise CrsError(f"EPSG:{vertical} isn't a known vertical system")
    whole = combined(plane, height)
    if whole is None:
        raise CrsError(f"EPSG:{horizontal} can't be combined with EPSG:{vertical}")
    return described(whole)


def as_wkt1(text: str) -> str | None:
    """Return a text in the dialect of the LAS standard (OGC 01-009), or None where that can't say it."""
    try:
        written: str | None = CRS.from_wkt(text).to_wkt(WktVersion.WKT1_GDAL)
    except CRSError:
        return None
    return written or None


def described(crs: CRS) -> System:
    """Return what a system says about units and kind."""
    plane, height = parts(crs)
    warnings: tuple[str, ...] = ()
    axes = plane.axis_info if plane is not None else []
    vertical_axes = height.axis_info if height is not None else axes[2:3]
    if plane is not None and plane.is_geocentric:
        warnings = ("the coordinates are geocentric (from the Earth's centre), not on a map",)
        axes, vertical_axes = [], []
    names = [name_of(part) for part in (plane, height) if part is not None]
    return System(
        wkt=crs.to_wkt(),
        name=" + ".join(names),
        code=code_of(plane) if plane is not None else None,
        horizontal_unit=None if plane is None or plane.is_geographic else axis_unit(axes),
        vertical_unit=axis_unit(vertical_axes),
        # Geocentric ones count as well: there is no plane to work on until they are projected.
        geographic=plane is not None and (plane.is_geographic or plane.is_geocentric),
        warnings=warnings,
    )


def axis_unit(axes: list[Any]) -> float | None:
    """Return the metres in the unit of the first axis, or None where there is no axis."""
    return snapped(float(axes[0].unit_conversion_factor)) if axes else None


def parts(crs: CRS) -> tuple[CRS | None, CRS | None]:
    """Return the horizontal and the vertical part, without the datum shifts that some texts carry."""
    while crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    if crs.is_compound:
        horizontal, vertical = crs.sub_crs_list[:2]
        return parts(horizontal)[0], parts(vertical)[1]
    return (None, crs) if crs.is_vertical else (crs, None)


def code_of(crs: CRS) -> str | None:
    """Return a system's own code, like ``EPSG:32632``, or None where its text names none."""
    identity = crs.to_json_dict().get("id")
    return f"{identity['authority']}:{identity['code']}" if identity else None


def name_of(crs: CRS) -> str:
    """Return a system's code, else its name."""
    return code_of(crs) or crs.name


def from_epsg(code: int) -> CRS | None:
    """Return the system with an EPSG code, or None where there is none."""
    try:
        return CRS.from_epsg(code)
    except CRSError:
        return None


def combined(plane: CRS, height: CRS) -> CRS | None:
    """Return a compound system, or None where the two don't go together."""
    try:
        return CompoundCRS(f"{plane.name} + {height.name}", [plane, height])
    except CRSError:
        return None


def with_unit(crs: CRS, unit: float) -> CRS | None:
    """Return the same system with its axes in another unit (and so without its code)."""
    facts = crs.to_json_dict()
    facts.pop("id", None)
    facts["name"] = f"{facts['name']} ({spelled(unit)})"
    written = {"type": "LinearUnit", "name": spelled(unit), "conversion_factor": unit}
    for axis in facts["coordinate_system"]["axis"]:
        axis["unit"] = written
    try:
        return CRS.from_json_dict(facts)
    except CRSError:
        return None
