"""Where pulses meet the bare ground or the pond."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import numpy as np

from . import place, terrain

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from .beams import Beams

    Array = NDArray[np.float64]

_CELL = 1.0
_SPARE = 30.0  # how far beyond the site the ground is looked up, m
_COARSE = 1.0
_FINE = 0.3
_CLOSE = 1e-4


@functools.cache
def _ceiling() -> Array:
    """Return, a cell, a height no ground within a cell's distance exceeds; rows run north."""
    width, depth = place.EXTENT
    step = _CELL / 2
    x = np.arange(-_SPARE, width + _SPARE, step)
    y = np.arange(-_SPARE, depth + _SPARE, step)
    fine = terrain.height(*np.meshgrid(x, y))
    rows, columns = len(y) // 2, len(x) // 2
    cells = fine[: rows * 2, : columns * 2].reshape(rows, 2, columns, 2).max(axis=(1, 3))
    around = np.pad(cells, 1, mode="edge")
    lifted = [around[i : i + rows, j : j + columns] for i in range(3) for j in range(3)]
    highest: Array = np.max(lifted, axis=0) + 0.05
    return highest


def land(beams: Beams) -> Array:
    """Return the range (m) at which each pulse meets the ground (under the pond: its bed).

    A pulse goes down in steps, first above a coarse ceiling, then against the formula itself, and the
    last step is narrowed to a tenth of a millimetre.
    """
    ceiling = _ceiling()
    down = -beams.direction[:, 2]
    slope_x, slope_y = beams.direction[:, 0] / down, beams.direction[:, 1] / down
    x0, y0, z0 = beams.origin.T

    z = np.full(len(beams), float(ceiling.max()) + 0.5)
    active = np.arange(len(beams))
    while active.size:
        fall = z0[active] - z[active]
        column = ((x0[active] + fall * slope_x[active] + _SPARE) / _CELL).astype(np.int64)
        row = ((y0[active] + fall * slope_y[active] + _SPARE) / _CELL).astype(np.int64)
        column = np.clip(column, 0, ceiling.shape[1] - 1)
        row = np.clip(row, 0, ceiling.shape[0] - 1)
        active = active[z[active] > ceiling[row, column]]
        z[active] -= _COARSE
    z += _COARSE

    def above(rows: NDArray[np.int64], level: Array) -> Array:
        fall = z0[rows] - level
        return level - terrain.height(x0[rows] + fall * slope_x[rows], y0[rows] + fall * slope_y[rows])

    active = np.arange(len(beams))
    while active.size:
        active = active[above(active, z[active] - _FINE) > 0.0]
        z[active] -= _FINE
    level = _between(above, z, z - _FINE)
    ranges: Array = (z0 - level) / down
    return ranges


def _between(above: Callable[[NDArray[np.int64], Array], Array], high: Array, low: Array) -> Array:
    """Return the levels between free ``high`` ones and buried ``low`` ones where the ground is met.

    False position; an end that stays twice counts half (the Illinois rule), so that the ground's kinks
    can't hold it up.
    """
    everyone = np.arange(high.size)
    over, under = above(everyone, high), above(everyone, low)
    level = high.copy()
    active = everyone
    side = np.zeros(high.size, np.int8)
    high, low = high.copy(), low.copy()
    for _ in range(40):
        share = over[active] / (over[active] - under[active])
        level[active] = high[active] + share * (low[active] - high[active])
        value = above(active, level[active])
        free = value > 0.0
        rows, buried = active[free], active[~free]
        under[rows[side[rows] == 1]] *= 0.5
        over[buried[side[buried] == -1]] *= 0.5
        high[rows], over[rows], side[rows] = level[rows], value[free], 1
        low[buried], under[buried], side[buried] = level[buried], value[~free], -1
        active = active[(np.abs(value) > _CLOSE) & (high[active] - low[active] > _CLOSE)]
        if not active.size:
            break
    return level
