"""Halls larger than any window that a filter may open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, trees
from .shapes import waves
from .site import Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Height, Scene

    Array = NDArray[np.float64]

SIZE = (220.0, 170.0)
HALL = (120.0, 80.0)


def _park(dice: Dice, terrain: Height, climb: float, name: str, meaning: str) -> Scene:
    """Put a hall with rooflights, a smaller one, lorries and trees on a terrain."""
    works = Works(SIZE)
    middle = (102.0, 84.0)
    top = foot(terrain, *middle) + 9.0
    works.add(Kind.BUILDING, middle, HALL, top, climb=climb)
    works.add(Kind.BUILDING, (102.0, 43.4), (120.0, 0.8), top + 0.9, climb=climb)
    works.add(Kind.BUILDING, (102.0, 124.6), (120.0, 0.8), top + 0.9, climb=climb)
    for k in range(5):
        works.add(Kind.BUILDING, (56.0 + 23 * k, 84.0), (2.5, 56.0), top + climb * (23.0 * k - 46.0) + 0.8)
    works.add(
        Kind.BUILDING, (190.0, 60.0), (30.0, 42.0), foot(terrain, 190.0, 60.0) + 6.5, turned=4.0, pitch=0.1
    )
    for k in range(9):
        x, y = 52.0 + 11.0 * k, 33.0
        works.add(Kind.VEHICLE, (x, y), (2.6, 13.0), foot(terrain, x, y) + 4.0)
    for k in range(16):
        x, y = 176.0 + 2.8 * (k % 8), 120.0 + 18.0 * (k // 8)
        works.add(Kind.VEHICLE, (x, y), (1.8, 4.4), foot(terrain, x, y) + 1.5, turned=3.0)
    x, y = scatter(dice, SIZE, 11.0)
    rim = (x < 28) | (y < 14) | (y > 150) | (x > 207)
    keep = rim & (dice.uniform(0, 1, len(x)) < 0.6) & (works.at(x, y).kind == 0)
    site = Site(SIZE, terrain, works, (trees(dice, terrain, x[keep], y[keep], tall=(5.0, 12.0)),))
    return place(name, meaning, site, measure(site, Survey(0.8), dice), dice)


def hall(dice: Dice) -> Scene:
    """A hall of 120 m by 80 m with rooflights on a level yard, larger than any window."""
    roll = waves(dice, 120.0, 0.2)
    return _park(dice, lambda x, y: 0.008 * x + roll(x, y), 0.0, "hall", hall.__doc__ or "")


def hall_on_slope(dice: Dice) -> Scene:
    """The same hall on a slope of 6 %, its roof parallel to the ground."""
    roll = waves(dice, 120.0, 0.2)
    return _park(dice, lambda x, y: 0.06 * x + roll(x, y), 0.06, "hall_on_slope", hall_on_slope.__doc__ or "")
