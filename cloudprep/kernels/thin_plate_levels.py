"""Coarser versions of a thin plate's equations, and the way between the levels.

A coarse cell covers 2 x 2 cells; a cell's value is drawn from the coarse cell it lies in (3/4) and its
neighbour (1/4), along each axis. These weights are scaled by S = k / (max(sum of the row, 0) + k): where data
hold the surface, a coarse correction must not bend it away from them, and where there are none it must
reach. Without that, sparse data and wide gaps hardly converge. The coarse matrix is (S P)' A (S P), exactly.

References
----------
U. Trottenberg, C. Oosterlee and A. Schueller, "Multigrid", Academic Press 2001, sections 2.2, 2.8 and A.4
(cell-centred transfer; Galerkin operators).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.thin_plate_lines import (
    AT_ONCE,
    DRAWN,
    LINE,
    LINES,
    SHARED,
    add_up,
    draw,
    gather,
    part_line,
    share,
    share_finest,
)
from cloudprep.kernels.thin_plate_operator import PLANES, Equations

if TYPE_CHECKING:
    from numpy.typing import NDArray

_NEAR = np.float32(0.75)
_FAR = np.float32(0.25)
_ONE = np.float32(1)
_ZERO = np.float32(0)


@njit(nogil=True, cache=True, error_model="numpy")
def scale_and_diagonal(
    eq: Equations, strength: Any, scale: NDArray[Any], inverse: NDArray[Any], begin: int, end: int
) -> None:
    """Write the scale of the transfer, and one over the diagonal of the matrix, in some rows.

    Parameters
    ----------
    eq : Equations
        The matrix.
    strength : float
        k of the formula above: where the rows' sums are as large, the transfer is halved.
    scale, inverse : ndarray of float, shape (rows + 4, columns + 4)
        Receive the results.
    begin, end : int
        Rows to go through, without the rim.
    """
    columns = scale.shape[1] - 4
    total, own = np.empty(columns, scale.dtype), np.empty(columns, scale.dtype)
    twice = eq.stiffness + eq.stiffness
    for y in range(begin + 2, end + 2):
        if eq.finest:
            # The plate's coefficients add up to zero.
            bend, twist = eq.stiffness * eq.along_y[0, y], twice * eq.along_y[3, y]
            for x in range(columns):
                w = eq.weights[y, x + 2]
                total[x] = w
                own[x] = w + bend + eq.stiffness * eq.along_x[0, x + 2] + twist * eq.along_x[3, x + 2]
        else:
            for x in range(columns):
                own[x] = total[x] = eq.planes[y, 0, x + 2]
            for plane in range(1, PLANES):
                down = 0 if plane < 3 else (plane + 2) // 5
                z, shift = y - down, 2 - (plane if plane < 3 else plane - 5 * down)
                for x in range(columns):
                    total[x] += eq.planes[y, plane, x + 2] + eq.planes[z, plane, x + shift]
        for x in range(columns):
            scale[y, x + 2] = strength / (max(total[x], _ZERO) + strength)
            inverse[y, x + 2] = _ONE / own[x] if own[x] > _ZERO else _ZERO


@njit(nogil=True, cache=True, error_model="numpy")
def coarsen(eq: Equations, scale: NDArray[Any], planes: NDArray[Any], begin: int, end: int) -> None:
    """Write some rows of the matrix of the next coarser level.

    Parameters
    ----------
    eq : Equations
        The matrix.
    scale : ndarray of float, shape (rows + 4, columns + 4)
        Of the transfer.
    planes : ndarray of float, shape (coarse rows + 4, 13, coarse columns + 4)
        Receives the matrix.
    begin, end : int
        Coarse rows to go through, without the rim.
    """
    rows, coarse_columns = scale.shape[0] - 4, planes.shape[2] - 4
    blocks = -(-coarse_columns // AT_ONCE)
    of_planes = 1 if eq.finest else 4 * PLANES
    scales = np.zeros(blocks * 8 * 2 * LINE, scale.dtype)
    held = np.zeros(blocks * of_planes * 2 * LINE, scale.dtype)
    along_x = np.zeros(blocks * 5 * 2 * LINE, scale.dtype)
    drawn = np.zeros(blocks * 4 * DRAWN * LINE, scale.dtype)
    shared, lines = np.zeros(SHARED * LINE, scale.dtype), np.zeros(LINES * LINE, scale.dtype)
    if eq.finest:
        for block in range(blocks):
            for k in range(5):
                part_line(eq.along_x, k, block, along_x, 2 * LINE * (5 * block + k))
    # A coarse row is drawn from four rows; those beyond the raster say nothing.
    first = 2 * begin - 3
    scaled = parted = max(0, first)
    for y in range(first, 2 * end - 1):
        if y < 0 or y >= rows:
            for block in range(blocks):
                nothing = DRAWN * LINE * (4 * block + (y & 3))
                for k in range(nothing, nothing + DRAWN * LINE):
                    drawn[k] = _ZERO
        else:
            while scaled <= y + 4:
                for block in range(blocks):
                    part_line(scale, scaled, block, scales, 2 * LINE * (8 * block + (scaled & 7)))
                scaled += 1
            while parted <= y + 2 and not eq.finest:
                for k in range(PLANES):
                    for block in range(blocks):
                        at = 2 * LINE * (PLANES * (4 * block + (parted & 3)) + k)
                        part_line(eq.planes[parted], k, block, held, at)
                parted += 1
            for block in range(blocks):
                count = min(AT_ONCE, coarse_columns - AT_ONCE * block)
                if eq.finest:
                    part_line(eq.weights, y + 2, block, held, 2 * LINE * block)
                for i in range(5):
                    # Coarse cell k is stored one cell onwards, so that the outermost cells have two parents;
                    # cells from two before the first one on are drawn from these.
                    if eq.finest:
                        share_finest(eq, y + 2, i, block, count + 2, scales, held, along_x, shared)
                    else:
                        share(y + 2, i, block, count + 2, scales, held, shared)
                    gather(shared, i, count, lines)
                draw(lines, y, block, count, drawn)
        if y & 1 == 0 and begin <= y >> 1 < end:
            for block in range(blocks):
                count = min(AT_ONCE, coarse_columns - AT_ONCE * block)
                add_up(drawn, y >> 1, block, count, planes)


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def restrict_row(
    y: int, values: NDArray[Any], line: NDArray[Any], own: tuple[int, int], coarse: NDArray[Any]
) -> None:
    """Add one row to some rows of the coarse raster.

    Parameters
    ----------
    y : int
        The row, counted without the rim.
    values : ndarray of float, shape (columns + 8,)
        Scaled values of the row from index 3 on, zeros around.
    line : ndarray of float, shape (coarse columns,)
        Room to work.
    own : tuple of int
        First coarse row that counts, and the one after the last, without the rim.
    coarse : ndarray of float, shape (coarse rows + 4, coarse columns + 4)
        Is added to.
    """
    for x in range(len(line)):
        i = 2 * x
        line[x] = _FAR * (values[i] + values[i + 3]) + _NEAR * (values[i + 1] + values[i + 2])
    odd = y & 1
    upper = (y >> 1) + odd
    to_upper = _NEAR if odd else _FAR
    to_lower = _ONE - to_upper
    if own[0] <= upper < own[1]:
        for x in range(len(line)):
            coarse[upper + 2, x + 2] += to_upper * line[x]
    if own[0] <= upper + 1 < own[1]:
        for x in range(len(line)):
            coarse[upper + 3, x + 2] += to_lower * line[x]


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def prolong_row(
    y: int,
    coarse: NDArray[Any],
    line: NDArray[Any],
    scale: NDArray[Any],
    before: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Write one row with the coarse raster's correction.

    Parameters
    ----------
    y : int
        The row, counted without the rim.
    coarse : ndarray of float, shape (coarse rows + 4, coarse columns + 4)
        The correction.
    line : ndarray of float, shape (coarse columns,)
        Room to work.
    scale, before : ndarray of float, shape (rows + 4, columns + 4)
        Of the transfer; the raster without the correction.
    out : ndarray of float, shape (columns + 4,)
        Receives the row.
    """
    odd = y & 1
    upper = (y >> 1) + odd + 2
    of_upper = _NEAR if odd else _FAR
    of_lower = _ONE - of_upper
    for x in range(len(line)):
        line[x] = of_upper * coarse[upper, x + 2] + of_lower * coarse[upper + 1, x + 2]
    columns = len(out) - 4
    z = y + 2
    for x in range(columns // 2):
        i = 2 * x + 2
        out[i] = before[z, i] + scale[z, i] * (_FAR * line[x] + _NEAR * line[x + 1])
        out[i + 1] = before[z, i + 1] + scale[z, i + 1] * (_NEAR * line[x + 1] + _FAR * line[x + 2])
    # An odd last column has no partner, and its partner's second parent would lie beyond the line.
    if columns & 1:
        x, i = columns // 2, columns + 1
        out[i] = before[z, i] + scale[z, i] * (_FAR * line[x] + _NEAR * line[x + 1])
