"""The lines that coarser versions of a thin plate's equations are put together from.

Everything is done for some columns at a time, in two flat arrays whose lines lie a fixed distance apart. The
compiler then sees by itself that no line overlaps another one, and turns loops that write many lines at once
into vector instructions; and all of it stays in the nearest cache.

Even and odd columns lie apart, so that neighbours in memory are treated alike. Index m of a line of fine
columns means the even column 2 * (start + m), or the odd one after it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.thin_plate_operator import PLANES, Equations

if TYPE_CHECKING:
    from numpy.typing import NDArray

AT_ONCE = 70
"""Coarse columns that are worked on together."""
LINE = 80
"""Distance of lines: so many columns, two before them, and what is read beyond."""
SHARED = 8
LINES = 25
DRAWN = 15
_NEAR = np.float32(0.75)
_FAR = np.float32(0.25)
_ZERO = np.float32(0)
# What is masked can't be negative. The compiler then needn't think of indices that count from the end.
_MOST = 2**31 - 1
# Where lines begin.
_S1, _S2, _S3, _S4, _S5, _S6, _S7 = (k * LINE for k in range(1, 8))
_FIVE = 5 * LINE


@njit(nogil=True, cache=True, error_model="numpy")
def part_line(values: NDArray[Any], row: int, block: int, out: NDArray[Any], at: int) -> None:
    """Write a block's even columns of a row from index ``at`` on, and the odd ones a line further.

    Parameters
    ----------
    values : ndarray of float, shape (rows, columns)
        The raster, with its rim.
    row, block : int
        Which row, which columns. What lies beyond the raster is zero.
    out : ndarray of float, shape (n,)
        Receives them.
    at : int
        Where.
    """
    start, count = AT_ONCE * block - 2, AT_ONCE + 5
    columns = values.shape[1]
    before = min(max(0, -start), count)
    inside = max(min(count, columns // 2 - start), before)
    row, at, first, into = row & _MOST, at & _MOST, (2 * (start + before)) & _MOST, (at + before) & _MOST
    for m in range(before):
        out[at + m] = out[at + LINE + m] = _ZERO
    for m in range(inside - before):
        out[into + m] = values[row, first + 2 * m]
        out[into + LINE + m] = values[row, first + 2 * m + 1]
    for m in range(inside, count):
        out[at + m] = out[at + LINE + m] = _ZERO
    last = columns // 2 - start
    if columns & 1 and 0 <= last < count:
        out[at + last] = values[row, columns - 1]


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def _out_of_five(a: Any, b: Any, c: Any, d: Any, e: Any) -> tuple[Any, Any, Any, Any]:
    """Share the coefficients towards five neighbours out to the four coarse columns these are drawn from."""
    return _FAR * a, _NEAR * (a + b) + _FAR * c, _FAR * (b + e) + _NEAR * (c + d), _FAR * d + _NEAR * e


@njit(nogil=True, cache=True, error_model="numpy")
def share_finest(
    eq: Equations,
    y: int,
    i: int,
    block: int,
    count: int,
    scales: NDArray[Any],
    weights: NDArray[Any],
    along_x: NDArray[Any],
    shared: NDArray[Any],
) -> None:
    """Share the finest level's coefficients of row y towards row y + i - 2; see :func:`share`.

    A plate bends along rows and columns and twists between neighbours: all other coefficients are zero.

    Parameters
    ----------
    weights : ndarray of float, shape (blocks * 2 * LINE,)
        Of row y, by :func:`part_line`.
    along_x : ndarray of float, shape (blocks * 10 * LINE,)
        That of ``eq``, line by line.
    """
    block &= _MOST
    own, other = 2 * LINE * (8 * block + (y & 7)), 2 * LINE * (8 * block + ((y + i - 2) & 7))
    w, f = 2 * LINE * block, 10 * LINE * block
    stiffness = eq.stiffness
    twice = stiffness + stiffness
    zero = stiffness - stiffness
    if abs(i - 2) == 2:
        across = stiffness * eq.along_y[2, min(y, y + i - 2)]
        for m in range(count):
            even = across * scales[own + m + 1] * scales[other + m + 1]
            odd = across * scales[own + LINE + m + 1] * scales[other + LINE + m + 1]
            shared[m], shared[_S1 + m], shared[_S2 + m], shared[_S3 + m] = _out_of_five(
                zero, zero, even, zero, zero
            )
            shared[_S7 + m], shared[_S6 + m], shared[_S5 + m], shared[_S4 + m] = _out_of_five(
                zero, zero, odd, zero, zero
            )
    elif i != 2:
        z = min(y, y + i - 2)
        across = stiffness * eq.along_y[1, z]
        twist = twice * eq.along_y[4, z]
        for m in range(count):
            here = scales[own + m + 1]
            a = twist * along_x[f + 4 * 2 * LINE + LINE + m] * here * scales[other + LINE + m]
            b = (twist * along_x[f + 3 * 2 * LINE + m + 1] + across) * here * scales[other + m + 1]
            c = twist * along_x[f + 4 * 2 * LINE + m + 1] * here * scales[other + LINE + m + 1]
            shared[m], shared[_S1 + m], shared[_S2 + m], shared[_S3 + m] = _out_of_five(zero, a, b, c, zero)
            here = scales[own + LINE + m + 1]
            a = twist * along_x[f + 4 * 2 * LINE + m + 1] * here * scales[other + m + 1]
            b = (
                (twist * along_x[f + 3 * 2 * LINE + LINE + m + 1] + across)
                * here
                * scales[other + LINE + m + 1]
            )
            c = twist * along_x[f + 4 * 2 * LINE + LINE + m + 1] * here * scales[other + m + 2]
            shared[_S7 + m], shared[_S6 + m], shared[_S5 + m], shared[_S4 + m] = _out_of_five(
                zero, c, b, a, zero
            )
    else:
        across = stiffness * eq.along_y[0, y]
        twist = twice * eq.along_y[3, y]
        for m in range(count):
            here = scales[own + m + 1]
            a = stiffness * along_x[f + 2 * 2 * LINE + m] * here * scales[own + m]
            b = (
                twist * along_x[f + 4 * 2 * LINE + LINE + m] + stiffness * along_x[f + 2 * LINE + LINE + m]
            ) * here
            b *= scales[own + LINE + m]
            c = stiffness * along_x[f + m + 1] + across
            c += weights[w + m + 1] + twist * along_x[f + 3 * 2 * LINE + m + 1]
            c *= here
            c *= here
            d = (twist * along_x[f + 4 * 2 * LINE + m + 1] + stiffness * along_x[f + 2 * LINE + m + 1]) * here
            d *= scales[own + LINE + m + 1]
            e = stiffness * along_x[f + 2 * 2 * LINE + m + 1] * here * scales[own + m + 2]
            shared[m], shared[_S1 + m], shared[_S2 + m], shared[_S3 + m] = _out_of_five(a, b, c, d, e)
            here = scales[own + LINE + m + 1]
            a = stiffness * along_x[f + 2 * 2 * LINE + LINE + m] * here * scales[own + LINE + m]
            b = (twist * along_x[f + 4 * 2 * LINE + m + 1] + stiffness * along_x[f + 2 * LINE + m + 1]) * here
            b *= scales[own + m + 1]
            c = stiffness * along_x[f + LINE + m + 1] + across
            c += weights[w + LINE + m + 1] + twist * along_x[f + 3 * 2 * LINE + LINE + m + 1]
            c *= here
            c *= here
            d = (
                twist * along_x[f + 4 * 2 * LINE + LINE + m + 1]
                + stiffness * along_x[f + 2 * LINE + LINE + m + 1]
            ) * here
            d *= scales[own + m + 2]
            e = stiffness * along_x[f + 2 * 2 * LINE + LINE + m + 1] * here * scales[own + LINE + m + 2]
            shared[_S7 + m], shared[_S6 + m], shared[_S5 + m], shared[_S4 + m] = _out_of_five(e, d, c, b, a)


@njit(nogil=True, cache=True, error_model="numpy")
def share(
    y: int,
    i: int,
    block: int,
    count: int,
    scales: NDArray[Any],
    planes: NDArray[Any],
    shared: NDArray[Any],
) -> None:
    """Share the coefficients of row y towards row y + i - 2, times the scales of both cells.

    An even cell k has coarse cells k - 1 (1/4) and k (3/4), an odd one k (3/4) and k + 1: the same thing seen
    in a mirror.

    Parameters
    ----------
    y, i : int
        Rows, counted with the rim.
    block, count : int
        Which columns: the block, and how many indices.
    scales : ndarray of float, shape (blocks * 8 * 2 * LINE,)
        Scale of the transfer in row y - 2 to row y + 2, each at row % 8 of its block.
    planes : ndarray of float, shape (blocks * 4 * 13 * 2 * LINE,)
        The matrix in row y - 2 to row y, each at row % 4 of its block.
    shared : ndarray of float, shape (n,)
        Receives four lines of even cells and then four of odd ones.
    """
    block &= _MOST
    own, other = 2 * LINE * (8 * block + (y & 7)), 2 * LINE * (8 * block + ((y + i - 2) & 7))
    # A coefficient backwards is the one of the neighbour forwards.
    if i > 2:
        p = 2 * LINE * ((4 * block + (y & 3)) * PLANES + 5 * (i - 2) - 2)
        for m in range(count):
            here = scales[own + m + 1]
            a = planes[p + m + 1] * here * scales[other + m]
            b = planes[p + _S2 + m + 1] * here * scales[other + LINE + m]
            c = planes[p + _S4 + m + 1] * here * scales[other + m + 1]
            d = planes[p + _S6 + m + 1] * here * scales[other + LINE + m + 1]
            e = planes[p + 8 * LINE + m + 1] * here * scales[other + m + 2]
            shared[m], shared[_S1 + m], shared[_S2 + m], shared[_S3 + m] = _out_of_five(a, b, c, d, e)
            here = scales[own + LINE + m + 1]
            a = planes[p + LINE + m + 1] * here * scales[other + LINE + m]
            b = planes[p + _S3 + m + 1] * here * scales[other + m + 1]
            c = planes[p + _S5 + m + 1] * here * scales[other + LINE + m + 1]
            d = planes[p + _S7 + m + 1] * here * scales[other + m + 2]
            e = planes[p + 9 * LINE + m + 1] * here * scales[other + LINE + m + 2]
            shared[_S7 + m], shared[_S6 + m], shared[_S5 + m], shared[_S4 + m] = _out_of_five(e, d, c, b, a)
    elif i < 2:
        p = 2 * LINE * ((4 * block + ((y + i - 2) & 3)) * PLANES + 5 * (2 - i) - 2)
        for m in range(count):
            here = scales[own + m + 1]
            a = planes[p + 8 * LINE + m] * here * scales[other + m]
            b = planes[p + _S7 + m] * here * scales[other + LINE + m]
            c = planes[p + _S4 + m + 1] * here * scales[other + m + 1]
            d = planes[p + _S3 + m + 1] * here * scales[other + LINE + m + 1]
            e = planes[p + m + 2] * here * scales[other + m + 2]
            shared[m], shared[_S1 + m], shared[_S2 + m], shared[_S3 + m] = _out_of_five(a, b, c, d, e)
            here = scales[own + LINE + m + 1]
            a = planes[p + 9 * LINE + m] * here * scales[other + LINE + m]
            b = planes[p + _S6 + m + 1] * here * scales[other + m + 1]
            c = planes[p + _S5 + m + 1] * here * scales[other + LINE + m + 1]
            d = planes[p + _S2 + m + 2] * here * scales[other + m + 2]
            e = planes[p + LINE + m + 2] * here * scales[other + LINE + m + 2]
            shared[_S7 + m], shared[_S6 + m], shared[_S5 + m], shared[_S4 + m] = _out_of_five(e, d, c, b, a)
    else:
        p = 2 * LINE * (4 * block + (y & 3)) * PLANES
        for m in range(count):
            here = scales[own + m + 1]
            a = planes[p + _S4 + m] * here * scales[own + m]
            b = planes[p + _S3 + m] * here * scales[own + LINE + m]
            c = planes[p + m + 1] * here * scales[own + m + 1]
            d = planes[p + _S2 + m + 1] * here * scales[own + LINE + m + 1]
            e = planes[p + _S4 + m + 1] * here * scales[own + m + 2]
            shared[m], shared[_S1 + m], shared[_S2 + m], shared[_S3 + m] = _out_of_five(a, b, c, d, e)
            here = scales[own + LINE + m + 1]
            a = planes[p + _S5 + m] * here * scales[own + LINE + m]
            b = planes[p + _S2 + m + 1] * here * scales[own + m + 1]
            c = planes[p + LINE + m + 1] * here * scales[own + LINE + m + 1]
            d = planes[p + _S3 + m + 1] * here * scales[own + m + 2]
            e = planes[p + _S5 + m + 1] * here * scales[own + LINE + m + 2]
            shared[_S7 + m], shared[_S6 + m], shared[_S5 + m], shared[_S4 + m] = _out_of_five(e, d, c, b, a)


@njit(nogil=True, cache=True, error_model="numpy")
def gather(s: NDArray[Any], i: int, count: int, lines: NDArray[Any]) -> None:
    """Gather what the cells drawn from a coarse cell say of it, towards the columns from -2 to 2.

    Parameters
    ----------
    s : ndarray of float, shape (8 * LINE,)
        Of :func:`share`.
    i : int
        Towards which of five rows, from 0 on.
    count : int
        Coarse columns.
    lines : ndarray of float, shape (25 * LINE,)
        Receives five lines for each row.
    """
    at = _FIVE * (i & 7)
    for x in range(count):
        lines[at + x] = _NEAR * s[x + 1] + _FAR * s[_S4 + x]
        lines[at + _S1 + x] = _NEAR * (s[_S1 + x + 1] + s[_S4 + x + 1]) + _FAR * (s[x + 2] + s[_S5 + x])
        lines[at + _S2 + x] = _NEAR * (s[_S2 + x + 1] + s[_S5 + x + 1]) + _FAR * (s[_S1 + x + 2] + s[_S6 + x])
        lines[at + _S3 + x] = _NEAR * (s[_S3 + x + 1] + s[_S6 + x + 1]) + _FAR * (s[_S2 + x + 2] + s[_S7 + x])
        lines[at + _S4 + x] = _NEAR * s[_S7 + x + 1] + _FAR * s[_S3 + x + 2]


@njit(nogil=True, cache=True, error_model="numpy")
def draw(lines: NDArray[Any], y: int, block: int, count: int, drawn: NDArray[Any]) -> None:
    """Draw the lines of five neighbouring rows together to the last three of the coarse rows they share.

    Those are the row's upper parent, its lower one, and the one after that.

    Parameters
    ----------
    lines : ndarray of float, shape (25 * LINE,)
        Of :func:`gather`, five for each row.
    y : int
        The row, counted without the rim.
    block, count : int
        Which columns: the block, and how many coarse columns.
    drawn : ndarray of float, shape (blocks * 4 * 15 * LINE,)
        Receives fifteen lines, those of row y at y % 4 of its block.
    """
    at = DRAWN * LINE * (4 * (block & _MOST) + (y & 3))
    odd = y & 1
    for k in range(5):
        p, q = k * LINE, at + k * LINE
        if odd:
            for x in range(count):
                a, b, c = lines[p + x], lines[p + _FIVE + x], lines[p + 2 * _FIVE + x]
                d, e = lines[p + 3 * _FIVE + x], lines[p + 4 * _FIVE + x]
                drawn[q + x] = _FAR * (a + d) + _NEAR * (b + c)
                drawn[q + _FIVE + x] = _NEAR * (d + e) + _FAR * c
                drawn[q + 2 * _FIVE + x] = _FAR * e
        else:
            for x in range(count):
                a, b, c = lines[p + x], lines[p + _FIVE + x], lines[p + 2 * _FIVE + x]
                d, e = lines[p + 3 * _FIVE + x], lines[p + 4 * _FIVE + x]
                drawn[q + x] = _NEAR * (a + b) + _FAR * c
                drawn[q + _FIVE + x] = _FAR * (b + e) + _NEAR * (c + d)
                drawn[q + 2 * _FIVE + x] = _FAR * d + _NEAR * e


@njit(nogil=True, cache=True, error_model="numpy")
def add_up(drawn: NDArray[Any], row: int, block: int, count: int, planes: NDArray[Any]) -> None:
    """Add up what four rows say of a coarse row, in their order, and write it.

    Parameters
    ----------
    drawn : ndarray of float, shape (blocks * 4 * 15 * LINE,)
        Of :func:`draw` for the rows 2 * row - 3 to 2 * row, each at its number % 4.
    row : int
        The coarse row, counted without the rim.
    block, count : int
        Which columns: the block, and how many coarse columns.
    planes : ndarray of float, shape (coarse rows + 4, 13, coarse columns + 4)
        Receives the matrix.
    """
    row, block = row & _MOST, block & _MOST
    start = AT_ONCE * block
    # Of the first two it is the lower parent.
    each, block = DRAWN * LINE, 4 * block
    a, b = each * (block + ((2 * row + 1) & 3)), each * (block + ((2 * row + 2) & 3))
    c, d = each * (block + ((2 * row + 3) & 3)), each * (block + ((2 * row) & 3))
    for plane in range(PLANES):
        # The first line's two places backwards are another cell's forwards.
        p = (plane + 2) * LINE
        q = p + _FIVE
        if plane < 8:
            for x in range(count):
                total = _ZERO + _FAR * drawn[a + q + x]
                total += _NEAR * drawn[b + q + x]
                total += _NEAR * drawn[c + p + x]
                planes[row + 2, plane, start + x + 2] = total + _FAR * drawn[d + p + x]
        else:
            for x in range(count):
                total = _ZERO + _NEAR * drawn[c + p + x]
                planes[row + 2, plane, start + x + 2] = total + _FAR * drawn[d + p + x]
