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
from numba import njit

from cloudprep.kernels.thin_plate_operator import PLANES, Equations, coefficients_row

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Lines that hold the coefficients of one row.
_FINE = 50
_NEAR = np.float32(0.75)
_FAR = np.float32(0.25)
_ONE = np.float32(1)
_ZERO = np.float32(0)


@njit(nogil=True, cache=True, error_model="numpy")
def scale_and_diagonal(eq: Equations, strength: Any, scale: NDArray[Any], inverse: NDArray[Any]) -> None:
    """Write the scale of the transfer, and one over the diagonal of the matrix.

    Parameters
    ----------
    eq : Equations
        The matrix.
    strength : float
        k of the formula above: where the rows' sums are as large, the transfer is halved.
    scale, inverse : ndarray of float, shape (rows + 4, columns + 4)
        Receive the results.
    """
    rows, columns = scale.shape[0] - 4, scale.shape[1] - 4
    total, own = np.empty(columns, scale.dtype), np.empty(columns, scale.dtype)
    twice = eq.stiffness + eq.stiffness
    for y in range(2, rows + 2):
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
def coarsen(eq: Equations, scale: NDArray[Any], planes: NDArray[Any]) -> None:
    """Write the matrix of the next coarser level.

    Parameters
    ----------
    eq : Equations
        The matrix.
    scale : ndarray of float, shape (rows + 4, columns + 4)
        Of the transfer.
    planes : ndarray of float, shape (coarse rows + 4, 13, coarse columns + 4)
        Zero before; the result is added.
    """
    rows, columns = scale.shape[0] - 4, scale.shape[1] - 4
    # Lines of coefficients: from the columns' 5 x 5 neighbours to 5 x 4 (neighbours' rows and coarse
    # columns), and from these to 4 x 4 coarse cells.
    fine = np.zeros((_FINE + 4, columns // 2 + 2), scale.dtype)
    narrow = np.zeros((20, columns // 2 + 2), scale.dtype)
    for y in range(rows):
        coefficients_row(y + 2, scale, eq, fine)
        odd_row, k = y & 1, y >> 1
        for odd in range(2):
            half = (columns - odd + 1) // 2
            for gathered in range(9):
                # Of the first index at each of 5 places, then of the second at each of 4.
                if gathered < 5:
                    source, target, mirrored = fine, narrow, odd
                    first, step, to, to_step = 10 * gathered + odd, 2, 4 * gathered, 1
                else:
                    source, target, mirrored = narrow, fine, odd_row
                    first, step, to, to_step = gathered - 5, 4, _FINE, 1
                # An even cell k has coarse cells k - 1 (1/4) and k (3/4), an odd one k (3/4) and k + 1:
                # the same thing seen in a mirror.
                if mirrored:
                    first, step, to, to_step = first + 4 * step, -step, to + 3, -1
                d1, d2, d3, d4 = first + step, first + 2 * step, first + 3 * step, first + 4 * step
                f1, f2, f3 = to + to_step, to + 2 * to_step, to + 3 * to_step
                for x in range(half):
                    v0, v1, v2 = source[first, x], source[d1, x], source[d2, x]
                    v3, v4 = source[d3, x], source[d4, x]
                    target[to, x] = _FAR * v0
                    target[f1, x] = _NEAR * (v0 + v1) + _FAR * v2
                    target[f2, x] = _FAR * (v1 + v4) + _NEAR * (v2 + v3)
                    target[f3, x] = _FAR * v3 + _NEAR * v4
                if gathered < 5:
                    continue
                # Coarse cell k is stored one cell onwards, so that the outermost cells have two parents.
                for part in range(16):
                    i, row_parent, parent = part >> 2, part >> 1 & 1, part & 1
                    at_row, at = k + odd_row - 1 + row_parent, odd - 1 + parent
                    down, right = i - 1 - row_parent, gathered - 6 - parent
                    if down < 0 or (down == 0 and right < 0):
                        continue
                    share = _NEAR if row_parent != odd_row else _FAR
                    share *= _NEAR if parent != odd else _FAR
                    plane = right if down == 0 else 5 * down + right
                    for x in range(half):
                        planes[at_row + 3, plane, x + at + 3] += share * fine[_FINE + i, x]


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def restrict_row(y: int, values: NDArray[Any], line: NDArray[Any], coarse: NDArray[Any]) -> None:
    """Add one row to the coarse raster.

    Parameters
    ----------
    y : int
        The row, counted without the rim.
    values : ndarray of float, shape (columns + 8,)
        Scaled values of the row from index 3 on, zeros around.
    line : ndarray of float, shape (coarse columns,)
        Room to work.
    coarse : ndarray of float, shape (coarse rows + 4, coarse columns + 4)
        Is added to.
    """
    for x in range(len(line)):
        i = 2 * x
        line[x] = _FAR * (values[i] + values[i + 3]) + _NEAR * (values[i + 1] + values[i + 2])
    odd = y & 1
    upper = (y >> 1) + odd + 2
    to_upper = _NEAR if odd else _FAR
    to_lower = _ONE - to_upper
    for x in range(len(line)):
        coarse[upper, x + 2] += to_upper * line[x]
        coarse[upper + 1, x + 2] += to_lower * line[x]


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def prolong_row(
    y: int, coarse: NDArray[Any], line: NDArray[Any], scale: NDArray[Any], out: NDArray[Any]
) -> None:
    """Add the coarse raster's correction to one row.

    Parameters
    ----------
    y : int
        The row, counted without the rim.
    coarse : ndarray of float, shape (coarse rows + 4, coarse columns + 4)
        The correction.
    line : ndarray of float, shape (coarse columns,)
        Room to work.
    scale, out : ndarray of float, shape (rows + 4, columns + 4)
        Of the transfer; the raster that is added to.
    """
    odd = y & 1
    upper = (y >> 1) + odd + 2
    of_upper = _NEAR if odd else _FAR
    of_lower = _ONE - of_upper
    for x in range(len(line)):
        line[x] = of_upper * coarse[upper, x + 2] + of_lower * coarse[upper + 1, x + 2]
    columns = out.shape[1] - 4
    z = y + 2
    for x in range(columns // 2):
        i = 2 * x + 2
        out[z, i] += scale[z, i] * (_FAR * line[x] + _NEAR * line[x + 1])
        out[z, i + 1] += scale[z, i + 1] * (_NEAR * line[x + 1] + _FAR * line[x + 2])
    # An odd last column has no partner, and its partner's second parent would lie beyond the line.
    if columns & 1:
        x, i = columns // 2, columns + 1
        out[z, i] += scale[z, i] * (_FAR * line[x] + _NEAR * line[x + 1])
