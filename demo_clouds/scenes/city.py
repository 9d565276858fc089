"""Dense city blocks with courtyards."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import trees
from .shapes import waves
from .site import Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (190.0, 160.0)
_STREET = 13.0


def city(dice: Dice) -> Scene:
    """Closed blocks of 14 to 22 m along streets of 13 m; courtyards with sheds and trees are ground."""
    roll = waves(dice, 150.0, 0.5)

    def terrain(x: Array, y: Array) -> Array:
        return 0.02 * x + roll(x, y)

    works = Works(SIZE)
    stems: list[tuple[float, float]] = []
    block = (54.0, 46.0)
    for column in range(-1, 4):
        for row in range(-1, 4):
            cx = 20.0 + column * (block[0] + _STREET) + dice.one(-1, 1)
            cy = 26.0 + row * (block[1] + _STREET) + dice.one(-1, 1)
            base, deep = foot(terrain, cx, cy), dice.one(11.0, 13.5)
            eaves = base + dice.uniform(13.0, 20.0, 4)
            wide, high = block
            works.add(Kind.BUILDING, (cx, cy - (high - deep) / 2), (wide, deep), eaves[0] + 4, pitch=0.65)
            works.add(Kind.BUILDING, (cx, cy + (high - deep) / 2), (wide, deep), eaves[1] + 4, pitch=0.65)
            for side, k in ((-1, 2), (1, 3)):
                x = cx + side * (wide - deep) / 2
                works.add(
                    Kind.BUILDING, (x, cy), (high - 2 * deep, deep), eaves[k] + 3, turned=90.0, pitch=0.55
                )
            # A shed and a tree in the courtyard; every third block has a gateway to the street.
            works.add(Kind.BUILDING, (cx - 6, cy - 5), (9.0, 5.0), base + 3.4, lean=0.1)
            stems.append((cx + 7, cy + 4))
            for car in range(7):
                x = cx - 22 + 7.4 * car + dice.one(-0.6, 0.6)
                works.add(Kind.VEHICLE, (x, cy + high / 2 + 2.0), (4.4, 1.8), foot(terrain, x, cy) + 1.5)
    works.add(Kind.BUILDING, (87.0, 85.0 + 18.0), (4.0, 16.0), -50.0)
    x, y = np.array(stems).T
    site = Site(SIZE, terrain, works, (trees(dice, terrain, x, y, tall=(7.0, 14.0), slender=(0.22, 0.3)),))
    return place("city", city.__doc__ or "", site, measure(site, Survey(0.55, lines=3), dice), dice)
