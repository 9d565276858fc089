"""A motorway junction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, shrubs, trees
from .shapes import away, ease, waves
from .site import Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (210.0, 160.0)
_MAIN = 70.0
_OVER = 110.0


def junction(dice: Dice) -> Scene:
    """A motorway in a cutting, a road over it on a bridge, a ramp between, noise walls and lorries."""
    roll = waves(dice, 110.0, 0.5)
    angles = np.radians(np.arange(180.0, 275.0, 8.0))
    ramp = tuple((160.0 + 42.0 * float(np.cos(a)), 128.0 + 48.0 * float(np.sin(a))) for a in angles)
    length = float(np.hypot(*np.diff(np.array(ramp), axis=0).T).sum())

    def terrain(x: Array, y: Array) -> Array:
        land = roll(x, y) + 0.01 * x
        # Carriageways 3.5 m below the land, flanks of 1 : 1.5, ditches at their foot.
        main = np.abs(y - _MAIN)
        cut = -3.5 - 0.02 * main + np.maximum(main - 16.0, 0.0) / 1.5
        cut = np.where(np.abs(main - 16.0) < 0.9, cut - 0.5 * ease(1.0 - np.abs(main - 16.0) / 0.9), cut)
        z = np.minimum(land, cut)
        # The crossing road climbs to 3 m above the land and ends at the abutments.
        over = np.abs(x - _OVER)
        climb = 3.2 * ease((60.0 - np.abs(np.abs(y - _MAIN) - 17.0)) / 60.0)
        bank = climb - np.maximum(over - 6.0, 0.0) / 1.5
        bank = np.where(main < 17.0, -50.0, bank)
        z = np.maximum(z, bank)
        across, along = away(x, y, ramp)
        level = 3.0 - 6.4 * along / length
        side = np.maximum(across - 4.5, 0.0) / 1.5
        near = across < 16.0
        return np.where(near, np.clip(z, level - side, level + side), z)

    works = Works(SIZE)
    works.add(Kind.BUILDING, (_OVER, _MAIN), (8.0, 1.2), 1.5)
    works.add(Kind.BRIDGE_DECK, (_OVER, _MAIN), (12.0, 34.6), 3.2, thickness=1.4)
    for k in range(9):
        x, y = 12.0 + 22.5 * k + dice.one(-5, 5), _MAIN + (-11.0, -7.0, 6.0, 10.0)[k % 4]
        size, high = ((14.0, 2.5), 4.0) if k % 3 == 0 else ((4.5, 1.8), 1.5)
        works.add(Kind.VEHICLE, (x, y), size, foot(terrain, x, y) + high)
    works.add(Kind.FENCE, (48.0, _MAIN - 25.0), (85.0, 0.5), foot(terrain, 48.0, _MAIN - 25.0) + 4.0)
    works.add(Kind.POLE, (62.0, _MAIN), (1.0, 34.0), 3.2, thickness=1.2)
    for side in (-0.4, 0.4):
        works.add(Kind.FENCE, (SIZE[0] / 2, _MAIN + side), (SIZE[0], 0.3), -2.6, thickness=0.4)
    x, y = scatter(dice, SIZE, 7.0)
    free = (np.abs(y - _MAIN) > 24.0) & (np.abs(x - _OVER) > 12.0) & (away(x, y, ramp)[0] > 9.0)
    keep = free & (dice.uniform(0, 1, len(x)) < 0.15)
    low = free & (dice.uniform(0, 1, len(x)) < 0.25)
    crowns = (trees(dice, terrain, x[keep], y[keep]), shrubs(dice, terrain, x[low] + 2.0, y[low]))
    site = Site(SIZE, terrain, works, crowns)
    return place("junction", junction.__doc__ or "", site, measure(site, Survey(0.65), dice), dice)
