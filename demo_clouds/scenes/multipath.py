"""Echoes from below the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, trees
from .shapes import waves
from .site import Site
from .survey import Echoes, Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (140.0, 120.0)


def _below(dice: Dice, site: Site, name: Kind, x: Array, y: Array, depth: Array) -> Echoes:
    n = len(x)
    z = site.terrain(x, y) - depth + dice.normal(0.08, n)
    one = np.ones(n, np.uint8)
    return Echoes(
        x, y, z, np.full(n, int(name), np.uint8), one, one, one.astype(np.uint16), one.astype(np.uint16)
    )


def low_multipath(dice: Dice) -> Scene:
    """Houses, trees, and echoes 0.6 to 6 m below the ground: single ones and groups of 5 to 60."""
    roll = waves(dice, 60.0, 0.8)

    def terrain(x: Array, y: Array) -> Array:
        return 0.03 * x + roll(x, y)

    works = Works(SIZE)
    for k in range(9):
        x, y = 25.0 + 44.0 * (k % 3) + dice.one(-4, 4), 22.0 + 38.0 * (k // 3) + dice.one(-3, 3)
        size = (dice.one(9, 15), dice.one(7, 10))
        works.add(Kind.BUILDING, (x, y), size, foot(terrain, x, y) + 8.0, turned=dice.one(0, 90), pitch=0.7)
    x, y = scatter(dice, SIZE, 12.0)
    keep = (dice.uniform(0, 1, len(x)) < 0.5) & (works.at(x, y).kind == 0)
    site = Site(SIZE, terrain, works, (trees(dice, terrain, x[keep], y[keep]),))
    parts = [measure(site, Survey(0.6), dice)]
    single = 60
    x, y = dice.uniform(2, SIZE[0] - 2, single), dice.uniform(2, SIZE[1] - 2, single)
    parts.append(_below(dice, site, Kind.LOW_SINGLE, x, y, dice.uniform(0.8, 12.0, single)))
    for _ in range(14):
        count, reach = int(dice.one(5, 60)), dice.one(0.6, 2.5)
        x = dice.one(8, SIZE[0] - 8) + dice.normal(reach, count)
        y = dice.one(8, SIZE[1] - 8) + dice.normal(reach, count)
        tilt = 0.1 * dice.one(-1, 1) * (x - x.mean())
        parts.append(_below(dice, site, Kind.LOW_GROUP, x, y, dice.one(0.8, 6.0) + tilt))
    echoes = Echoes(*(np.concatenate(values) for values in zip(*parts, strict=True)))
    return place("low_multipath", low_multipath.__doc__ or "", site, echoes, dice)
