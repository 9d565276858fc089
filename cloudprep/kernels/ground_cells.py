"""The lowest point of every cell, and the same for larger cells that start wherever one likes."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


class LowestPoints(NamedTuple):
    """The lowest point of each cell of a rectangle of a lattice.

    Parameters
    ----------
    column, row : int
        Indices of the rectangle's first cell (its south-western corner) on the lattice.
    x, y, z : ndarray of float64, shape (rows, columns)
        Coordinates, m; NaN where a cell is empty.
    """

    column: int
    row: int
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]

    @property
    def have(self) -> NDArray[np.bool_]:
        """Which cells hold a point, shape (rows, columns)."""
        return ~np.isnan(self.z)


@njit(nogil=True, cache=True, error_model="numpy")
def _lower(
    fx: Floats, fy: Floats, fz: Floats, size: int, right: int, up: int, x: Floats, y: Floats, z: Floats
) -> None:
    """Lower the cells of (x, y, z) to the points of a finer raster that lies ``right`` and ``up`` in it.

    Among equally low points the one with the smaller x, then y, wins: no order matters.
    """
    columns = fz.shape[1]
    for r in range(fz.shape[0]):
        i = (r + up) // size
        # Stretch by stretch, since to divide takes longer than all else.
        k, end = right // size, size - right % size
        begin = 0
        while begin < columns:
            for c in range(begin, min(end, columns)):
                v = fz[r, c]
                if not v == v:  # noqa: PLR0124, SIM201 - NaN
                    continue
                if not z[i, k] <= v or (
                    z[i, k] == v and (fx[r, c] < x[i, k] or (fx[r, c] == x[i, k] and fy[r, c] < y[i, k]))
                ):
                    x[i, k], y[i, k], z[i, k] = fx[r, c], fy[r, c], v
            begin, end, k = end, end + size, k + 1


def _empty(column: int, row: int, shape: tuple[int, int]) -> LowestPoints:
    return LowestPoints(column, row, *(np.full(shape, np.nan) for _ in range(3)))


def gathered(
    cells: LowestPoints, size: int, phase: tuple[int, int] = (0, 0), *, threads: int = 1
) -> LowestPoints:
    """Join ``size`` by ``size`` cells to one.

    Parameters
    ----------
    cells : LowestPoints
        Of the finer lattice.
    size : int
        Cells of the finer lattice along a side of the larger one, at least 1.
    phase : tuple of int
        Columns and rows by which the larger lattice is shifted on the finer one.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    LowestPoints
        ``column`` and ``row`` count larger cells from the shifted start.
    """
    column, row = (cells.column - phase[0]) // size, (cells.row - phase[1]) // size
    right, up = cells.column - phase[0] - column * size, cells.row - phase[1] - row * size
    rows, columns = cells.z.shape
    joined = _empty(column, row, (-(-(rows + up) // size), -(-(columns + right) // size)))

    def part(larger: slice) -> None:
        # The finer rows that lie in these.
        first, last = max(0, larger.start * size - up), min(rows, larger.stop * size - up)
        own, into = slice(first, last), (joined.x[larger], joined.y[larger], joined.z[larger])
        _lower(cells.x[own], cells.y[own], cells.z[own], size, right, up + first - larger.start * size, *into)

    in_strips(part, (joined.z.shape[0], joined.z.shape[1]), threads)
    return joined


def joined(parts: Sequence[LowestPoints]) -> LowestPoints:
    """Join rectangles of one lattice; they may overlap and come in any order.

    Parameters
    ----------
    parts : sequence of LowestPoints
        Rectangles without cells are left out.

    Returns
    -------
    LowestPoints
        The smallest rectangle around all of them.
    """
    filled = [p for p in parts if p.z.size]
    if not filled:
        return _empty(0, 0, (0, 0))
    column, row = min(p.column for p in filled), min(p.row for p in filled)
    top = max(p.row + p.z.shape[0] for p in filled)
    end = max(p.column + p.z.shape[1] for p in filled)
    whole = _empty(column, row, (top - row, end - column))
    for p in filled:
        _lower(p.x, p.y, p.z, 1, p.column - column, p.row - row, whole.x, whole.y, whole.z)
    return whole
