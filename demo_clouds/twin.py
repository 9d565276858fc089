"""The photogrammetric twin: coloured points on the visible surface, matched from overlapping pictures.

Image matching sees only what is on top, rounds off edges, and now and then invents a surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from . import cover, solids, terrain
from .cloud import Cloud, to_raw
from .dice import Dice
from .kinds import Kind
from .noise import clear_height

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .objects import Works
    from .plants import Plants

    Array = NDArray[np.float64]

SCALE = 0.001
NUMBER = 201
# The part of the site that was photographed: west, south, east, north, m from the corner.
WINDOW = (42.0, 14.0, 216.0, 230.0)
SPACING = 0.36
SIGMA = 0.02  # standard deviation of a height from point to point, m
# Ground further than this from the true ground (across the surface) is a smeared edge, m.
SMEARED = 0.25

_STEP = 0.25
_BLUR = 0.30
_TILE = 10.0
_HERBS = 0.25  # tallest herbs, m
_HIGH_BLOBS, _HIGH_SINGLES = 9, 60
_LOW_BLOBS, _LOW_SINGLES = 9, 40


@dataclass(frozen=True)
class Surface:
    """The visible surface on a grid of ``_STEP`` over the window; row 0 is the southernmost."""

    height: Array
    kind: NDArray[np.uint8]
    colour: Array


def _blur(values: Array) -> Array:
    """Return a grid smoothed by a bell curve of ``_BLUR`` metres."""
    reach = int(np.ceil(3.0 * _BLUR / _STEP))
    weight = np.exp(-0.5 * (np.arange(-reach, reach + 1) * _STEP / _BLUR) ** 2)
    weight /= weight.sum()
    for _ in range(2):
        padded = np.pad(values, ((reach, reach), (0, 0)), mode="edge")
        shifted = np.array([w * padded[i : i + len(values)] for i, w in enumerate(weight)])
        values = shifted.sum(axis=0).T
    return values


def _visible(works: Works, plants: Plants) -> Surface:
    west, south, east, north = WINDOW
    x, y = np.meshgrid(np.arange(west, east, _STEP) + _STEP / 2, np.arange(south, north, _STEP) + _STEP / 2)
    height = terrain.height(x, y)
    kind = np.full(x.shape, int(Kind.GROUND), np.uint8)
    colour = cover.COLOUR[cover.of_ground(x, y)]

    herbs = 2.0 * _HERBS * cover.herb_share(x, y)
    grown = herbs > 0.1
    height[grown] += herbs[grown]
    kind[grown] = Kind.HERB
    wet = terrain.is_water(x, y)
    height[wet] = terrain.POND_LEVEL
    kind[wet] = Kind.WATER
    colour[wet] = (48, 66, 70)

    def cover_with(part: tuple[slice, slice], top: Array, what: Kind, shade: Array) -> None:
        higher = top > height[part]
        height[part][higher] = top[higher]
        kind[part][higher] = what
        colour[part][higher] = shade

    def patch(x0: float, y0: float, reach: float) -> tuple[slice, slice]:
        def bounds(middle: float, low: float, count: int) -> slice:
            first, last = (middle - reach - low) / _STEP, (middle + reach - low) / _STEP
            return slice(min(max(int(first), 0), count), min(max(int(last) + 1, 0), count))

        return bounds(y0, south, x.shape[0]), bounds(x0, west, x.shape[1])

    for solid in works.solids:
        part = patch(*solid.centre, solid.radius)
        cover_with(part, solids.top(solid, x[part], y[part]), solid.kind, np.array(solid.colour))
    for crowns in plants.crowns:
        for centre, radius, half in zip(crowns.centres, crowns.radii, crowns.half_heights, strict=True):
            part = patch(centre[0], centre[1], radius)
            away = ((x[part] - centre[0]) ** 2 + (y[part] - centre[1]) ** 2) / radius**2
            lumps = 0.35 * half * np.sin(2.1 * x[part] + centre[0]) * np.sin(2.3 * y[part] + centre[1])
            dome = centre[2] + half * np.sqrt(np.maximum(1.0 - away, 0.0)) + 0.3 * lumps
            green = np.array([70.0, 104.0, 48.0]) + 18.0 * np.sin(centre[0] * 7.0)
            cover_with(part, np.where(away < 1.0, dome, -np.inf), crowns.kind, green)
    return Surface(height, kind, colour)


def _sample(grid: Array, x: Array, y: Array) -> Array:
    """Return a grid's values at places, linear between cell centres."""
    column = (x - WINDOW[0]) / _STEP - 0.5
    row = (y - WINDOW[1]) / _STEP - 0.5
    c = np.clip(column.astype(np.int64), 0, grid.shape[1] - 2)
    r = np.clip(row.astype(np.int64), 0, grid.shape[0] - 2)
    u, v = column - c, row - r
    lower = grid[r, c] * (1 - u) + grid[r, c + 1] * u
    upper = grid[r + 1, c] * (1 - u) + grid[r + 1, c + 1] * u
    return lower * (1 - v) + upper * v


def _cell(x: Array, y: Array, shape: tuple[int, ...]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    column = np.clip(((x - WINDOW[0]) / _STEP).astype(np.int64), 0, shape[1] - 1)
    row = np.clip(((y - WINDOW[1]) / _STEP).astype(np.int64), 0, shape[0] - 1)
    return row, column


def _places(surface: Surface, slope: Array, dice: Dice) -> tuple[Array, Array]:
    """Return where points lie in plan: a jittered grid, thinned on water, thickened on steep sides."""
    west, south, east, north = WINDOW
    parts = []
    for spacing, on_slopes in ((SPACING, False), (0.5 * SPACING, True)):
        x, y = np.meshgrid(np.arange(west, east, spacing), np.arange(south, north, spacing))
        x = x.ravel() + dice.uniform(0.02, 0.98 * spacing, x.size)
        y = y.ravel() + dice.uniform(0.02, 0.98 * spacing, y.size)
        inside = (x < east) & (y < north)
        x, y = x[inside], y[inside]
        cell = _cell(x, y, surface.kind.shape)
        chance = 0.90 + 0.10 * np.sin(x / 8.0) * np.sin(y / 7.0)
        if on_slopes:
            chance = np.clip((np.sqrt(1.0 + slope[cell] ** 2) - 1.2) / 8.0, 0.0, 0.6)
        kind = surface.kind[cell]
        chance = np.where(kind == Kind.WATER, 0.04, np.where(kind == Kind.TREE, 0.8 * chance, chance))
        keep = dice.uniform(0.0, 1.0, x.size) < chance
        parts.append((x[keep], y[keep]))
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def _blobs(dice: Dice, blobs: int, singles: int, *, high: bool) -> Array:
    """Return places (n, 3) of invented surfaces: clumps and single points, in the air or in the ground."""
    west, south, east, north = WINDOW
    found = []
    for k in range(blobs + singles):
        x = np.array([dice.one(west + 4, east - 4)])
        y = np.array([dice.one(south + 4, north - 4)])
        size = int(dice.one(6.0, 70.0)) if k < blobs else 1
        spread = 0.12 * size ** (1 / 3) if k < blobs else 0.0
        away = 1.0 + 3.5 * spread
        if high:
            level = clear_height(x, y) + away + dice.one(0.0, 18.0)
        else:
            around = [terrain.height(x + dx, y + dy) for dx in (-2, 0, 2) for dy in (-2, 0, 2)]
            level = np.min(around, axis=0) - away - dice.one(0.0, 3.5)
        ball = np.column_stack([dice.normal(spread, size) for _ in range(3)])
        found.append(np.column_stack([x, y, level]) + np.clip(ball, -3 * spread, 3 * spread))
    return np.concatenate(found)


def capture(works: Works, plants: Plants, seed: int) -> Cloud:
    """Return the photogrammetric twin.

    Parameters
    ----------
    works, plants : Works, Plants
        What stands on the site.
    seed : int
        The site's seed.
    """
    dice = Dice(seed, "twin")
    surface = _visible(works, plants)
    smooth = _blur(surface.height)
    slopes: Array = np.array(np.gradient(smooth, _STEP))  # to the north, to the east
    x, y = _places(surface, np.hypot(slopes[0], slopes[1]), dice)
    ripple = 0.015 * np.sin(x / 1.9 + 0.5 * np.sin(y / 2.7)) * np.sin(y / 2.2)
    z = _sample(smooth, x, y) + ripple + dice.normal(SIGMA, x.size)
    cell = _cell(x, y, surface.kind.shape)
    kind = surface.kind[cell]
    z[kind == Kind.WATER] += dice.normal(0.15, int((kind == Kind.WATER).sum()))
    light = 0.86 + 0.14 * np.clip((0.5 * slopes[1] - 0.6 * slopes[0])[cell], -1.5, 1.0)
    colour = surface.colour[cell] * (light + dice.normal(0.03, x.size))[:, None]

    floating = Dice(seed, "floaters")
    high = _blobs(floating, _HIGH_BLOBS, _HIGH_SINGLES, high=True)
    low = _blobs(floating, _LOW_BLOBS, _LOW_SINGLES, high=False)
    places = np.concatenate([np.column_stack([x, y, z]), high, low])
    kind = np.concatenate(
        [kind, np.full(len(high), int(Kind.FLOATER), np.uint8), np.full(len(low), int(Kind.SUNKEN), np.uint8)]
    )
    colour = np.concatenate([colour, np.full((len(high), 3), 205.0), np.full((len(low), 3), 70.0)])

    # Matching programs write tile by tile.
    tile = np.floor((places[:, :2] - WINDOW[:2]) / _TILE).astype(np.int64)
    order = np.lexsort((places[:, 0], np.floor(places[:, 1] / SPACING), tile[:, 0], tile[:, 1]))
    raw = to_raw(places[order], SCALE)
    kind, colour = kind[order], np.clip(np.round(colour[order]), 0, 255).astype(np.uint16) * 256

    local = raw * np.float64(SCALE)
    off = np.abs(local[:, 2] - terrain.height(local[:, 0], local[:, 1]))
    off /= np.sqrt(1.0 + terrain.steepness(local[:, 0], local[:, 1]) ** 2)
    near_ground = (kind == Kind.GROUND) | (kind == Kind.HERB)
    tallest = np.where(kind == Kind.HERB, _HERBS, 0.0)
    kind = np.where(near_ground & (off > SMEARED + tallest), np.uint8(Kind.SMEAR), kind)
    columns: dict[str, NDArray[Any]] = {
        "return_number": np.ones(len(raw), np.uint8),
        "number_of_returns": np.ones(len(raw), np.uint8),
        "point_source_id": np.full(len(raw), NUMBER, np.uint16),
        "red": colour[:, 0],
        "green": colour[:, 1],
        "blue": colour[:, 2],
    }
    return Cloud(raw, SCALE, kind, columns, point_format=7)
