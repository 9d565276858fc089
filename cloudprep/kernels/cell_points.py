"""What the points of each cell of a window say: the highest one, one by rank, how many, their mean or median.

Cells are those of the site's lattice (:class:`cloudprep.model.grid.Lattice`): half-open, a point on an edge
belongs to the upper cell. Every result depends on the points alone, not on their order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

NOTHING = -1
"""The point of a cell that holds none."""


class Cells(NamedTuple):
    """A rectangle of cells, in the words of a kernel.

    Attributes
    ----------
    cell : float
        Edge of a cell, m.
    phase_x, phase_y : float
        Distance from the last lattice edge to the local zero, m.
    column, row : int
        The south-western cell, counted from the lattice edge before the local zero.
    columns, rows : int
        How many there are.
    """

    cell: float
    phase_x: float
    phase_y: float
    column: int
    row: int
    columns: int
    rows: int


@njit(nogil=True, cache=True)
def _place(cells, x, y):  # type: ignore[no-untyped-def]
    """Return the place of a point's cell, row by row from the south; -1 outside."""
    c = np.int64(np.floor((x + cells.phase_x) / cells.cell)) - cells.column
    r = np.int64(np.floor((y + cells.phase_y) / cells.cell)) - cells.row
    if c < 0 or r < 0 or c >= cells.columns or r >= cells.rows:
        return np.int64(-1)
    return r * cells.columns + c


@njit(nogil=True, cache=True)
def _higher(x, y, z, i, j):  # type: ignore[no-untyped-def]
    """Tell whether point i lies higher than j; of equally high ones the western, then the southern counts."""
    if z[i] != z[j]:
        return z[i] > z[j]
    if x[i] != x[j]:
        return x[i] < x[j]
    return y[i] < y[j]


@njit(nogil=True, cache=True)
def highest_in_cells(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    used: NDArray[np.bool_],
    cells: Cells,
) -> NDArray[np.int32]:
    """Return the highest point of each cell.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Local metres. Heights that are no numbers are passed over.
    used : ndarray of bool, shape (n,)
        Which points count.
    cells : Cells
        Where.

    Returns
    -------
    ndarray of int32, shape (rows, columns)
        Indices of points, ``NOTHING`` in empty cells. Of points equally high the westernmost counts, then the
        southernmost.
    """
    found = np.full(cells.rows * cells.columns, NOTHING, np.int32)
    for i in range(len(x)):
        if not used[i] or not np.isfinite(z[i]):
            continue
        place = _place(cells, x[i], y[i])
        if place < 0:
            continue
        j = found[place]
        if j < 0 or _higher(x, y, z, i, j):
            found[place] = i
    return found.reshape(cells.rows, cells.columns)


@njit(nogil=True, cache=True)
def numbers_in_cells(
    x: NDArray[np.float64], y: NDArray[np.float64], used: NDArray[np.bool_], cells: Cells
) -> NDArray[np.int32]:
    """Return how many points each cell holds.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Local metres.
    used : ndarray of bool, shape (n,)
        Which points count.
    cells : Cells
        Where.

    Returns
    -------
    ndarray of int32, shape (rows, columns)
    """
    found = np.zeros(cells.rows * cells.columns, np.int32)
    for i in range(len(x)):
        if used[i]:
            place = _place(cells, x[i], y[i])
            if place >= 0:
                found[place] += 1
    return found.reshape(cells.rows, cells.columns)


@njit(nogil=True, cache=True)
def _gathered(x, y, used, cells):  # type: ignore[no-untyped-def]
    """Return the points of cell after cell, and where each cell's start."""
    size = cells.rows * cells.columns
    starts = np.zeros(size + 1, np.int64)
    for i in range(len(x)):
        if used[i]:
            place = _place(cells, x[i], y[i])
            if place >= 0:
                starts[place + 1] += 1
    most = 0
    for k in range(size):
        most = max(most, starts[k + 1])
        starts[k + 1] += starts[k]
    ends = starts[:-1].copy()
    order = np.empty(starts[size], np.int32)
    for i in range(len(x)):
        if used[i]:
            place = _place(cells, x[i], y[i])
            if place >= 0:
                order[ends[place]] = i
                ends[place] += 1
    return order, starts, most


@njit(nogil=True, cache=True)
def ranked_in_cells(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    used: NDArray[np.bool_],
    cells: Cells,
    share: float,
) -> NDArray[np.int32]:
    """Return of each cell the lowest point below or at which lies at least a share of its points.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Local metres. All heights that count must be numbers.
    used : ndarray of bool, shape (n,)
        Which points count.
    cells : Cells
        Where.
    share : float
        Above 0, at most 1: 1 is the highest point, 0.5 the lower median.

    Returns
    -------
    ndarray of int32, shape (rows, columns)
        Indices of points, as for :func:`highest_in_cells`.

    Notes
    -----
    The inverse of the empirical distribution (definition 1 of Hyndman and Fan 1996, "Sample quantiles in
    statistical packages"): it is the height of a point, never one between two.
    """
    order, starts, most = _gathered(x, y, used, cells)
    found = np.full(cells.rows * cells.columns, NOTHING, np.int32)
    heights = np.empty(most, np.float64)
    for k in range(len(found)):
        first, last = starts[k], starts[k + 1]
        n = last - first
        if n == 0:
            continue
        for i in range(first, last):
            heights[i - first] = z[order[i]]
        heights[:n].sort()
        # A share such as 0.9 of ten must be the ninth, though 0.9 * 10 may round up.
        rank = np.int64(np.ceil(share * n * (1 - 1e-12))) - 1
        height = heights[min(max(rank, 0), n - 1)]
        best = NOTHING
        for i in range(first, last):
            j = order[i]
            if z[j] == height and (best < 0 or _higher(x, y, z, j, best)):
                best = j
        found[k] = best
    return found.reshape(cells.rows, cells.columns)


@njit(nogil=True, cache=True)
def means_in_cells(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    values: NDArray[np.uint16],
    used: NDArray[np.bool_],
    cells: Cells,
) -> NDArray[np.float32]:
    """Return the mean of whole numbers in each cell, summed exactly; NaN in empty cells.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Local metres.
    values : ndarray of uint16, shape (n,)
        What is averaged.
    used : ndarray of bool, shape (n,)
        Which points count.
    cells : Cells
        Where.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
    """
    size = cells.rows * cells.columns
    sums = np.zeros(size, np.int64)
    numbers = np.zeros(size, np.int32)
    for i in range(len(x)):
        if used[i]:
            place = _place(cells, x[i], y[i])
            if place >= 0:
                sums[place] += values[i]
                numbers[place] += 1
    found = np.full(size, np.nan, np.float32)
    for k in range(size):
        if numbers[k] > 0:
            found[k] = np.float32(sums[k] / numbers[k])
    return found.reshape(cells.rows, cells.columns)


@njit(nogil=True, cache=True)
def medians_in_cells(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    values: NDArray[np.uint16],
    used: NDArray[np.bool_],
    cells: Cells,
) -> NDArray[np.float32]:
    """Return the median in each cell, of an even number the mean of the two in the middle; NaN where empty.

    Parameters and result as for :func:`means_in_cells`.
    """
    order, starts, most = _gathered(x, y, used, cells)
    found = np.full(cells.rows * cells.columns, np.nan, np.float32)
    sorted_values = np.empty(most, np.float64)
    for k in range(len(found)):
        first, last = starts[k], starts[k + 1]
        n = last - first
        if n == 0:
            continue
        for i in range(first, last):
            sorted_values[i - first] = values[order[i]]
        sorted_values[:n].sort()
        found[k] = np.float32((sorted_values[(n - 1) // 2] + sorted_values[n // 2]) / 2)
    return found.reshape(cells.rows, cells.columns)
