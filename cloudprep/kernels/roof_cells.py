"""Planes of high points, cell by cell: what is smooth enough to be a roof."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# Columns of the sums: points, single returns, x, y, z, xx, xy, yy, xz, yz, zz (steps; steps squared).
SUMS = 11
STEP = 0.005
"""Coordinates count in whole steps, m, so that sums are exact whatever their order."""
_WINDOWS = 9


class CellSums(NamedTuple):
    """Exact sums of the points of cells.

    Parameters
    ----------
    column, row : ndarray of int64, shape (k,)
        The cells, each once, sorted by row, then column.
    sums : ndarray of int64, shape (k, 11)
        Points, single returns; then sums of x, y (from the cell's south-western corner) and z, and of their
        products, in steps.
    """

    column: Integers
    row: Integers
    sums: Integers


@njit(nogil=True, cache=True)
def _add(
    column: Integers,
    row: Integers,
    x: Integers,
    y: Integers,
    z: Integers,
    single: NDArray[np.bool_],
    order: Integers,
    columns: Integers,
    rows: Integers,
    sums: Integers,
) -> int:
    k = -1
    for j in range(len(order)):
        i = order[j]
        if k < 0 or columns[k] != column[i] or rows[k] != row[i]:
            k += 1
            columns[k], rows[k] = column[i], row[i]
        s = sums[k]
        s[0] += 1
        s[1] += 1 if single[i] else 0
        s[2] += x[i]
        s[3] += y[i]
        s[4] += z[i]
        s[5] += x[i] * x[i]
        s[6] += x[i] * y[i]
        s[7] += y[i] * y[i]
        s[8] += x[i] * z[i]
        s[9] += y[i] * z[i]
        s[10] += z[i] * z[i]
    return k + 1


def cell_sums(
    column: Integers, row: Integers, x: Floats, y: Floats, z: Floats, single: NDArray[np.bool_]
) -> CellSums:
    """Return the sums of points by cell.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        Each point's cell.
    x, y : ndarray of float64, shape (n,)
        Distance from the cell's south-western corner, m.
    z : ndarray of float64, shape (n,)
        Height above anything fixed, m; below 10 km.
    single : ndarray of bool, shape (n,)
        Only returns of their pulse.
    """
    order = np.lexsort((column, row))
    columns, rows = np.empty(len(column), np.int64), np.empty(len(column), np.int64)
    sums = np.zeros((len(column), SUMS), np.int64)
    a, b, h = (np.rint(v / STEP).astype(np.int64) for v in (x, y, z))
    count = _add(column, row, a, b, h, single, order, columns, rows, sums)
    return CellSums(columns[:count].copy(), rows[:count].copy(), sums[:count].copy())


def joined_sums(parts: list[CellSums]) -> CellSums:
    """Add up sums of several parts of a site, in any order."""
    if not parts:
        return CellSums(np.empty(0, np.int64), np.empty(0, np.int64), np.empty((0, SUMS), np.int64))
    column = np.concatenate([p.column for p in parts])
    row = np.concatenate([p.row for p in parts])
    sums = np.concatenate([p.sums for p in parts])
    order = np.lexsort((column, row))
    column, row, sums = column[order], row[order], sums[order]
    if len(column) == 0:
        return CellSums(column, row, sums)
    first = np.ones(len(column), bool)
    first[1:] = (column[1:] != column[:-1]) | (row[1:] != row[:-1])
    return CellSums(column[first], row[first], np.add.reduceat(sums, np.flatnonzero(first)))


class CellPlanes(NamedTuple):
    """The smoothest plane near each cell.

    Parameters
    ----------
    residual : ndarray of float64, shape (k,)
        Standard deviation of the points about it, m; infinite where there are too few.
    single : ndarray of float64, shape (k,)
        Share of single returns among them.
    plane : ndarray of float64, shape (k, 3)
        Height at the cell's south-western corner, rise to the east and to the north (m, and m a metre).
    """

    residual: Floats
    single: Floats
    plane: Floats


@njit(nogil=True, cache=True, error_model="numpy")
def _window_planes(
    index: NDArray[np.int32],
    at_column: Integers,
    at_row: Integers,
    sums: Integers,
    edge: float,
    fewest: int,
    step: float,
    residual: Floats,
    single: Floats,
    plane: Floats,
) -> None:
    """Fit a plane to the points of each cell and the eight around it."""
    rows, columns = index.shape
    for k in range(len(at_column)):
        residual[k] = np.inf
        n = ones = 0.0
        sx = sy = sz = sxx = sxy = syy = sxz = syz = szz = 0.0
        # Heights from one of the cell's own, or the squares would leave no digits for the rest.
        base = sums[k, 4] / sums[k, 0]
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                r, c = at_row[k] + dr, at_column[k] + dc
                if r < 0 or c < 0 or r >= rows or c >= columns or index[r, c] < 0:
                    continue
                s = sums[index[r, c]]
                m = float(s[0])
                a, b = dc * edge, dr * edge
                x, y, z = s[2] + m * a, s[3] + m * b, s[4] - m * base
                n += m
                ones += s[1]
                sx += x
                sy += y
                sz += z
                sxx += s[5] + 2 * a * s[2] + m * a * a
                sxy += s[6] + a * s[3] + b * s[2] + m * a * b
                syy += s[7] + 2 * b * s[3] + m * b * b
                sxz += s[8] - base * s[2] + a * z
                syz += s[9] - base * s[3] + b * z
                szz += s[10] - 2 * base * s[4] + m * base * base
        if n < fewest:
            continue
        mx, my, mz = sx / n, sy / n, sz / n
        xx, xy, yy = sxx / n - mx * mx, sxy / n - mx * my, syy / n - my * my
        xz, yz, zz = sxz / n - mx * mz, syz / n - my * mz, szz / n - mz * mz
        wide = xx * yy - xy * xy
        if wide < 1e-3 * (xx + yy) * (xx + yy):  # on a line, or in one place
            continue
        east = (xz * yy - yz * xy) / wide
        north = (yz * xx - xz * xy) / wide
        rest = zz - east * xz - north * yz
        residual[k] = math.sqrt(max(rest, 0.0) * n / max(n - 3.0, 1.0)) * step
        single[k] = ones / n
        plane[k, 0] = (mz + base - east * mx - north * my) * step
        plane[k, 1] = east
        plane[k, 2] = north


@njit(nogil=True, cache=True, error_model="numpy")
def _best_windows(
    index: NDArray[np.int32],
    at_column: Integers,
    at_row: Integers,
    cell: float,
    residual: Floats,
    single: Floats,
    plane: Floats,
    best: Floats,
    share: Floats,
    near: Floats,
) -> None:
    """Take for each cell the smoothest of the nine windows that it lies in."""
    rows, columns = index.shape
    for k in range(len(at_column)):
        best[k] = np.inf
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                r, c = at_row[k] + dr, at_column[k] + dc
                if r < 0 or c < 0 or r >= rows or c >= columns or index[r, c] < 0:
                    continue
                other = index[r, c]
                if residual[other] < best[k]:
                    best[k] = residual[other]
                    share[k] = single[other]
                    east, north = plane[other, 1], plane[other, 2]
                    near[k, 0] = plane[other, 0] - dc * cell * east - dr * cell * north
                    near[k, 1] = east
                    near[k, 2] = north


def index_of(found: CellSums) -> tuple[NDArray[np.int32], int, int]:
    """Return a raster of where each cell stands in the sums (-1: nowhere), and its first row and column.

    It reaches one cell beyond the sums on all sides.
    """
    if len(found.column) == 0:
        return np.full((0, 0), -1, np.int32), 0, 0
    row, column = int(found.row.min()) - 1, int(found.column.min()) - 1
    index = np.full((int(found.row.max()) + 2 - row, int(found.column.max()) + 2 - column), -1, np.int32)
    index[found.row - row, found.column - column] = np.arange(len(found.row))
    return index, row, column


def cell_planes(found: CellSums, cell: float, fewest: int) -> CellPlanes:
    """Fit planes to the points of three by three cells, and give each cell the smoothest it lies in.

    A window that straddles a ridge or an eave is rough; the smoothest of the nine lies on one side.

    Parameters
    ----------
    found : CellSums
        Sums of the whole site.
    cell : float
        Side of a cell, m.
    fewest : int
        Points that a plane needs.

    Returns
    -------
    CellPlanes
        One row for each cell of the sums.

    Notes
    -----
    Choosing the smoothest of overlapping windows is Kuwahara et al. 1976, "Processing of
    RI-angiocardiographic images" (from memory), with planes in place of means.
    """
    index, row, column = index_of(found)
    count = len(found.column)
    residual, single, plane = np.full(count, np.inf), np.zeros(count), np.zeros((count, 3))
    best, share, near = np.full(count, np.inf), np.zeros(count), np.zeros((count, 3))
    at_column, at_row = found.column - column, found.row - row
    # Rises are ratios, and heights come back in metres.
    _window_planes(index, at_column, at_row, found.sums, cell / STEP, fewest, STEP, residual, single, plane)
    _best_windows(index, at_column, at_row, cell, residual, single, plane, best, share, near)
    return CellPlanes(best, share, near)
