"""Bridges over a river."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, shrubs, trees
from .shapes import ease, waves
from .site import Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (180.0, 110.0)
_ROAD = 58.0
_SPAN = (62.0, 118.0)


def bridge(dice: Dice) -> Scene:
    """A road bridge of 56 m and a footbridge over a river: decks are out, abutments are ground."""
    roll, bend = waves(dice, 70.0, 0.4), waves(dice, 80.0, 3.0)

    def river(x: Array, y: Array) -> Array:
        """Distance from the river's middle, m."""
        return np.abs(x - 90.0 - bend(0.0 * x, y))

    def terrain(x: Array, y: Array) -> Array:
        out = river(x, y)
        land = (
            3.2 * ease((out - 13.0) / 7.0)
            + 0.8 * ease((out - 35.0) / 30.0)
            + roll(x, y) * ease((out - 16.0) / 9.0)
        )
        # Approach banks up to the deck's level, with wing slopes of 1 : 1.5 and upright fronts.
        front = np.maximum(_SPAN[0] - x, x - _SPAN[1])
        beside = np.maximum(np.abs(y - _ROAD) - 6.5, 0.0)
        level = 8.0 - 0.035 * np.maximum(np.abs(x - 90.0) - 28.0, 0.0)
        bank = level - beside / 1.5 - np.maximum(-front, 0.0) * 12.0
        return np.where(out < 13.0, 0.0, np.maximum(land, bank))

    works = Works(SIZE)
    for x in (81.0, 99.0):
        works.add(Kind.BUILDING, (x, _ROAD), (1.4, 9.0), 7.0)
    works.add(Kind.BRIDGE_DECK, (90.0, _ROAD), (56.4, 12.0), 8.0, thickness=1.5)
    for side in (-5.8, 5.8):
        works.add(Kind.BRIDGE_DECK, (90.0, _ROAD + side), (57.0, 0.35), 9.0, thickness=2.5)
    works.add(Kind.VEHICLE, (86.0, _ROAD + 2.0), (8.0, 2.5), 11.2, thickness=4.0)
    level = max(foot(terrain, 66.0, 20.0), foot(terrain, 114.0, 20.0)) + 0.3
    works.add(Kind.BRIDGE_DECK, (90.0, 20.0), (48.0, 3.0), level, thickness=0.6)
    x, y = scatter(dice, SIZE, 7.0)
    free = (np.abs(y - _ROAD) > 22.0) & (np.abs(y - 20.0) > 5.0) & (river(x, y) > 17.0)
    keep = free & (dice.uniform(0, 1, len(x)) < 0.35)
    low = free & (dice.uniform(0, 1, len(x)) < 0.3)
    crowns = (trees(dice, terrain, x[keep], y[keep]), shrubs(dice, terrain, x[low] + 2.5, y[low]))
    site = Site(SIZE, terrain, works, crowns, water=lambda x, y: river(x, y) < 13.0)
    return place("bridge", bridge.__doc__ or "", site, measure(site, Survey(0.55), dice), dice)
