"""The reference system that GeoTIFF keys describe, as far as they do."""

from __future__ import annotations

import math
from dataclasses import replace

from pyproj import CRS
from pyproj.exceptions import CRSError

from cloudprep.io.las.geokeys import (
    ANGULAR_UNIT,
    CITATION,
    GEOGRAPHIC_CODE,
    LINEAR_UNIT,
    LINEAR_UNIT_SIZE,
    MODEL_GEOCENTRIC,
    MODEL_GEOGRAPHIC,
    PROJECTED_CITATION,
    PROJECTED_CODE,
    USER_DEFINED,
    VERTICAL_CODE,
    VERTICAL_UNIT,
    GeoKeys,
    as_tiff,
)
from cloudprep.io.las.systems import (
    System,
    axis_unit,
    combined,
    described,
    from_epsg,
    name_of,
    parts,
    with_unit,
)
from cloudprep.io.las.units import same_unit, snapped, spelled, unit_of_code

# Vertical codes of GeoTIFF 1.0 that are no EPSG systems: heights above an ellipsoid (5001 to 5033), and 5103,
# which programs write for the North American datum of 1988 (EPSG:5703). From memory, no source at hand.
_ELLIPSOIDAL_CODES = range(5001, 5034)
_OLD_VERTICAL_CODES = {5103: 5703}
# Metre and both feet; radian, degree and gon.
_COMMON_LENGTHS = (9001, 9002, 9003)
_COMMON_ANGLES = (9101, 9102, 9105)
_ELLIPSOIDAL = "ellipsoidal heights"


def system_from_keys(keys: GeoKeys, records: tuple[bytes, bytes, bytes] | None) -> System:
    """Return the system that GeoTIFF keys describe, as far as they do.

    Parameters
    ----------
    keys : GeoKeys
        The keys, parsed.
    records : tuple of bytes or None
        Directory, numbers and texts as they stand in the file, for projections that are given by parameters;
        None leaves those unresolved (they take most of a second the first time).

    Returns
    -------
    System
        Without a text where the keys don't resolve; units and kind are told even then.
    """
    warnings: list[str] = []
    unit = _linear_unit(keys, warnings)
    if keys.model in {MODEL_GEOGRAPHIC, MODEL_GEOCENTRIC}:
        return _geographic(keys, warnings)
    if keys.model is None:
        return System(vertical_unit=_vertical_unit(keys, warnings), warnings=tuple(warnings))
    plane = _projected(keys, records, warnings)
    if plane is not None and unit is not None:
        stated = described(plane).horizontal_unit
        if stated is not None and not same_unit(stated, unit):
            warnings.append(
                f"the GeoTIFF keys name {name_of(plane)}, which is in {spelled(stated)}, and the unit"
                f" {spelled(unit)}; the unit is used"
            )
            plane = with_unit(plane, unit)
    height, vertical_unit, vertical_name = _vertical(keys, warnings)
    if plane is None:
        name = keys.values.get(PROJECTED_CITATION) or keys.values.get(CITATION)
        return System(
            name=f"unresolved: {name}" if isinstance(name, str) and name else "none",
            horizontal_unit=unit,
            vertical_unit=vertical_unit,
            warnings=tuple(warnings),
        )
    whole = combined(plane, height) if height is not None else None
    system = described(whole or plane)
    return replace(
        system,
        name=f"{system.name} + {vertical_name}" if whole is None and vertical_name else system.name,
        vertical_unit=vertical_unit or system.vertical_unit,
        warnings=(*system.warnings, *warnings),
    )


def _geographic(keys: GeoKeys, warnings: list[str]) -> System:
    if PROJECTED_CODE in keys.values:
        warnings.append(
            f"the GeoTIFF keys say that the coordinates are degrees, and name the projection"
            f" {keys.values[PROJECTED_CODE]}; the degrees are believed"
        )
    code = keys.code(GEOGRAPHIC_CODE)
    found = from_epsg(code) if code is not None else None
    unit = _vertical_unit(keys, warnings)
    if found is None or not (found.is_geographic or found.is_geocentric):
        return System(name="degrees", geographic=True, vertical_unit=unit, warnings=tuple(warnings))
    system = described(found)
    return replace(system, vertical_unit=unit or system.vertical_unit, warnings=(*system.warnings, *warnings))


def _projected(keys: GeoKeys, records: tuple[bytes, bytes, bytes] | None, warnings: list[str]) -> CRS | None:
    code = keys.code(PROJECTED_CODE)
    if code is not None:
        found = from_epsg(code)
        if found is None or not found.is_projected:
            warnings.append(f"the GeoTIFF keys name EPSG:{code}, which isn't a known projection")
            return None
        return found
    if PROJECTED_CODE not in keys.values:
        warnings.append("the GeoTIFF keys name no projection")
        return None
    if keys.values[PROJECTED_CODE] == USER_DEFINED and records is not None and _has_common_units(keys):
        spelled_out = _spelled_out(records)
        if spelled_out is not None:
            return spelled_out
    warnings.append("the projection in the GeoTIFF keys can't be resolved")
    return None


def _has_common_units(keys: GeoKeys) -> bool:
    """Tell whether the raster library knows the units by heart.

    For others it looks into a database that it doesn't find, and says so on the terminal.
    """
    length, angle = keys.values.get(LINEAR_UNIT), keys.values.get(ANGULAR_UNIT)
    return length in {None, *_COMMON_LENGTHS} and angle in {None, *_COMMON_ANGLES}


def _spelled_out(records: tuple[bytes, bytes, bytes]) -> CRS | None:
    """Resolve a projection that is given by its parameters; the raster library knows all their quirks."""
    # Imported late: it takes a third of a second, and few files need it.
    import rasterio  # noqa: PLC0415
    from rasterio.errors import RasterioError  # noqa: PLC0415
    from rasterio.io import MemoryFile  # noqa: PLC0415

    directory, doubles, text = records
    plain = bytes(letter if letter < 128 else ord("?") for letter in text)
    try:
        with rasterio.Env(), MemoryFile(as_tiff(directory, doubles, plain)) as memory, memory.open() as image:
            wkt = image.crs.to_wkt(version="WKT2_2019") if image.crs else ""
        found = CRS.from_wkt(wkt) if wkt else None
    except (RasterioError, CRSError):
        return None
    plane = parts(found)[0] if found is not None else None
    return plane if plane is not None and plane.is_projected else None


def _linear_unit(keys: GeoKeys, warnings: list[str]) -> float | None:
    code = keys.values.get(LINEAR_UNIT)
    if not isinstance(code, int) or code == 0:
        return None
    size = keys.number(LINEAR_UNIT_SIZE) if code == USER_DEFINED else unit_of_code(code)
    unit = snapped(size) if size is not None and math.isfinite(size) else None
    if unit is None:
        warnings.append(f"the GeoTIFF keys name the length unit {code}, which isn't known")
    return unit


def _vertical_unit(keys: GeoKeys, warnings: list[str]) -> float | None:
    code = keys.values.get(VERTICAL_UNIT)
    if not isinstance(code, int) or code == 0:
        return None
    unit = unit_of_code(code)
    if unit is None:
        warnings.append(f"the GeoTIFF keys name the vertical unit {code}, which isn't known")
        return None
    return snapped(unit)


def _vertical(keys: GeoKeys, warnings: list[str]) -> tuple[CRS | None, float | None, str]:
    """Return the vertical system, the vertical unit, and the name of heights that have no system."""
    unit = _vertical_unit(keys, warnings)
    code = keys.code(VERTICAL_CODE)
    if code is None:
        return None, unit, ""
    if code in _ELLIPSOIDAL_CODES:
        return None, unit, _ELLIPSOIDAL
    found = from_epsg(_OLD_VERTICAL_CODES.get(code, code))
    if found is not None and found.is_geographic:
        return None, unit or axis_unit(found.axis_info[2:3]), _ELLIPSOIDAL
    if found is None or not found.is_vertical or found.is_compound:
        warnings.append(f"the GeoTIFF keys name the vertical system {code}, which isn't known")
        return None, unit, ""
    stated = axis_unit(found.axis_info)
    if unit is not None and stated is not None and not same_unit(unit, stated):
        warnings.append(
            f"the GeoTIFF keys name the vertical system EPSG:{code}, which is in {spelled(stated)},"
            f" and the unit {spelled(unit)}; the unit is used"
        )
        found = with_unit(found, unit)
    return found, unit or stated, ""
