"""A photogrammetric cloud of a building site: the visible surface, smeared at edges, coloured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial import cKDTree

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, shrubs, trees
from .shapes import ease, rubble, waves
from .site import Site
from .survey import Echoes
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene
    from .site import Crowns

    Array = NDArray[np.float64]

SIZE = (90.0, 70.0)
_SPACING = 0.17
_BLUR = 0.35
_COLOURS = {
    Kind.GROUND: (150.0, 130.0, 105.0),
    Kind.SHRUB: (95.0, 120.0, 60.0),
    Kind.TREE: (75.0, 105.0, 55.0),
    Kind.BUILDING: (165.0, 100.0, 85.0),
    Kind.VEHICLE: (215.0, 175.0, 50.0),
    Kind.SMEAR: (140.0, 125.0, 100.0),
}


def _over(groups: tuple[Crowns, ...], x: Array, y: Array, bumps: Array) -> tuple[Array, NDArray[np.uint8]]:
    """Return the upper side of the crowns as cameras see it: closed and bumpy."""
    top, kind = np.full(len(x), -np.inf), np.zeros(len(x), np.uint8)
    for crowns in groups:
        _, which = cKDTree(np.column_stack([crowns.x, crowns.y])).query(np.column_stack([x, y]), 3)
        for one in which.T:
            away = np.hypot(x - crowns.x[one], y - crowns.y[one])
            share = 1.0 - ((away + 0.3 * bumps) / crowns.radius[one]) ** 2
            z = crowns.middle[one] + crowns.half[one] * np.sqrt(np.maximum(share, 0.0)) + 0.25 * bumps
            higher = (share > 0) & (z > top)
            top, kind = np.where(higher, z, top), np.where(higher, np.uint8(crowns.kind), kind)
    return top, kind


def _surface(site: Site, x: Array, y: Array, bumps: Array) -> tuple[Array, NDArray[np.uint8]]:
    z, kind = site.terrain(x, y), np.full(len(x), int(Kind.GROUND), np.uint8)
    cover = site.works.at(x, y)
    for top, what in ((cover.top, cover.kind), _over(site.crowns, x, y, bumps)):
        higher = top > z
        z, kind = np.where(higher, top, z), np.where(higher, what, kind)
    return z, kind


def building_site(dice: Dice) -> Scene:
    """Photogrammetric: a dug pit, spoil, houses, trees and machines; edges smeared, colour, no returns."""
    roll, rough = waves(dice, 45.0, 0.5), rubble(dice, 0.8, 0.05)

    def terrain(x: Array, y: Array) -> Array:
        pit = np.maximum(np.abs(x - 30.0) - 14.0, np.abs(y - 24.0) - 10.0)
        spoil = np.maximum(4.5 - 0.7 * np.hypot(x - 62.0, 0.7 * (y - 20.0)), 0.0)
        return roll(x, y) + rough(x, y) - 3.5 * ease(1.0 - pit / 1.2) + spoil

    works = Works(SIZE)
    for x, y in ((22.0, 52.0), (48.0, 56.0), (74.0, 48.0)):
        works.add(
            Kind.BUILDING, (x, y), (12.0, 8.5), foot(terrain, x, y) + 8.0, turned=dice.one(0, 40), pitch=0.75
        )
    for x, y, high in ((32.0, 26.0, 3.2), (50.0, 34.0, 3.0), (70.0, 30.0, 2.6)):
        works.add(Kind.VEHICLE, (x, y), (7.0, 2.8), foot(terrain, x, y) + high, turned=dice.one(0, 90))
    x, y = scatter(dice, SIZE, 7.0)
    free = (works.at(x, y).kind == 0) & ((y > 40.0) | (x > 76.0))
    keep = free & (dice.uniform(0, 1, len(x)) < 0.3)
    low = free & (dice.uniform(0, 1, len(x)) < 0.3)
    crowns = (
        trees(dice, terrain, x[keep], y[keep], tall=(6.0, 12.0), slender=(0.2, 0.3)),
        shrubs(dice, terrain, x[low] + 2.0, y[low]),
    )
    site = Site(SIZE, terrain, works, crowns)
    echoes = _match(site, dice)
    return place(
        "building_site", building_site.__doc__ or "", site, echoes, dice, **_paint(echoes.kind, dice)
    )


def _match(site: Site, dice: Dice) -> Echoes:
    """Return the surface as dense image matching sees it."""
    x, y = (v.ravel() for v in np.meshgrid(*(np.arange(0.0, extent, _SPACING) for extent in site.size)))
    # Little texture, few points.
    bare = waves(dice, 20.0, 1.0)
    keep = dice.uniform(0, 1, len(x)) < np.clip(0.8 + 0.25 * bare(x, y), 0.25, 1.0)
    x, y = x[keep], y[keep]
    n = len(x)
    x, y = x + dice.normal(0.06, n), y + dice.normal(0.06, n)
    bumps = waves(dice, 1.1, 1.0, 7)(x, y)
    z, kind = _surface(site, x, y, bumps)
    # Matching windows average over what they cover: sharp edges come out as slopes.
    total = z.copy()
    for turn in np.arange(6) * np.pi / 3:
        total += _surface(site, x + _BLUR * np.cos(turn), y + _BLUR * np.sin(turn), bumps)[0]
    blurred = total / 7.0
    ground = site.terrain(x, y)
    kind = np.where((kind == Kind.GROUND) & (blurred - ground > 0.25), np.uint8(Kind.SMEAR), kind)
    wander = waves(dice, 2.5, 0.03, 7)
    z = blurred + wander(x, y) + dice.normal(0.02, n)
    one = np.ones(n, np.uint8)
    return Echoes(x, y, z, kind, one, one, one.astype(np.uint16), one.astype(np.uint16))


def _paint(kind: NDArray[np.uint8], dice: Dice) -> dict[str, NDArray[Any]]:
    table = np.full((256, 3), 128.0)
    for value, colour in _COLOURS.items():
        table[value] = colour
    light = np.exp(dice.normal(0.12, len(kind)))[:, None]
    colour = np.clip(table[kind] * light + dice.normal(6.0, 3 * len(kind)).reshape(-1, 3), 0, 255)
    return {n: (colour[:, k] * 256).astype(np.uint16) for k, n in enumerate(("red", "green", "blue"))}
