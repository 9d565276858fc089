"""Length units by EPSG code, in metres."""

from __future__ import annotations

import math
from functools import cache

from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

UNITS_BY_NAME = {"metre": METRE, "foot": INTERNATIONAL_FOOT, "us_survey_foot": US_SURVEY_FOOT}
# Names as EPSG and WKT spell them.
_SPELLED = {METRE: "metre", INTERNATIONAL_FOOT: "foot", US_SURVEY_FOOT: "US survey foot"}
# Codes: EPSG 9001 from OGC 19-008r4; 9002 and 9003 as in the EPSG registry.
_BY_CODE = {9001: METRE, 9002: INTERNATIONAL_FOOT, 9003: US_SURVEY_FOOT}
# Files print factors with 9 to 17 digits; the two feet differ by 2e-6 of their length.
_SAME_UNIT = 1e-8


def snapped(factor: float) -> float | None:
    """Return a factor in metres as one of the three common units where it is one to all printed digits.

    >>> snapped(0.304800609601219) == US_SURVEY_FOOT
    True
    >>> snapped(0.0) is None
    True
    """
    if not math.isfinite(factor) or factor <= 0:
        return None
    return next((unit for unit in _SPELLED if same_unit(unit, factor)), factor)


def same_unit(first: float, second: float) -> bool:
    """Tell whether two factors are the same unit."""
    return math.isclose(first, second, rel_tol=_SAME_UNIT)


def unit_of_code(code: int) -> float | None:
    """Return the metres in the length unit with an EPSG code, or None where there is no such unit."""
    return _BY_CODE.get(code) or _registry().get(code)


def spelled(factor: float) -> str:
    """Return a unit's name.

    >>> spelled(0.3048), spelled(20.1168)
    ('foot', 'unit of 20.1168 m')
    """
    return _SPELLED.get(factor) or f"unit of {factor:g} m"


@cache
def _registry() -> dict[int, float]:
    # Imported late: it opens the projection database.
    from pyproj.database import get_units_map  # noqa: PLC0415

    units = get_units_map(auth_name="EPSG", category="linear").values()
    return {int(unit.code): float(unit.conv_factor) for unit in units}
