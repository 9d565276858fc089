"""The lowest point of every cell of a raster, block by block: a summary that doesn't care about any order."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.plain import cells as plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]


_AT_ONCE = 256

# Sizes that divide a kilometre and are exact in binary, so a lattice of such cells stays in place when a
# cloud moves by whole kilometres.
_ROUND_SIZES = (0.125, 0.25, 0.5, 1.0, 2.0, 2.5, 4.0, 5.0, 8.0, 10.0, 20.0, 25.0, 40.0, 50.0, 100.0)


def round_cell(least: float) -> float:
    """Return the smallest round cell size, m, that is not below a length (at most 100 m).

    Round sizes divide a kilometre, so the lattice of their cells doesn't shift when a cloud moves by that.

    Examples
    --------
    >>> [round_cell(v) for v in (0.3, 1.0, 1.7, 2.2, 30)]
    [0.5, 1.0, 2.0, 2.5, 40.0]
    """
    return next((size for size in _ROUND_SIZES if least <= size), _ROUND_SIZES[-1])


class CellGrid(NamedTuple):
    """One value a cell of a rectangle of a lattice.

    Parameters
    ----------
    column, row : int
        Global indices of the rectangle's first cell (its south-western corner).
    values : ndarray of float64, shape (rows, columns)
        NaN where a cell is empty.
    """

    column: int
    row: int
    values: NDArray[np.float64]


@njit(nogil=True, cache=True, error_model="numpy")
def _lower(column: Indices, row: Indices, z: Floats, lowest: Floats) -> int:
    """Lower ``lowest`` to the heights that fall in its cells; return how many points fall in none."""
    rows, columns = lowest.shape
    missed = 0
    for i in range(len(z)):
        c = column[i]
        r = row[i]
        if c < 0 or r < 0 or c >= columns or r >= rows:
            missed += 1
        elif not lowest[r, c] <= z[i]:  # also where the cell is still empty: NaN compares false
            lowest[r, c] = z[i]
    return missed


@njit(nogil=True, cache=True, error_model="numpy")
def _lowest_index(column: Indices, row: Indices, x: Floats, y: Floats, z: Floats, index: Indices) -> int:
    """Set ``index`` to each cell's lowest point, ties by x, then y; return how many points fall in none."""
    rows, columns = index.shape
    missed = 0
    for i in range(len(z)):
        c = column[i]
        r = row[i]
        if c < 0 or r < 0 or c >= columns or r >= rows:
            missed += 1
            continue
        k = index[r, c]
        if k < 0 or z[i] < z[k] or (z[i] == z[k] and (x[i] < x[k] or (x[i] == x[k] and y[i] < y[k]))):
            index[r, c] = i
    return missed


def _check_inside(missed: int, count: int, shape: tuple[int, int]) -> None:
    if missed:
        raise ValueError(
            f"{missed} of {count} points lie outside the raster of {shape[0]} x {shape[1]} cells"
        )


def lowest_per_cell(
    column: NDArray[np.int64], row: NDArray[np.int64], z: NDArray[np.float64], shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Return the lowest height in each cell.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        Cell of each point, counted from the raster's first cell.
    z : ndarray of float64, shape (n,)
        Heights, m; none of them NaN.
    shape : tuple of int
        Rows and columns of the raster.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        NaN where a cell holds no point. The order of the points doesn't matter.

    Raises
    ------
    ValueError
        If a point lies outside the raster: nothing is ever written beyond it.

    Examples
    --------
    >>> lowest_per_cell(np.array([0, 0, 1]), np.array([0, 0, 0]), np.array([5.0, 3.0, 4.0]), (1, 3))
    array([[ 3.,  4., nan]])
    """
    lowest = np.full(shape, np.nan)
    lower = _lower if COMPILED else plain.lowest_heights
    _check_inside(int(lower(column, row, np.asarray(z, np.float64), lowest)), len(z), shape)
    return lowest


def lowest_point_per_cell(
    column: NDArray[np.int64],
    row: NDArray[np.int64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    shape: tuple[int, int],
) -> NDArray[np.int64]:
    """Return the index of the lowest point of each cell.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        Cell of each point, counted from the raster's first cell.
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m. Among equally low points the one with the smallest x wins, then the smallest y, so
        the coordinates found don't depend on the order of the points.
    shape : tuple of int
        Rows and columns of the raster.

    Returns
    -------
    ndarray of int64, shape (rows, columns)
        -1 where a cell holds no point.

    Raises
    ------
    ValueError
        If a point lies outside the raster.
    """
    index = np.full(shape, -1, np.int64)
    lowest_index = _lowest_index if COMPILED else plain.lowest_index
    _check_inside(int(lowest_index(column, row, x, y, z, index)), len(z), shape)
    return index


@njit(nogil=True, cache=True, error_model="numpy")
def span(x: Floats, y: Floats, used: NDArray[np.bool_]) -> tuple[float, float, float, float]:
    """Return the least and largest x, and the least and largest y, of the points used.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Coordinates.
    used : ndarray of bool, shape (n,)
        Which points count.

    Returns
    -------
    left, right, lower, upper : float
        Infinite, the wrong way round, if no point counts.
    """
    # Extremes of every so manieth point: those of neighbours don't wait for each other.
    left, right = np.full(_AT_ONCE, np.inf), np.full(_AT_ONCE, -np.inf)
    lower, upper = np.full(_AT_ONCE, np.inf), np.full(_AT_ONCE, -np.inf)
    for start in range(0, len(x), _AT_ONCE):
        end = min(start + _AT_ONCE, len(x))
        some, across, up = used[start:end], x[start:end], y[start:end]
        for k in range(end - start):
            left[k] = across[k] if some[k] & (across[k] < left[k]) else left[k]
            right[k] = across[k] if some[k] & (across[k] > right[k]) else right[k]
            lower[k] = up[k] if some[k] & (up[k] < lower[k]) else lower[k]
            upper[k] = up[k] if some[k] & (up[k] > upper[k]) else upper[k]
    return left.min(), right.max(), lower.min(), upper.max()


@njit(nogil=True, cache=True, error_model="numpy")
def _lowest_used(
    x: Floats,
    y: Floats,
    z: Floats,
    used: NDArray[np.bool_],
    phase: tuple[float, float],
    side: float,
    first: tuple[int, int],
    shift: tuple[float, float],
    lowest: Floats,
) -> int:
    rows, columns = lowest.shape[1:]
    missed = 0
    for i in range(len(z)):
        if not used[i]:
            continue
        u, v, w = x[i] + shift[0], y[i] + shift[1], z[i]
        c = int(np.floor((x[i] + phase[0]) / side)) - first[0]
        r = int(np.floor((y[i] + phase[1]) / side)) - first[1]
        if c < 0 or r < 0 or c >= columns or r >= rows:
            missed += 1
            continue
        before = lowest[2, r, c]
        if not before <= w or (
            before == w and (u < lowest[0, r, c] or (u == lowest[0, r, c] and v < lowest[1, r, c]))
        ):
            lowest[0, r, c], lowest[1, r, c], lowest[2, r, c] = u, v, w
    return missed


def lowest_of_used(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    used: NDArray[np.bool_],
    *,
    phase: tuple[float, float],
    side: float,
    first: tuple[int, int],
    shape: tuple[int, int],
    shift: tuple[float, float] | None = None,
) -> NDArray[np.float64]:
    """Return the lowest point of each cell, in one pass over the points.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m; none of them NaN. Ties as in :func:`lowest_point_per_cell`.
    used : ndarray of bool, shape (n,)
        Which points count.
    phase : tuple of float
        Is added to x and y, m.
    side : float
        Side of a cell, m.
    first : tuple of int
        Column and row of the first cell: a point lies in column floor((x + phase) / side).
    shape : tuple of int
        Rows and columns.
    shift : tuple of float, optional
        What is added to the x and y returned, m; by default the phase.

    Returns
    -------
    ndarray of float64, shape (3, rows, columns)
        x, y (shifted) and z, m; NaN where a cell holds no point.

    Raises
    ------
    ValueError
        If a point lies outside the raster.
    """
    lowest = np.full((3, *shape), np.nan)
    shift = phase if shift is None else shift
    _check_inside(int(_lowest_used(x, y, z, used, phase, side, first, shift, lowest)), len(z), shape)
    return lowest


def joint_shape(parts: Sequence[CellGrid]) -> tuple[int, int]:
    """Return rows and columns of the smallest rectangle around all parts; (0, 0) without any cells."""
    filled = [p for p in parts if p.values.size]
    if not filled:
        return 0, 0
    rows = max(p.row + p.values.shape[0] for p in filled) - min(p.row for p in filled)
    columns = max(p.column + p.values.shape[1] for p in filled) - min(p.column for p in filled)
    return rows, columns


def merge_lowest(parts: Sequence[CellGrid]) -> CellGrid:
    """Join the lowest heights of several rectangles of one lattice.

    Parameters
    ----------
    parts : sequence of CellGrid
        They may overlap, and come in any order.

    Returns
    -------
    CellGrid
        The smallest rectangle around all of them; the lower value where they overlap.

    Examples
    --------
    >>> a = CellGrid(10, 5, np.array([[1.0, np.nan]]))
    >>> b = CellGrid(11, 5, np.array([[7.0, 2.0]]))
    >>> merge_lowest([a, b])
    CellGrid(column=10, row=5, values=array([[1., 7., 2.]]))
    """
    filled = [p for p in parts if p.values.size]
    if not filled:
        return CellGrid(0, 0, np.empty((0, 0)))
    column, row = min(p.column for p in filled), min(p.row for p in filled)
    joined = np.full(joint_shape(filled), np.nan)
    for part in filled:
        height, width = part.values.shape
        r, c = part.row - row, part.column - column
        target = joined[r : r + height, c : c + width]
        np.fmin(target, part.values, out=target)
    return CellGrid(column, row, joined)
