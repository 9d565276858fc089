"""Areas and volumes in feet and yards, for terrains whose plan is in feet and for those who ask."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.io.las.units import UNITS_BY_NAME
from cloudprep.model.crs import INTERNATIONAL_FOOT, US_SURVEY_FOOT

if TYPE_CHECKING:
    from collections.abc import Mapping

    Figures = Mapping[str, float | None]

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


def in_feet(figures: Figures, foot: float) -> dict[str, float | None]:
    """Return figures in feet, unit by unit in their names.

    Parameters
    ----------
    figures : mapping of str to float or None
        Lengths, areas and volumes by names that end in ``_m``, ``_m2`` and ``_m3``. Others, and weights of a
        cubic metre (``_t_m3``), are left out.
    foot : float
        Metres in one foot.

    Returns
    -------
    dict of str to float or None
        Square feet (``_ft2``), ``measured`` in acres too, cubic feet (``_ft3``), cubic yards (``_yd3``) and
        feet (``_ft``), in this order.

    Examples
    --------
    >>> found = in_feet({"cut_m3": 100.0, "mean_m": 0.3048}, 0.3048)
    >>> {name: round(value, 3) for name, value in found.items()}
    {'cut_ft3': 3531.467, 'cut_yd3': 130.795, 'mean_ft': 1.0}
    """
    square, cubic = foot**2, foot**3
    found: dict[str, float | None] = {}
    rules = (
        ("_m2", "_ft2", square),
        ("measured_m2", "measured_acre", SQUARE_FEET_IN_ACRE * square),
        ("_m3", "_ft3", cubic),
        ("_m3", "_yd3", CUBIC_FEET_IN_CUBIC_YARD * cubic),
        ("_m", "_ft", foot),
    )
    for ending, other, unit in rules:
        for name, value in figures.items():
            if name.endswith(ending) and not name.endswith("_t_m3"):
                found[name.removesuffix(ending) + other] = None if value is None else value / unit
    return found


def with_feet(figures: Figures, foot: float | None) -> dict[str, float | None]:
    """Return figures and, where a foot is given, the same in feet behind them."""
    return {**figures, **({} if foot is None else in_feet(figures, foot))}


def under_in_feet(figures: Figures, foot: float | None) -> dict[str, dict[str, float | None]]:
    """Return figures in feet under the name ``in_feet``, for machines; nothing where metres do."""
    return {} if foot is None else {"in_feet": in_feet(figures, foot)}


def foot_name(foot: float | None) -> dict[str, str]:
    """Return which foot that is under the name ``foot_name``, for machines; nothing where metres do."""
    return {} if foot is None else {"foot_name": FOOT_NAMES[foot]}
