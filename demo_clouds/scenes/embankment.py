"""A road on an embankment, with ditches."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, shrubs, trees
from .shapes import away, constant, waves
from .site import Herbs, Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (180.0, 110.0)


def embankment(dice: Dice) -> Scene:
    """A road on a bank of 6 m with flanks of 1 : 1.5, ditches beside it and across the meadow."""
    course = ((-40.0, 40.0), (60.0, 52.0), (220.0, 68.0))
    drain = ((30.0, 140.0), (52.0, 84.0), (40.0, 66.0))
    roll = waves(dice, 80.0, 0.4)

    def terrain(x: Array, y: Array) -> Array:
        meadow = roll(x, y) + 0.01 * y
        across, _ = away(x, y, course)
        crown = 6.0 + 0.01 * x - 0.025 * across
        bank = crown - np.maximum(across - 6.0, 0.0) / 1.5
        beside, far = np.abs(across - 18.5), np.abs(away(x, y, drain)[0])
        ditch = np.minimum(np.maximum(1.3 - np.maximum(beside - 0.4, 0.0), 0.0), 1.3)
        deep = np.maximum(2.0 - 1.2 * np.maximum(far - 0.5, 0.0), 0.0)
        return np.maximum(meadow - np.maximum(ditch, deep), bank)

    works = Works(SIZE)
    for x, side, size, high in (
        (30, 2, (4.5, 1.8), 1.5),
        (88, -2, (12.0, 2.5), 3.8),
        (141, 2, (4.3, 1.8), 1.5),
    ):
        y = float(np.interp(x, [-40, 60, 220], [40, 52, 68])) + side
        works.add(Kind.VEHICLE, (x, y), size, foot(terrain, x, y) + high, turned=6.5)
    for side in (5.6, -5.6):
        for k in range(34):
            x = 3.0 + 5.2 * k
            y = float(np.interp(x, [-40, 60, 220], [40, 52, 68])) + side
            works.add(Kind.FENCE, (x, y), (5.3, 0.3), foot(terrain, x, y) + 0.8, turned=6.4, thickness=0.35)
    x, y = scatter(dice, SIZE, 8.0)
    open_land = away(x, y, course)[0] > 22.0
    keep = open_land & (dice.uniform(0, 1, len(x)) < 0.15)
    low = (away(x, y, course)[0] > 9.0) & (dice.uniform(0, 1, len(x)) < 0.12)
    crowns = (trees(dice, terrain, x[keep], y[keep]), shrubs(dice, terrain, x[low] + 2.0, y[low]))
    grown = waves(dice, 30.0, 0.5)

    def cover(x: Array, y: Array) -> Array:
        across, _ = away(x, y, course)
        return np.where(across < 7.5, 0.0, np.clip(0.15 + 0.2 * grown(x, y), 0.0, 0.6))

    herbs = Herbs(cover, constant(0.5), lowest=0.15)
    site = Site(SIZE, terrain, works, crowns, herbs)
    return place("embankment", embankment.__doc__ or "", site, measure(site, Survey(0.55), dice), dice)
