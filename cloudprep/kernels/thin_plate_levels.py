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
from cloudprep.kernels.thin_plate_operator import PLANES, Equations, coefficients_row, parted

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Lines that hold the coefficients of one row, and what coarse columns share of those towards one row.
_FINE = 50
_SHARED = 8
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
    rows, columns = scale.shape[0] - 4, scale.shape[1] - 4
    planes[begin + 2 : end + 2] = _ZERO
    coarse_columns = planes.shape[2] - 4
    fine = np.zeros((_FINE, columns // 2 + 1), scale.dtype)
    # Zeros around, for what lies beyond the outermost cells.
    shared = np.zeros((_SHARED, coarse_columns + 2), scale.dtype)
    lines = np.empty((25, coarse_columns), scale.dtype)
    drawn = np.empty((15, coarse_columns), scale.dtype)
    # Even and odd columns apart, so that neighbours in memory are treated alike.
    scales, weights, along_x = parted(scale), parted(eq.weights), parted(eq.along_x)
    # A coarse row is drawn from four rows.
    for y in range(max(0, 2 * begin - 3), min(rows, 2 * end - 1)):
        coefficients_row(y + 2, columns, scales, weights, along_x, eq, fine)
        odd_row = y & 1
        for i in range(5):
            _share(fine[10 * i : 10 * i + 10], columns, shared)
            _gather(shared, lines[5 * i : 5 * i + 5])
        _draw(lines, odd_row, drawn)
        # Coarse cell k is stored one cell onwards, so that the outermost cells have two parents.
        upper = (y >> 1) + odd_row
        to_upper = _NEAR if odd_row else _FAR
        to_lower = _ONE - to_upper
        if begin <= upper < end:
            _add(to_upper, drawn, planes[upper + 2])
        if begin <= upper + 1 < end:
            _add(to_lower, drawn[5:], planes[upper + 3])


# One line is written at a time: with few arrays, the compiler finds out by itself that none overlap, and uses
# vector instructions.
@njit(nogil=True, cache=True, error_model="numpy")
def _share(fine: NDArray[Any], columns: int, shared: NDArray[Any]) -> None:
    """Share the coefficients towards five neighbours out to the four coarse columns these are drawn from.

    An even cell k has coarse cells k - 1 (1/4) and k (3/4), an odd one k (3/4) and k + 1: the same thing seen
    in a mirror. ``fine`` holds five neighbours of even and of odd cells in turn; ``shared`` receives four
    lines of even cells and then four of odd ones, two places onwards.
    """
    half = (columns + 1) // 2
    for x in range(half):
        shared[0, x + 2] = _FAR * fine[0, x]
    for x in range(half):
        shared[1, x + 2] = _NEAR * (fine[0, x] + fine[2, x]) + _FAR * fine[4, x]
    for x in range(half):
        shared[2, x + 2] = _FAR * (fine[2, x] + fine[8, x]) + _NEAR * (fine[4, x] + fine[6, x])
    for x in range(half):
        shared[3, x + 2] = _FAR * fine[6, x] + _NEAR * fine[8, x]
    half = columns // 2
    for x in range(half):
        shared[7, x + 2] = _FAR * fine[9, x]
    for x in range(half):
        shared[6, x + 2] = _NEAR * (fine[9, x] + fine[7, x]) + _FAR * fine[5, x]
    for x in range(half):
        shared[5, x + 2] = _FAR * (fine[7, x] + fine[1, x]) + _NEAR * (fine[5, x] + fine[3, x])
    for x in range(half):
        shared[4, x + 2] = _FAR * fine[3, x] + _NEAR * fine[1, x]


@njit(nogil=True, cache=True, error_model="numpy")
def _gather(shared: NDArray[Any], lines: NDArray[Any]) -> None:
    """Gather what the cells drawn from a coarse cell say of it, towards the columns from -2 to 2."""
    s = shared
    count = lines.shape[1]
    for x in range(count):
        lines[0, x] = _NEAR * s[0, x + 1] + _FAR * s[4, x]
    for x in range(count):
        lines[1, x] = _NEAR * (s[1, x + 1] + s[4, x + 1]) + _FAR * (s[0, x + 2] + s[5, x])
    for x in range(count):
        lines[2, x] = _NEAR * (s[2, x + 1] + s[5, x + 1]) + _FAR * (s[1, x + 2] + s[6, x])
    for x in range(count):
        lines[3, x] = _NEAR * (s[3, x + 1] + s[6, x + 1]) + _FAR * (s[2, x + 2] + s[7, x])
    for x in range(count):
        lines[4, x] = _NEAR * s[7, x + 1] + _FAR * s[3, x + 2]


@njit(nogil=True, cache=True, error_model="numpy")
def _draw(lines: NDArray[Any], odd: int, drawn: NDArray[Any]) -> None:
    """Draw the lines of five neighbouring rows together to the last three of the coarse rows they share.

    Those are the row's upper parent, its lower one, and the one after that.
    """
    for k in range(5):
        l0, l1, l2, l3, l4 = k, 5 + k, 10 + k, 15 + k, 20 + k
        if odd:
            for x in range(lines.shape[1]):
                drawn[k, x] = _FAR * (lines[l0, x] + lines[l3, x]) + _NEAR * (lines[l1, x] + lines[l2, x])
            for x in range(lines.shape[1]):
                drawn[5 + k, x] = _NEAR * (lines[l3, x] + lines[l4, x]) + _FAR * lines[l2, x]
            for x in range(lines.shape[1]):
                drawn[10 + k, x] = _FAR * lines[l4, x]
        else:
            for x in range(lines.shape[1]):
                drawn[k, x] = _NEAR * (lines[l0, x] + lines[l1, x]) + _FAR * lines[l2, x]
            for x in range(lines.shape[1]):
                drawn[5 + k, x] = _FAR * (lines[l1, x] + lines[l4, x]) + _NEAR * (lines[l2, x] + lines[l3, x])
            for x in range(lines.shape[1]):
                drawn[10 + k, x] = _FAR * lines[l3, x] + _NEAR * lines[l4, x]


@njit(nogil=True, cache=True, error_model="numpy")
def _add(weight: Any, drawn: NDArray[Any], planes: NDArray[Any]) -> None:
    """Add to a coarse row its own lines, and those of one or two rows after it."""
    # The first line's two places backwards are another cell's forwards.
    for plane in range(len(drawn) - 2):
        for x in range(drawn.shape[1]):
            planes[plane, x + 2] += weight * drawn[plane + 2, x]


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
