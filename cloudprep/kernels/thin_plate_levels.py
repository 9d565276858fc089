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

from cloudprep.kernels.thin_plate_operator import PLANES, RIM, Equations, coefficients_row, times_row

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
    total = np.zeros(columns, scale.dtype)
    ones = np.zeros((2, columns + 4), scale.dtype)
    ones[1] = _ONE
    for y in range(2, rows + 2):
        s, i = scale[y, 2:], inverse[y, 2:]
        if eq.finest:
            weights, bend, twist = eq.weights[y, 2:], eq.along_x[0, 2:], eq.along_x[3, 2:]
            d, t = eq.along_y[0, y], eq.along_y[3, y]
            twice = eq.stiffness + eq.stiffness
            for x in range(columns):
                s[x] = strength / (weights[x] + strength)
                i[x] = _ONE / (weights[x] + eq.stiffness * (bend[x] + d) + twice * (twist[x] * t))
        else:
            # Coefficients towards the rim are zero, so ones may stand there as well.
            one = ones[1]
            times_row(y, one, one, one, one, one, eq, total)
            own = eq.planes[y, 0, 2:]
            for x in range(columns):
                s[x] = strength / (max(total[x], _ZERO) + strength)
                i[x] = _ONE / own[x] if own[x] > _ZERO else _ZERO


@njit(nogil=True, cache=True, error_model="numpy")
def _gathered(odd: int, c: NDArray[Any], step: int, half: int, out: NDArray[Any]) -> None:
    """Gather coefficients towards five neighbours into those towards four coarse cells.

    ``c`` is (5, cells), read from ``odd`` on in steps of ``step``.
    """
    c0, c1, c2, c3, c4 = c[0], c[1], c[2], c[3], c[4]
    e0, e1, e2, e3 = out[0], out[1], out[2], out[3]
    first = odd if step == 2 else 0
    if odd == 0:
        for x in range(half):
            i = first + step * x
            v0, v1, v2, v3, v4 = c0[i], c1[i], c2[i], c3[i], c4[i]
            e0[x] = _FAR * v0
            e1[x] = _NEAR * (v0 + v1) + _FAR * v2
            e2[x] = _FAR * (v1 + v4) + _NEAR * (v2 + v3)
            e3[x] = _FAR * v3 + _NEAR * v4
    else:
        for x in range(half):
            i = first + step * x
            v0, v1, v2, v3, v4 = c0[i], c1[i], c2[i], c3[i], c4[i]
            e0[x] = _NEAR * v0 + _FAR * v1
            e1[x] = _FAR * (v0 + v3) + _NEAR * (v1 + v2)
            e2[x] = _FAR * v2 + _NEAR * (v3 + v4)
            e3[x] = _FAR * v4


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
        Receives the result.
    """
    rows, columns = scale.shape[0] - 4, scale.shape[1] - 4
    dtype = scale.dtype
    fine = np.zeros((5, 5, columns + 2), dtype)
    narrow = np.zeros((4, 5, columns // 2 + 2), dtype)
    both = np.zeros((4, columns // 2 + 2), dtype)
    planes[:] = _ZERO
    for y in range(rows):
        coefficients_row(y + 2, scale, eq, fine)
        odd_row, k = y & 1, y >> 1
        for odd in range(2):
            half = (columns - odd + 1) // 2
            for r in range(5):
                _gathered(odd, fine[r], 2, half, narrow[:, r])
            own = scale[y + 2, 2 + odd :]
            for j in range(4):
                _gathered(odd_row, narrow[j], 1, half, both)
                for i in range(4):
                    line = both[i]
                    for x in range(half):
                        line[x] *= own[2 * x]
                # Coarse cell k is stored one cell onwards, so that the outermost cells have two parents.
                for row_parent in range(2):
                    at_row = k + odd_row - 1 + row_parent
                    row_share = _NEAR if row_parent != odd_row else _FAR
                    for i in range(4):
                        down = k + odd_row - 2 + i - at_row
                        if down < 0:
                            continue
                        for parent in range(2):
                            at = odd - 1 + parent
                            right = odd - 2 + j - at
                            if down == 0 and right < 0:
                                continue
                            share = row_share * (_NEAR if parent != odd else _FAR)
                            plane = right if down == 0 else 3 + 5 * (down - 1) + right + 2
                            target = planes[at_row + 3, plane, at + 3 :]
                            line = both[i]
                            for x in range(half):
                                target[x] += share * line[x]


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
    v0, v1, v2, v3 = values, values[1:], values[2:], values[3:]
    for x in range(len(line)):
        i = 2 * x
        line[x] = _FAR * (v0[i] + v3[i]) + _NEAR * (v1[i] + v2[i])
    odd = y & 1
    upper = coarse[(y >> 1) + odd + 2, 2:]
    lower = coarse[(y >> 1) + odd + 3, 2:]
    to_upper = _NEAR if odd else _FAR
    to_lower = _ONE - to_upper
    for x in range(len(line)):
        upper[x] += to_upper * line[x]
        lower[x] += to_lower * line[x]


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
    scale, out : ndarray of float, shape (columns,)
        Of the transfer; row that is added to.
    """
    odd = y & 1
    upper = coarse[(y >> 1) + odd + 2, 2:]
    lower = coarse[(y >> 1) + odd + 3, 2:]
    of_upper = _NEAR if odd else _FAR
    of_lower = _ONE - of_upper
    for x in range(len(line)):
        line[x] = of_upper * upper[x] + of_lower * lower[x]
    after, second = line[1:], line[2:]
    columns = len(out)
    for x in range(columns // 2):
        out[2 * x] += scale[2 * x] * (_FAR * line[x] + _NEAR * after[x])
        out[2 * x + 1] += scale[2 * x + 1] * (_NEAR * after[x] + _FAR * second[x])
    if columns & 1:
        x = columns // 2
        out[2 * x] += scale[2 * x] * (_FAR * line[x] + _NEAR * after[x])


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
        down = 0 if plane < 3 else (plane - 3) // 5 + 1
        right = plane if plane < 3 else (plane - 3) % 5 - 2
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
