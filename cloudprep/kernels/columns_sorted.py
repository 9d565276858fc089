"""Points sorted into square columns, so that all points around a place lie in three runs of memory.

The columns only organise the search: what is within a radius is decided by coordinates. Only where a column
holds far more points than a surface needs, some of them stand for all (see :func:`thinned`).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit, read_only

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]


class Columns(NamedTuple):
    """Square columns, row by row, and the points in each; one column all around is empty.

    Parameters
    ----------
    edge : float
        Side of a column, m.
    first_x, first_y : int
        Place of the first column, in whole columns.
    width, height : int
        Number of columns along x and y.
    starts : ndarray of int64, shape (width * height + 1,)
        The points of column c are ``order[starts[c]:starts[c + 1]]``.
    order : ndarray of int64, shape (n,)
        Rows of the points, column by column.
    """

    edge: float
    first_x: int
    first_y: int
    width: int
    height: int
    starts: Integers
    order: Integers


def sorted_columns(x: Floats, y: Floats, edge: float) -> Columns:
    """Return the columns of a cloud.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Coordinates, m; at least one point.
    edge : float
        Side of a column, m.
    """
    first_x = math.floor(float(x.min()) / edge) - 1
    first_y = math.floor(float(y.min()) / edge) - 1
    width = math.floor(float(x.max()) / edge) - first_x + 2
    height = math.floor(float(y.max()) / edge) - first_y + 2
    starts = np.empty(width * height + 1, np.int64)
    order = np.empty(len(x), np.int64)
    # Large arrays come from NumPy: see sorted_order.
    _sort_into(
        read_only(x), read_only(y), edge, first_x, first_y, width, starts, order, np.empty(len(x), np.int64)
    )
    return Columns(edge, first_x, first_y, width, height, starts, order)


@njit(nogil=True, cache=True)
def _sort_into(
    x: Floats,
    y: Floats,
    edge: float,
    first_x: int,
    first_y: int,
    width: int,
    starts: Integers,
    order: Integers,
    column: Integers,
) -> None:
    """Fill in where columns start and which points they hold, in the order of the rows."""
    n = x.shape[0]
    starts[:] = 0
    for i in range(n):
        cx = np.int64(np.floor(x[i] / edge)) - first_x
        cy = np.int64(np.floor(y[i] / edge)) - first_y
        column[i] = cy * width + cx
        starts[column[i] + 1] += 1
    for c in range(starts.shape[0] - 1):
        starts[c + 1] += starts[c]
    # While columns fill up, their starts move on to where the next ones begin.
    for i in range(n):
        c = column[i]
        order[starts[c]] = i
        starts[c] += 1
    for c in range(starts.shape[0] - 1, 0, -1):
        starts[c] = starts[c - 1]
    starts[0] = 0


def thinned(columns: Columns, chosen: Flags, x: Floats, y: Floats, z: Floats, most: int) -> Columns:
    """Return columns that hold only some points, and no more than so many each.

    Of more points, evenly spaced ones in the order of their heights stand for all.

    Parameters
    ----------
    columns : Columns
        Columns of all points.
    chosen : ndarray of bool, shape (n,)
        Which points to keep.
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    most : int
        How many points a column keeps.
    """
    order = np.empty(np.count_nonzero(chosen), np.int64)
    starts = np.empty_like(columns.starts)
    _keep(columns.starts, columns.order, chosen, starts, order)
    kept = columns._replace(starts=starts, order=order)
    keep = ~surplus(kept, x, y, z, most)[order]
    if keep.all():
        return kept
    return columns._replace(starts=kept_starts(starts, keep), order=order[keep])


def surplus(columns: Columns, x: Floats, y: Floats, z: Floats, most: int) -> Flags:
    """Tell which points are too many, where a column holds more than so many (see :func:`thinned`).

    Parameters
    ----------
    columns : Columns
        Columns of some of the points.
    x, y, z : ndarray of float64, shape (n,)
        Coordinates of all points, m.
    most : int
        How many points a column keeps.

    Returns
    -------
    ndarray of bool, shape (n,)
        Which points go.
    """
    starts = columns.starts
    many = np.zeros(len(x), np.bool_)
    crowded = np.empty(len(columns.order) // (most + 1) + 1, np.int64)
    for c in crowded[: _crowded(starts, most, crowded)]:
        run = columns.order[starts[c] : starts[c + 1]]
        ranked = run[np.lexsort((y[run], x[run], z[run]))]
        many[ranked] = True
        many[ranked[(np.arange(most) * len(ranked)) // most]] = False
    return many


@njit(nogil=True, cache=True)
def _crowded(starts: Integers, most: int, crowded: Integers) -> int:
    """Write which columns hold more than so many points; return how many do."""
    count = 0
    for c in range(starts.shape[0] - 1):
        crowded[count] = c
        count += starts[c + 1] - starts[c] > most
    return count


def kept_starts(starts: Integers, chosen: Flags) -> Integers:
    """Return where columns start once only the chosen of their points are left."""
    kept = np.empty(len(starts), np.int64)
    _count_kept(starts, chosen, kept)
    return kept


@njit(nogil=True, cache=True)
def _count_kept(starts: Integers, chosen: Flags, kept: Integers) -> None:
    total = 0
    for c in range(starts.shape[0] - 1):
        kept[c] = total
        for t in range(starts[c], starts[c + 1]):
            total += chosen[t]
    kept[-1] = total


@njit(nogil=True, cache=True)
def _keep(starts: Integers, order: Integers, chosen: Flags, new_starts: Integers, kept: Integers) -> None:
    """Write starts and order of the chosen points only."""
    m = 0
    new_starts[0] = 0
    for c in range(starts.shape[0] - 1):
        for t in range(starts[c], starts[c + 1]):
            if chosen[order[t]]:
                kept[m] = order[t]
                m += 1
        new_starts[c + 1] = m
