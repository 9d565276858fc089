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

from cloudprep.kernels.thin_plate_operator import PLANES, RIM, Equations, coefficients_row

if TYPE_CHECKING:
    from numpy.typing import NDArray

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
    dtype = scale.dtype
    fine = np.zeros((5, 5, columns + 2), dtype)
    narrow = np.zeros((5, 4, columns // 2 + 2), dtype)
    both = np.zeros((4, columns // 2 + 2), dtype)
    for y in range(rows):
        coefficients_row(y + 2, scale, eq, fine)
        odd_row, k = y & 1, y >> 1
        for odd in range(2):
            half = (columns - odd + 1) // 2
            # From five neighbours to four coarse cells. An even cell k of the coarse raster has parents
            # k - 1 (1/4) and k (3/4), an odd one k and k + 1: the same thing seen in a mirror.
            for r in range(5):
                if odd == 0:
                    d0, d1, d3, d4, f0, f1, f2, f3 = 0, 1, 3, 4, 0, 1, 2, 3
                else:
                    d0, d1, d3, d4, f0, f1, f2, f3 = 4, 3, 1, 0, 3, 2, 1, 0
                for x in range(half):
                    i = odd + 2 * x
                    v0, v1, v2 = fine[r, d0, i], fine[r, d1, i], fine[r, 2, i]
                    v3, v4 = fine[r, d3, i], fine[r, d4, i]
                    narrow[r, f0, x] = _FAR * v0
                    narrow[r, f1, x] = _NEAR * (v0 + v1) + _FAR * v2
                    narrow[r, f2, x] = _FAR * (v1 + v4) + _NEAR * (v2 + v3)
                    narrow[r, f3, x] = _FAR * v3 + _NEAR * v4
            for j in range(4):
                if odd_row == 0:
                    d0, d1, d3, d4, f0, f1, f2, f3 = 0, 1, 3, 4, 0, 1, 2, 3
                else:
                    d0, d1, d3, d4, f0, f1, f2, f3 = 4, 3, 1, 0, 3, 2, 1, 0
                for x in range(half):
                    own = scale[y + 2, odd + 2 + 2 * x]
                    v0, v1, v2 = own * narrow[d0, j, x], own * narrow[d1, j, x], own * narrow[2, j, x]
                    v3, v4 = own * narrow[d3, j, x], own * narrow[d4, j, x]
                    both[f0, x] = _FAR * v0
                    both[f1, x] = _NEAR * (v0 + v1) + _FAR * v2
                    both[f2, x] = _FAR * (v1 + v4) + _NEAR * (v2 + v3)
                    both[f3, x] = _FAR * v3 + _NEAR * v4
                # Coarse cell k is stored one cell onwards, so that the outermost cells have two parents.
                for row_parent in range(2):
                    at_row = k + odd_row - 1 + row_parent
                    row_share = _NEAR if row_parent != odd_row else _FAR
                    for i in range(4):
                        down = k + odd_row - 2 + i - at_row
                        for parent in range(2):
                            at = odd - 1 + parent
                            right = odd - 2 + j - at
                            if down < 0 or (down == 0 and right < 0):
                                continue
                            share = row_share * (_NEAR if parent != odd else _FAR)
                            plane = right if down == 0 else 5 * down + right
                            for x in range(half):
                                planes[at_row + 3, plane, x + at + 3] += share * both[i, x]


@njit(nogil=True, cache=True, error_model="numpy")
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


@njit(nogil=True, cache=True, error_model="numpy")
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
    # With an odd number of columns the last one pairs with the rim, whose scale is zero.
    for x in range((columns + 1) // 2):
        i = 2 * x + 2
        out[z, i] += scale[z, i] * (_FAR * line[x] + _NEAR * line[x + 1])
        out[z, i + 1] += scale[z, i + 1] * (_NEAR * line[x + 1] + _FAR * line[x + 2])


@njit(nogil=True, cache=True, error_model="numpy")
def factorised(planes: NDArray[Any]) -> NDArray[np.float64]:
    """Return the lower Cholesky factor of a small level's matrix, a trifle of the diagonal added.

    Parameters
    ----------
    planes : ndarray of float, shape (rows + 4, 13, columns + 4)
        The matrix.

    Returns
    -------
    ndarray of float64, shape (cells, cells)
        One over the diagonal stands in place of the diagonal. Written out here, since the library's own
        factorisation may round differently from one machine to the next.
    """
    rows, columns = planes.shape[0] - 4, planes.shape[2] - 4
    cells = rows * columns
    matrix = np.zeros((cells, cells))
    highest = 0.0
    for plane in range(PLANES):
        down = 0 if plane < 3 else (plane + 2) // 5
        right = plane if plane < 3 else plane - 5 * down
        for y in range(rows - down):
            for x in range(max(0, -right), min(columns, columns - right)):
                value = np.float64(planes[y + 2, plane, x + 2])
                matrix[(y + down) * columns + x + right, y * columns + x] = value
                if plane == 0:
                    highest = max(highest, value)
    for i in range(cells):
        # The plate may be held nowhere, or by a thread: what rounding left must not become negative.
        own = matrix[i, i] * (1 + 1e-7) + 1e-12 * highest + 1e-300
        least = 1e-8 * own
        for j in range(i):
            value = matrix[i, j]
            for k in range(j):
                value -= matrix[i, k] * matrix[j, k]
            matrix[i, j] = value * matrix[j, j]
        for k in range(i):
            own -= matrix[i, k] * matrix[i, k]
        matrix[i, i] = 1 / np.sqrt(max(own, least))
    return matrix


@njit(nogil=True, cache=True, error_model="numpy")
def solved(factor: NDArray[np.float64], right: NDArray[Any], out: NDArray[Any]) -> None:
    """Solve a small level's equations by its Cholesky factor.

    Parameters
    ----------
    factor : ndarray of float64, shape (cells, cells)
        As from :func:`factorised`.
    right, out : ndarray of float, shape (rows + 4, columns + 4)
        Right-hand side; receives the solution.
    """
    columns = right.shape[1] - 2 * RIM
    cells = factor.shape[0]
    x = np.empty(cells)
    for i in range(cells):
        value = np.float64(right[i // columns + 2, i % columns + 2])
        for k in range(i):
            value -= factor[i, k] * x[k]
        x[i] = value * factor[i, i]
    for i in range(cells - 1, -1, -1):
        value = x[i] * factor[i, i]
        x[i] = value
        for k in range(i):
            x[k] -= factor[i, k] * value
    for i in range(cells):
        out[i // columns + 2, i % columns + 2] = x[i]
