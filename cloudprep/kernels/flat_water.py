"""Water put into a raster: cells that take its level, and the cells along them that may not lie below it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray


def raise_rims(heights: NDArray[Any], source: NDArray[np.uint8], wet: int, lowest: int, beyond: int) -> None:
    """Raise cells beside water that lie below it to its level, in place; eight neighbours count.

    Parameters
    ----------
    heights : ndarray of float32, shape (rows, columns)
        m; cells without a height (NaN) stay.
    source : ndarray of uint8, shape (rows, columns)
        Which cells are water.
    wet : int
        The code of water.
    lowest, beyond : int
        The rows whose cells are looked at; their neighbours may lie outside. A cell that touches several
        waters takes the highest level, so rows can be done in any order.
    """
    _raise_rims(heights, source, wet, lowest, beyond)


@njit(nogil=True, cache=True)
def _raise_rims(heights, source, wet, lowest, beyond):  # type: ignore[no-untyped-def]
    rows, columns = heights.shape
    for r in range(lowest, beyond):
        for c in range(columns):
            if source[r, c] == wet:
                continue
            h = heights[r, c]
            if np.isnan(h):
                continue
            for i in range(max(r - 1, 0), min(r + 2, rows)):
                for j in range(max(c - 1, 0), min(c + 2, columns)):
                    if source[i, j] == wet and heights[i, j] > h:
                        h = heights[i, j]
            heights[r, c] = h


def close_rims(
    heights: NDArray[Any], source: NDArray[np.uint8], wet: int, reach: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[Any]]:
    """Return heights for empty cells between water and ground, which lost their points to the line.

    Parameters
    ----------
    heights : ndarray of float32, shape (rows, columns)
        m; NaN where there is nothing.
    source : ndarray of uint8, shape (rows, columns)
        Where heights come from.
    wet : int
        The code of water; all other cells with a height are ground.
    reach : int
        Both must lie within so many cells in either direction.

    Returns
    -------
    row, column : ndarray of int64, shape (n,)
        The cells.
    values : ndarray of float32, shape (n,)
        Between the level of the nearest water and the height of the nearest ground by their distances, and
        never below the level; m.
    """
    row, column, values = _close_rims(heights, source, wet, reach)
    return row, column, values.astype(heights.dtype)


@njit(nogil=True, cache=True)
def _close_rims(heights, source, wet, reach):  # type: ignore[no-untyped-def]
    rows, columns = heights.shape
    capacity, number = 1024, 0
    at = np.empty((capacity, 2), np.int64)
    values = np.empty(capacity, np.float64)
    for r in range(rows):
        for c in range(columns):
            if not np.isnan(heights[r, c]):
                continue
            water, ground = np.int64(1 << 40), np.int64(1 << 40)
            level, height = -np.inf, np.inf
            for i in range(max(r - reach, 0), min(r + reach + 1, rows)):
                for j in range(max(c - reach, 0), min(c + reach + 1, columns)):
                    h = heights[i, j]
                    if np.isnan(h):
                        continue
                    apart = np.int64((i - r) * (i - r) + (j - c) * (j - c))
                    if source[i, j] == wet:
                        if apart < water or (apart == water and h > level):
                            water, level = apart, h
                    elif apart < ground or (apart == ground and h < height):
                        ground, height = apart, h
            if level == -np.inf or height == np.inf:
                continue
            if number == capacity:
                more, wider = np.empty((2 * capacity, 2), np.int64), np.empty(2 * capacity, np.float64)
                more[:number], wider[:number] = at, values
                at, values = more, wider
                capacity *= 2
            a, b = np.sqrt(float(water)), np.sqrt(float(ground))
            at[number, 0], at[number, 1] = r, c
            values[number] = max(level, (level * b + height * a) / (a + b))
            number += 1
    return at[:number, 0].copy(), at[:number, 1].copy(), values[:number].copy()
