"""Water and gaps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, shrubs, trees
from .shapes import ease, waves
from .site import Herbs, Site
from .survey import Echoes, Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (190.0, 140.0)


def water(dice: Dice) -> Scene:
    """A lake without returns and an island, a stream with few, reeds, and a gap between two flight lines."""
    roll, shore, bend = waves(dice, 70.0, 0.5), waves(dice, 30.0, 3.0), waves(dice, 60.0, 4.0)

    def lake(x: Array, y: Array) -> Array:
        """Distance outside the lake, m; negative on it."""
        basin = 40.0 * (np.hypot((x - 70.0) / 46.0, (y - 66.0) / 40.0) - 1.0) + 0.5 * shore(x, y)
        return np.maximum(basin, 9.0 - np.hypot(x - 62.0, y - 62.0))

    def stream(x: Array, y: Array) -> Array:
        return np.abs(x - 150.0 - bend(0.0 * x, y))

    def wet(x: Array, y: Array) -> NDArray[np.bool_]:
        return (lake(x, y) < 0) | (stream(x, y) < 5.0)

    def terrain(x: Array, y: Array) -> Array:
        rise = 2.5 * ease(lake(x, y) / 14.0) + 0.6 * ease(lake(x, y) / 1.5)
        cut = ease((stream(x, y) - 5.0) / 3.0)
        return (
            np.where(stream(x, y) < 5.0, 0.4, 0.4 * (1 - cut) + cut * rise)
            + roll(x, y) * ease(rise - 1.0) * cut
        )

    works = Works(SIZE)
    works.add(
        Kind.BUILDING, (112.0, 112.0), (9.0, 7.0), foot(terrain, 112.0, 112.0) + 5.0, turned=30.0, pitch=0.7
    )
    works.add(Kind.BRIDGE_DECK, (104.0, 58.0), (22.0, 1.8), 1.1, turned=8.0, thickness=0.3)
    x, y = scatter(dice, SIZE, 8.0)
    dry = (lake(x, y) > 6.0) & (stream(x, y) > 8.0) & (works.at(x, y).kind == 0)
    keep = dry & (dice.uniform(0, 1, len(x)) < 0.25)
    low = dry & (dice.uniform(0, 1, len(x)) < 0.2)

    def reeds(x: Array, y: Array) -> Array:
        return np.where((np.abs(lake(x, y) - 1.0) < 2.5) & (y > 70.0), 0.8, 0.05)

    crowns = (trees(dice, terrain, x[keep], y[keep]), shrubs(dice, terrain, x[low] + 2.0, y[low]))
    herbs = Herbs(reeds, lambda x, y: np.where(lake(x, y) < 4.0, 1.8, 0.4), lowest=0.2)
    site = Site(SIZE, terrain, works, crowns, herbs, wet)
    echoes = measure(site, Survey(0.6), dice)
    # The lake is a mirror: it sends nothing back; and a wedge between the lines was never flown.
    mirror = (echoes.kind == Kind.WATER) & (lake(echoes.x, echoes.y) < 0)
    wedge = np.abs(echoes.y - 22.0) < 0.06 * (echoes.x - 60.0)
    keep = ~mirror & ~wedge
    return place("water", water.__doc__ or "", site, Echoes(*(v[keep] for v in echoes)), dice)
