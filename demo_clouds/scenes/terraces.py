"""Terraces on a hillside, held by dry walls, with houses on them."""

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

SIZE = (130.0, 105.0)
_WALL = 0.2


def terraces(dice: Dice) -> Scene:
    """Terraces held by walls of 1 to 3 m on a hillside of 18 degrees, houses and trees on them."""
    rise = float(np.tan(np.radians(18.0)))
    treads = dice.uniform(5.0, 9.0, 14)
    walls = np.cumsum(treads) + 4.0
    bend, roll = waves(dice, 70.0, 2.0), waves(dice, 25.0, 0.12)

    def terrain(x: Array, y: Array) -> Array:
        up = y + bend(x, 0.0 * y)
        natural = rise * up
        stepped = np.zeros(np.shape(x))
        for wall, tread in zip(walls, treads, strict=True):
            stepped = stepped + 0.96 * rise * tread * np.clip((up - wall) / _WALL, 0.0, 1.0)
        stepped = stepped + 0.04 * rise * up
        # Towards one side the terraces run out into the natural slope.
        share = ease((118.0 - x) / 22.0)
        return share * stepped + (1 - share) * natural + roll(x, y)

    works = Works(SIZE)
    for x, wall in ((28.0, 4), (64.0, 8), (92.0, 5)):
        y = float(walls[wall] - bend(np.array([x]), np.zeros(1))[0]) - 3.2
        works.add(Kind.BUILDING, (x, y), (11.0, 5.0), foot(terrain, x, y) + 5.5, pitch=0.7)
    for x, y in ((45.0, 70.0), (20.0, 88.0)):
        works.add(Kind.BUILDING, (x, y), (3.0, 2.4), foot(terrain, x, y) + 2.4, turned=20.0, lean=0.15)
    x, y = scatter(dice, SIZE, 9.0)
    keep = (dice.uniform(0, 1, len(x)) < 0.35) & (works.at(x, y).kind == 0)
    u, v = scatter(dice, SIZE, 6.0)
    low = (dice.uniform(0, 1, len(u)) < 0.2) & (works.at(u, v).kind == 0)
    crowns = (
        trees(dice, terrain, x[keep], y[keep], tall=(3.5, 7.0), slender=(0.3, 0.4)),
        shrubs(dice, terrain, u[low], v[low], tall=(0.6, 1.8)),
    )
    echoes = measure(Site(SIZE, terrain, works, crowns), Survey(0.45), dice)
    return place("terraces", terraces.__doc__ or "", Site(SIZE, terrain, works), echoes, dice)
