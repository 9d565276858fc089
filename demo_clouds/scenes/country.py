"""Everyday land: rolling ground, vines, hillside houses."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, shrubs, trees
from .shapes import waves
from .site import Herbs, Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (170.0, 130.0)


def rolling(dice: Dice) -> Scene:
    """Gently rolling land with houses, trees and shrubs: what every filter should do well."""
    roll = waves(dice, 60.0, 1.5)

    def terrain(x: Array, y: Array) -> Array:
        return 0.04 * x + roll(x, y)

    works = Works(SIZE)
    for k in range(8):
        x, y = 24.0 + 40.0 * (k % 4) + dice.one(-6, 6), 34.0 + 58.0 * (k // 4) + dice.one(-6, 6)
        size, turned = (dice.one(9, 16), dice.one(7, 10)), dice.one(0, 90)
        works.add(
            Kind.BUILDING, (x, y), size, foot(terrain, x, y) + dice.one(6.5, 9.5), turned=turned, pitch=0.7
        )
    x, y = scatter(dice, SIZE, 8.0)
    keep = (dice.uniform(0, 1, len(x)) < 0.3) & (works.at(x, y).kind == 0)
    low = (dice.uniform(0, 1, len(x)) < 0.2) & (works.at(x + 2, y).kind == 0)
    crowns = (trees(dice, terrain, x[keep], y[keep]), shrubs(dice, terrain, x[low] + 2.0, y[low]))
    site = Site(SIZE, terrain, works, crowns)
    return place("rolling", rolling.__doc__ or "", site, measure(site, Survey(0.65), dice), dice)


def vineyard(dice: Dice) -> Scene:
    """Vines of 1.9 m in rows 2.2 m apart on 14 degrees, mown ground between, posts and a hut."""
    roll = waves(dice, 50.0, 0.8)

    def terrain(x: Array, y: Array) -> Array:
        return 0.25 * y + roll(x, y)

    step = 2.2

    def cover(x: Array, y: Array) -> Array:
        row = np.abs((x + 0.03 * y) % step - step / 2)
        vines = (row < 0.35) & (np.abs(y - 40.0) > 3.0) & (y > 6.0) & (x > 5.0)
        return np.where(vines, 0.85, 0.06)

    def height(x: Array, y: Array) -> Array:
        row = np.abs((x + 0.03 * y) % step - step / 2)
        return np.where(row < 0.35, 1.9, 0.25)

    size = (90.0, 80.0)
    works = Works(size)
    works.add(Kind.BUILDING, (60.0, 40.0), (4.0, 3.5), foot(terrain, 60.0, 40.0) + 3.2, pitch=0.6)
    site = Site(size, terrain, works, (), Herbs(cover, height, lowest=0.15, kind=Kind.SHRUB))
    return place("vineyard", vineyard.__doc__ or "", site, measure(site, Survey(0.3), dice), dice)


def hillside_houses(dice: Dice) -> Scene:
    """Houses dug into a slope of 24 degrees, roofs near the uphill ground, garden walls and shrubs."""
    roll = waves(dice, 45.0, 0.8)
    slope = float(np.tan(np.radians(24.0)))
    places = [
        (18.0 + 24.0 * (k % 5) + dice.one(-3, 3), 20.0 + 32.0 * (k // 5) + dice.one(-3, 3)) for k in range(15)
    ]

    def terrain(x: Array, y: Array) -> Array:
        z = slope * y + roll(x, y)
        # Each house stands on a platform cut into the slope, with a wall downhill.
        for cx, cy in places:
            level = slope * cy + 0.2
            beside = np.maximum(np.maximum(np.abs(x - cx) - 9.0, np.abs(y - cy) - 6.5), 0.0)
            z = np.clip(
                z, level - 8.0 * beside - 0.05 * np.abs(y - cy), level + 2.5 * beside + 0.05 * np.abs(y - cy)
            )
        return z

    works = Works((130.0, 115.0))
    for cx, cy in places:
        base, turned = foot(terrain, cx, cy), dice.one(-8, 8)
        if dice.one(0, 1) < 0.6:
            works.add(
                Kind.BUILDING, (cx, cy + 1.0), (12.0, 9.0), base + dice.one(5, 7), turned=turned, pitch=0.5
            )
        else:
            works.add(Kind.BUILDING, (cx, cy + 2.0), (13.0, 9.0), base + dice.one(3, 4.5), turned=turned)
        works.add(Kind.VEHICLE, (cx + 7.8, cy - 4.0), (1.8, 4.3), base + 1.5, turned=turned)
    x, y = scatter(dice, (130.0, 115.0), 5.0)
    free = works.at(x, y).kind == 0
    low = free & (dice.uniform(0, 1, len(x)) < 0.35)
    keep = free & (dice.uniform(0, 1, len(x)) < 0.1)
    crowns = (
        shrubs(dice, terrain, x[low], y[low], tall=(0.5, 2.5)),
        trees(dice, terrain, x[keep], y[keep], tall=(6.0, 13.0)),
    )
    site = Site((130.0, 115.0), terrain, works, crowns)
    return place(
        "hillside_houses", hillside_houses.__doc__ or "", site, measure(site, Survey(0.55), dice), dice
    )
