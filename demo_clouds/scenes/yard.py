"""A yard with stockpiles, machines and a conveyor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .shapes import away, rubble, waves
from .site import Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (150.0, 120.0)
REPOSE = float(np.tan(np.radians(36.0)))


def stockpiles(dice: Dice) -> Scene:
    """Piles of 3 to 13 m, windrows and bays on a yard (all ground), loaders, containers and a conveyor."""
    cones = [
        (38.0, 84.0, 13.0),
        (66.0, 92.0, 9.0),
        (84.0, 80.0, 11.0),
        (112.0, 94.0, 6.0),
        (130.0, 66.0, 4.0),
    ]
    cones += [(x, 50.0 + 3 * (k % 2), 3.0) for k, x in enumerate((20.0, 29.0, 37.0))]
    ridge = ((62.0, 46.0), (92.0, 40.0), (112.0, 46.0))
    roll, rough, lumps = waves(dice, 70.0, 0.15), rubble(dice, 0.8, 0.12), waves(dice, 9.0, 0.25)

    def terrain(x: Array, y: Array) -> Array:
        ground = 0.012 * x - 0.008 * y + roll(x, y)
        heap = np.zeros(np.shape(x))
        for cx, cy, high in cones:
            reach = high / REPOSE
            # A tip is rounded, its flank is straight, and diggers have bitten into the foot.
            distance = np.hypot(x - cx, y - cy) * (1 + 0.06 * np.sin(3 * np.arctan2(y - cy, x - cx) + cx))
            heap = np.maximum(heap, high + 1.0 - np.sqrt((distance * high / reach) ** 2 + 1.0))
        across, _ = away(x, y, ridge)
        heap = np.maximum(heap, 5.0 - REPOSE * np.maximum(across - 0.8, 0.0))
        # Three bays against a push wall, cut upright at the front by the loader.
        for bay in range(3):
            inside = (x > 12.0 + 11 * bay) & (x < 22.0 + 11 * bay) & (y > 8.0) & (y < 20.0)
            heap = np.where(inside, np.maximum(heap, np.minimum(4.0, (20.5 - y) * (1.6 - 0.3 * bay))), heap)
        on = heap > 0.05
        return ground + heap + on * (rough(x, y) + np.minimum(heap, 2.0) / 2.0 * lumps(x, y))

    works = Works(SIZE)
    for edge in range(4):
        x = 11.5 + 11.0 * edge
        works.add(Kind.BUILDING, (x, 14.0), (0.8, 14.0), foot(terrain, x, 4.0) + 4.6)
    works.add(Kind.BUILDING, (28.0, 7.4), (34.0, 0.9), foot(terrain, 28.0, 4.0) + 4.6)
    machines = (
        (52, 70, (8.5, 3.0), 3.6),
        (100, 62, (9.5, 3.2), 3.9),
        (74, 62, (10.0, 2.8), 3.4),
        (40, 28, (8.0, 3.0), 3.5),
    )
    for x, y, size, high in machines:
        works.add(Kind.VEHICLE, (x, y), size, foot(terrain, x, y) + high, turned=dice.one(0, 180))
        works.add(Kind.VEHICLE, (x + 0.6, y), (2.0, 2.0), foot(terrain, x, y) + high + 0.6)
    for k in range(6):
        x, y = 100.0 + 6.6 * k, 14.0 + 0.4 * k
        works.add(Kind.BUILDING, (x, y), (6.1, 2.5), foot(terrain, x, y) + 2.6 * (1 + k % 2))
    works.add(
        Kind.BUILDING, (122.0, 28.0), (14.0, 9.0), foot(terrain, 122.0, 28.0) + 7.0, turned=8.0, lean=0.05
    )
    # The belt climbs from a hopper to just above the tip of the tallest pile.
    start, end = np.array([62.0, 110.0]), np.array([39.5, 85.5])
    low, high = foot(terrain, *start) + 1.5, foot(terrain, 38.0, 84.0) + 1.6
    length = float(np.hypot(*(end - start)))
    works.add(
        Kind.CONVEYOR,
        tuple(((start + end) / 2).tolist()),
        (length, 1.6),
        (low + high) / 2,
        turned=float(np.degrees(np.arctan2(*(end - start)[::-1]))),
        climb=(high - low) / length,
        thickness=1.0,
    )
    works.add(Kind.CONVEYOR, (64.0, 112.0), (4.0, 4.0), foot(terrain, 64.0, 112.0) + 3.5, turned=47.0)
    site = Site(SIZE, terrain, works)
    return place("stockpiles", stockpiles.__doc__ or "", site, measure(site, Survey(0.5), dice), dice)
