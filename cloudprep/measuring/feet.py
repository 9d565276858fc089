"""Volumes in feet, cubic feet and cubic yards, for terrains whose plan is in feet and for those who ask."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.io.las.units import UNITS_BY_NAME
from cloudprep.model.crs import INTERNATIONAL_FOOT, US_SURVEY_FOOT

if TYPE_CHECKING:
    from cloudprep.measuring.volumes import Volume

CUBIC_FEET_IN_CUBIC_YARD = 27
"""Exact, for the yard of three feet of the same kind."""
SQUARE_FEET_IN_ACRE = 43_560
"""Exact, for the acre of ten square chains of 66 feet of the same kind."""
FOOT_NAMES = {INTERNATIONAL_FOOT: "international foot", US_SURVEY_FOOT: "US survey foot"}


def foot_of(unit: float | None, asked: str | None = None) -> float | None:
    """Return the foot that figures are given in besides metres.

    Parameters
    ----------
    unit : float or None
        Metres in one unit of the terrain's plan.
    asked : {"metre", "foot", "us_survey_foot"}, optional
        What the user wants; the terrain's own unit if left out.

    Returns
    -------
    float or None
        Metres in one foot; None where metres do.

    Notes
    -----
    A foot is 0.3048 m exactly, a US survey foot 1200 / 3937 m (NIST Special Publication 811, B.6): a cubic
    yard of the one and of the other differ by 6 parts in a million.
    """
    found = UNITS_BY_NAME[asked] if asked is not None else unit
    return found if found in FOOT_NAMES else None


def in_feet(volume: Volume, foot: float) -> dict[str, float | None]:
    """Return an area's figures in feet, unit by unit in their names.

    Parameters
    ----------
    volume : Volume
        In metres.
    foot : float
        Metres in one foot.
    """
    cubic, yard = foot**3, CUBIC_FEET_IN_CUBIC_YARD * foot**3
    interval = None if volume.error is None else volume.error.interval_95
    return {
        "area_ft2": volume.area / foot**2,
        "measured_ft2": volume.measured / foot**2,
        "measured_acre": volume.measured / (SQUARE_FEET_IN_ACRE * foot**2),
        "cut_ft3": volume.cut / cubic,
        "fill_ft3": volume.fill / cubic,
        "net_ft3": volume.net / cubic,
        "interval_95_ft3": None if interval is None else interval / cubic,
        "cut_yd3": volume.cut / yard,
        "fill_yd3": volume.fill / yard,
        "net_yd3": volume.net / yard,
        "interval_95_yd3": None if interval is None else interval / yard,
        "mean_ft": None if volume.mean is None else volume.mean / foot,
    }


FOOT_COLUMNS = ("area_ft2", "measured_ft2", "measured_acre", "cut_ft3", "fill_ft3", "net_ft3",
                "interval_95_ft3", "cut_yd3", "fill_yd3", "net_yd3", "interval_95_yd3",
                "mean_ft")  # fmt: skip
"""What :func:`in_feet` gives, in order."""
