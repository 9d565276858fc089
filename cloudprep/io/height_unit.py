"""The reference system of heights in another unit: one that a GeoTIFF really says, or none at all."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import rasterio.crs
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.crs import Datum  # type: ignore[attr-defined]
from pyproj.database import get_codes, query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError as ProjError
from rasterio.errors import CRSError, NotGeoreferencedWarning, RasterioError
from rasterio.io import MemoryFile

from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

if TYPE_CHECKING:
    from cloudprep.model.crs import CloudCrs

UNITS = {"metre": METRE, "foot": INTERNATIONAL_FOOT, "us_survey_foot": US_SURVEY_FOOT}
# Name, factor as EPSG prints it, and EPSG code of each unit.
_WRITTEN = {
    METRE: ("metre", "1", 9001),
    INTERNATIONAL_FOOT: ("foot", "0.3048", 9002),
    US_SURVEY_FOOT: ("US survey foot", "0.304800609601219", 9003),
}
_SAME = 1e-8


class HeightReference(NamedTuple):
    """How heights are written.

    Parameters
    ----------
    crs : CloudCrs
        With the vertical unit that heights come in.
    remark : str
        What the reference system can't say: the height system in words. Empty where it says all.
    """

    crs: CloudCrs
    remark: str = ""


def height_reference(crs: CloudCrs, unit: str = "keep") -> HeightReference:
    """Return the reference system for rasters and layers whose heights come in a unit.

    Parameters
    ----------
    crs : CloudCrs
        Of the clouds; units filled in.
    unit : {"keep", "metre", "foot", "us_survey_foot"}
        Unit of the heights.

    Returns
    -------
    HeightReference
        The plan stays as it is. The vertical part becomes the one of EPSG with the same datum in that unit,
        where there is one; else the same datum with the unit spelled out. Where a GeoTIFF doesn't give that
        back (it is tried), the vertical part is left out, and the remark names it: a system in another unit
        than the heights would be a lie.

    Notes
    -----
    International foot 0.3048 m, US survey foot 1200/3937 m, exactly. OGC 19-008r4, keys 4096 to 4099.
    """
    metres = (crs.vertical_unit or METRE) if unit == "keep" else UNITS[unit]
    wanted = replace(crs, vertical_unit=metres)
    if crs.wkt is None:
        return HeightReference(wanted)
    try:
        whole = CRS.from_wkt(crs.wkt)
    except ProjError:  # whoever writes a file with it will say so
        return HeightReference(wanted)
    if len(whole.sub_crs_list) == 2 and whole.sub_crs_list[1].is_vertical:
        plan, heights = whole.sub_crs_list
    elif len(whole.axis_info) == 3:
        plan, heights = whole.to_2d(), None
    else:  # the system says nothing of heights
        return HeightReference(wanted)
    if _says(crs.wkt, metres):
        return HeightReference(wanted)
    for found in _systems(plan, heights, metres) if heights is not None else ():
        if _says(found.to_wkt(), metres):
            return HeightReference(replace(wanted, wkt=found.to_wkt(), name=found.name))
    system = heights.name if heights is not None else f"ellipsoidal heights of {whole.name}"
    name = _WRITTEN[metres][0] if metres in _WRITTEN else f"units of {metres:.10g} m"
    return HeightReference(
        replace(wanted, wkt=plan.to_wkt(), name=plan.name),
        f"{system}, but in {name}; the reference system says nothing of heights",
    )


def _systems(plan: CRS, heights: CRS, metres: float) -> list[CRS]:
    """Return compound systems of the plan with these heights in a unit, the best first."""
    found = [CRS.from_epsg(code) for code in _twins(heights, metres)]
    try:
        spelled = _spelled_out(heights, metres)
        found += [CRS.from_wkt(spelled)] if spelled else []
    except ProjError:
        pass
    return [
        CRS.from_wkt(
            f'COMPOUNDCRS["{plan.name} + {up.name}",{plan.to_wkt()},'
            f"{spelled if up is found[-1] and spelled else up.to_wkt()}]"
        )
        for up in found
    ]


def _datum(heights: CRS) -> tuple[str, int | None]:
    """Return name and EPSG code of a vertical datum."""
    known = heights.to_epsg(min_confidence=70)
    datum = (CRS.from_epsg(known) if known else heights).datum
    described: dict[str, Any] = datum.to_json_dict() if datum is not None else {"name": "unknown"}
    code = described.get("id", {})
    if code.get("authority") == "EPSG":
        return described["name"], code["code"]
    return described["name"], _datums_by_name().get(described["name"])


@cache
def _datums_by_name() -> dict[str, int]:
    codes = sorted(get_codes("EPSG", PJType.VERTICAL_REFERENCE_FRAME), key=int, reverse=True)
    return {str(Datum.from_epsg(code).name): int(code) for code in codes}


def _twins(heights: CRS, metres: float) -> list[int]:
    """Return EPSG codes of systems of heights (upwards) with the same datum in a unit."""
    name, code = _datum(heights)
    box = heights.area_of_use
    area = AreaOfInterest(box.west, box.south, box.east, box.north) if box else None
    codes = []
    listed = query_crs_info("EPSG", PJType.VERTICAL_CRS, area_of_interest=area, allow_deprecated=False)
    for info in listed:
        one = CRS.from_epsg(int(info.code))
        axis = one.axis_info[0]
        if axis.direction != "up" or not math.isclose(axis.unit_conversion_factor, metres, rel_tol=_SAME):
            continue
        if _datum(one) == (name, code) and code is not None:
            codes.append(int(info.code))
    return sorted(codes)


def _spelled_out(heights: CRS, metres: float) -> str:
    """Return heights of the same datum with the unit and its code spelled out, as WKT."""
    if metres not in _WRITTEN or heights.axis_info[0].direction != "up":
        return ""
    name, code = _datum(heights)
    unit, factor, number = _WRITTEN[metres]
    title = heights.name.replace('"', "")
    title += "" if unit in title else f", in {unit}"
    identity = f',ID["EPSG",{code}]' if code is not None else ""
    return (
        f'VERTCRS["{title}",VDATUM["{name}"{identity}],CS[vertical,1],'
        f'AXIS["gravity-related height (H)",up,LENGTHUNIT["{unit}",{factor},ID["EPSG",{number}]]]]'
    )


def _says(wkt: str, metres: float) -> bool:
    """Tell whether a GeoTIFF with this reference system gives back heights in a unit."""
    try:
        with warnings.catch_warnings(), MemoryFile() as memory:
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            options = {"width": 1, "height": 1, "count": 1, "dtype": "uint8"}
            with memory.open(driver="GTiff", crs=rasterio.crs.CRS.from_wkt(wkt), **options):
                pass
            with memory.open() as file:
                back = CRS.from_wkt(file.crs.to_wkt())
    except (CRSError, RasterioError, ProjError):
        return False
    axis = back.axis_info[-1]
    return axis.direction == "up" and math.isclose(axis.unit_conversion_factor, metres, rel_tol=_SAME)
