"""Grey openings and closings of rasters with disks, where cells outside the data count for nothing.

A disk is a stack of horizontal chords. Every row's running minima are taken once for each distinct length
of chord, by doubling (a minimum over 2 w + 1 cells is the meeting of two over the largest power of two that
fits in), and every cell then takes the lowest of one such minimum per row of the disk. Cells are compared
as integers that are ordered like the floats they stand for: that is exact, and vectorises.

References
----------
P. Soille, "Morphological Image Analysis", 2nd ed., Springer 2003, chapters 3 and 4 (erosion, opening; minima
over lines by doubling).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.plain import rasters as plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

_HIGHEST = np.int32(2**31 - 1)
# Flips all bits but the sign: negative floats, read as integers, are ordered the wrong way round.
_FLIP = np.int32(0x7FFFFFFF)
# Columns handled side by side: the minima of a disk's rows over so many stay in the cache.
_STRIP = 1024
# Rows whose minima a cell takes at once; the kernel is written for four.
_TOGETHER = 4
# A thread's rows are so many times as many as those around that it looks at as well, at least.
_WORTH = 4


def chords(radius: float) -> NDArray[np.int64]:
    """Return how far a disk reaches to either side, in each of its rows.

    Parameters
    ----------
    radius : float
        In cells; the disk holds the offsets with dx^2 + dy^2 <= radius^2.

    Returns
    -------
    ndarray of int64, shape (2 * floor(radius) + 1,)
        From the uppermost row to the lowest.

    Examples
    --------
    >>> chords(2)
    array([0, 1, 2, 1, 0])
    """
    squared = float(radius) * float(radius)
    highest = int(np.floor(radius))
    rows = np.arange(-highest, highest + 1)
    # Rounded down by counting: a square root could fall just short of a whole number.
    widths = np.arange(highest + 1)
    return np.asarray((widths[None, :] ** 2 + rows[:, None] ** 2 <= squared).sum(axis=1) - 1)


@njit(nogil=True, cache=True, error_model="numpy")
def _make_rim(values: NDArray[np.int32], rows_in: int, columns_in: int) -> None:
    """Write the highest integer to a raster's rim."""
    rows, columns = values.shape
    for r in range(rows):
        if rows_in <= r < rows - rows_in:
            for c in range(columns_in):
                values[r, c] = values[r, columns - 1 - c] = _HIGHEST
        else:
            for c in range(columns):
                values[r, c] = _HIGHEST


@njit(nogil=True, cache=True, error_model="numpy")
def _recoded(
    bits: NDArray[np.int32],
    inside: NDArray[np.bool_],
    turned: int,
    rows_in: int,
    columns_in: int,
    target: NDArray[np.int32],
) -> None:
    """Write integers ordered like floats into the middle of a padded raster, or in the opposite order.

    ``turned`` is 0, or -1 for the opposite order. Cells outside and the rim become the highest.
    """
    turn = np.int32(turned)
    for r in range(bits.shape[0]):
        line = target[r + rows_in, columns_in:]
        for c in range(bits.shape[1]):
            b = bits[r, c]
            b = b ^ ((b >> np.int32(31)) & _FLIP) ^ turn
            line[c] = b if inside[r, c] else _HIGHEST
    _make_rim(target, rows_in, columns_in)


@njit(nogil=True, cache=True, error_model="numpy")
def _turned(values: NDArray[np.int32], inside: NDArray[np.bool_], rows_in: int, columns_in: int) -> None:
    """Turn the order of all values round, in place; cells outside and the rim become the highest again."""
    for r in range(inside.shape[0]):
        line = values[r + rows_in, columns_in:]
        for c in range(inside.shape[1]):
            line[c] = ~line[c] if inside[r, c] else _HIGHEST
    _make_rim(values, rows_in, columns_in)


@njit(nogil=True, cache=True, error_model="numpy")
def _restored(
    values: NDArray[np.int32],
    inside: NDArray[np.bool_],
    turned: int,
    rows_in: int,
    columns_in: int,
    given: NDArray[np.int32],
    bits: NDArray[np.int32],
) -> None:
    """Turn ordered integers into the bits of floats again; cells outside get those that were given."""
    turn = np.int32(turned)
    for r in range(bits.shape[0]):
        line = values[r + rows_in, columns_in:]
        for c in range(bits.shape[1]):
            b = line[c] ^ turn
            b ^= (b >> np.int32(31)) & _FLIP
            bits[r, c] = b if inside[r, c] else given[r, c]


@njit(nogil=True, cache=True, error_model="numpy")
def _eroded(
    source: NDArray[np.int32], reach: NDArray[np.int64], strip: int, target: NDArray[np.int32]
) -> None:
    """Lower every cell to the lowest value within the disk around it.

    Parameters
    ----------
    source : ndarray of int32, shape (rows + 2 radius, columns + 2 widest)
        Holds the highest integer on a rim as wide as the disk reaches.
    reach : ndarray of int64, shape (2 radius + 1,)
        As from :func:`chords`.
    strip : int
        Columns handled side by side.
    target : ndarray of int32, shaped like ``source``
        Receives the result, but on its rim, which is spoilt above and below.
    """
    radius = len(reach) // 2
    widest = reach[radius]
    end, columns = source.shape[0] - radius, source.shape[1] - 2 * widest
    power = 0
    while (2 << power) <= 2 * widest + 1:
        power += 1
    # Which of the different chords each row of the disk has, from the middle (the longest) outwards.
    chord = np.empty(radius + 1, np.int64)
    different = 0
    for d in range(radius + 1):
        if d > 0 and reach[radius + d] != reach[radius + d - 1]:
            different += 1
        chord[d] = different
    # Minima over 2^k cells from each one on; those over one cell are the source itself.
    doubled = np.empty((power + 1, strip + 2 * widest), np.int32)
    # Minima over each chord of some rows at a time, so that a cell that lies within reach of several of them
    # is read and written once; behind them what rows say that lie beyond it.
    minima = np.empty((different + 2, _TOGETHER, strip), np.int32)
    minima[different + 1] = _HIGHEST
    for first in range(0, columns, strip):
        width = min(strip, columns - first)
        for begin in range(radius, end, _TOGETHER):
            for i in range(_TOGETHER):
                if begin + i >= end:
                    minima[:, i] = _HIGHEST
                    continue
                line = source[begin + i, first:]
                length = width + 2 * widest
                for k in range(1, power + 1):
                    half = 1 << (k - 1)
                    length -= half
                    before = line if k == 1 else doubled[k - 1]
                    shifted, after = before[half:], doubled[k]
                    for c in range(length):
                        after[c] = min(before[c], shifted[c])
                ready = -1
                for d in range(radius + 1):
                    w = reach[radius + d]
                    if w == ready:
                        continue
                    ready = w
                    k = 0
                    while (2 << k) <= 2 * w + 1:
                        k += 1
                    stretch = line if k == 0 else doubled[k]
                    left, right = stretch[widest - w :], stretch[widest + w + 1 - (1 << k) :]
                    lowest = minima[chord[d], i]
                    for c in range(width):
                        lowest[c] = min(left[c], right[c])
            for r in range(begin - radius, min(begin + _TOGETHER + radius, len(target))):
                out = target[r, first + widest :]
                d = abs(r - begin)
                one = minima[chord[d] if d <= radius else different + 1, 0]
                d = abs(r - begin - 1)
                two = minima[chord[d] if d <= radius else different + 1, 1]
                d = abs(r - begin - 2)
                three = minima[chord[d] if d <= radius else different + 1, 2]
                d = abs(r - begin - 3)
                four = minima[chord[d] if d <= radius else different + 1, 3]
                if begin > radius and r < begin + radius:
                    for c in range(width):
                        out[c] = min(out[c], one[c], two[c], three[c], four[c])
                else:  # No row before has reached it.
                    for c in range(width):
                        out[c] = min(one[c], two[c], three[c], four[c])


def _checked(
    values: NDArray[Any], radius: float, inside: NDArray[Any]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    if values.ndim != 2 or values.dtype != np.float32:
        raise ValueError(f"expected a 2-D float32 raster, got {values.ndim}-D {values.dtype}")
    if inside.shape != values.shape or inside.dtype != np.bool_:
        raise ValueError(f"expected a mask of bool, shape {values.shape}, got {inside.dtype}, {inside.shape}")
    if not 1 <= radius < np.inf:
        raise ValueError(f"the radius must be at least one cell, got {radius}")
    return np.ascontiguousarray(values), np.ascontiguousarray(inside)


def _opened(
    values: NDArray[np.float32], radius: float, inside: NDArray[np.bool_], flip: int, threads: int = 1
) -> NDArray[np.float32]:
    """Return the opening, or the closing (``flip`` = -1, which turns the order of the values round)."""
    values, inside = _checked(values, radius, inside)
    if values.size == 0:
        return values.copy()
    if not COMPILED:
        return plain.opened_by_disk(values, radius, inside, -1.0 if flip else 1.0)
    # A disk that covers the raster from each of its cells: beyond that nothing changes any more.
    reach = chords(min(float(radius), float(np.hypot(*values.shape)) + 1))
    rows, around = values.shape[0], 2 * (len(reach) // 2)
    count = max(1, min(threads, rows // max(_WORTH * around, 1)))
    if count == 1:
        return _open(values, inside, reach, flip)
    result = np.empty_like(values)

    def part(first: int, last: int) -> None:
        # What lies twice a radius away has no say.
        some = slice(max(0, first - around), min(rows, last + around))
        opened = _open(values[some], inside[some], reach, flip)
        result[first:last] = opened[first - some.start : last - some.start]

    edges = [k * rows // count for k in range(count + 1)]
    with ThreadPoolExecutor(count) as pool:
        list(pool.map(part, edges[:-1], edges[1:]))
    return result


def _open(
    values: NDArray[np.float32],
    inside: NDArray[np.bool_],
    reach: NDArray[np.int64],
    flip: int,
) -> NDArray[np.float32]:
    """Return the opening or closing."""
    rim, widest = len(reach) // 2, int(reach.max())
    shape = (values.shape[0] + 2 * rim, values.shape[1] + 2 * widest)
    before, after = np.empty(shape, np.int32), np.empty(shape, np.int32)
    _recoded(values.view(np.int32), inside, flip, rim, widest, before)
    _eroded(before, reach, _STRIP, after)
    # The highest within the disk is the lowest of the values in opposite order.
    _turned(after, inside, rim, widest)
    _eroded(after, reach, _STRIP, before)
    result = np.empty_like(values)
    _restored(before, inside, ~flip, rim, widest, values.view(np.int32), result.view(np.int32))
    return result


def opened_by_disk(
    values: NDArray[np.float32], radius: float, inside: NDArray[np.bool_], *, threads: int = 1
) -> NDArray[np.float32]:
    """Return the grey opening by a disk: the lowest value within the disk, then the highest of those.

    It cuts off what rises above its surroundings and holds no disk of this size; nothing is raised.

    Parameters
    ----------
    values : ndarray of float32, shape (rows, columns)
        No NaN within ``inside``.
    radius : float
        In cells, at least 1; the disk holds the offsets with dx^2 + dy^2 <= radius^2.
    inside : ndarray of bool, shape (rows, columns)
        The cells that take part. The others neither lower nor raise anything, like what lies beyond the
        raster, and keep their value.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Exact: every value is one of ``values``.

    Raises
    ------
    ValueError
        If the raster isn't 2-D float32, the mask doesn't fit, or the radius is less than 1.

    Examples
    --------
    >>> line = np.array([[1, 1, 5, 1, 1]], np.float32)
    >>> opened_by_disk(line, 1, np.ones(line.shape, bool))
    array([[1., 1., 1., 1., 1.]], dtype=float32)
    """
    return _opened(values, radius, inside, 0, threads)


def closed_by_disk(
    values: NDArray[np.float32], radius: float, inside: NDArray[np.bool_], *, threads: int = 1
) -> NDArray[np.float32]:
    """Return the grey closing by a disk: it fills what no disk fits into; nothing is lowered.

    Parameters, result and errors are those of :func:`opened_by_disk`.

    Examples
    --------
    >>> line = np.array([[5, 5, 1, 5, 5]], np.float32)
    >>> closed_by_disk(line, 1, np.ones(line.shape, bool))
    array([[5., 5., 5., 5., 5.]], dtype=float32)
    """
    return _opened(values, radius, inside, -1, threads)
