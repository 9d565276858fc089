"""A cliff that overhangs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .placing import place
from .planting import scatter, shrubs
from .shapes import rubble, waves
from .site import Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (130.0, 90.0)


def overhang(dice: Dice) -> Scene:
    """A cliff of 14 m whose upper rock juts out by 2 to 5 m: above lower ground it is no ground."""
    roll, edge, rough = waves(dice, 60.0, 0.5), waves(dice, 40.0, 2.0), rubble(dice, 1.3, 0.4)

    def behind(x: Array, y: Array) -> Array:
        return y - 46.0 - edge(x, 0.0 * y)

    def terrain(x: Array, y: Array) -> Array:
        inside = behind(x, y)
        scree = np.clip(1.0 + inside / 12.0, 0.0, 1.0) * (inside < 0)
        high = 14.0 * np.clip(inside / 0.3, 0.0, 1.0)
        return high + scree * (2.0 + rough(x, y)) + roll(x, y) + 0.05 * np.maximum(inside, 0.0)

    works = Works(SIZE)
    # Slabs in line with the upper ground, each a metre wide along the edge.
    for x in np.arange(-2.0, 134.0, 1.0):
        if not (18.0 < x < 58.0 or 78.0 < x < 112.0):
            continue
        jut = 2.0 + 3.0 * abs(float(np.sin(x / 9.0)))
        y = 46.0 + float(edge(np.array([x]), np.zeros(1))[0])
        rim = float(terrain(np.array([x]), np.array([y + 0.35]))[0])
        works.add(Kind.LEDGE, (float(x), y + 0.3 - jut / 2), (1.0, jut), rim, thickness=2.0)
    x, y = scatter(dice, SIZE, 6.0)
    low = (dice.uniform(0, 1, len(x)) < 0.25) & (np.abs(behind(x, y)) > 7.0)
    site = Site(SIZE, terrain, works, (shrubs(dice, terrain, x[low], y[low]),))
    return place("overhang", overhang.__doc__ or "", site, measure(site, Survey(0.45, lean=0.45), dice), dice)
