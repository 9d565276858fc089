"""Grey openings with square windows, at a cost that hardly grows with the window.

A running minimum over 2 r + 1 values takes three comparisons a value, whatever r: the line is cut into
stretches of 2 r + 1, minima are accumulated forwards and backwards within each, and every window is the
meeting of one backward and one forward minimum. A square window is a running minimum along the rows and
then along the columns. Along the columns it is done that way, for many columns at once; along the rows by
doubling (common practice, no source), so that whole lines are compared at once there too.

References
----------
M. van Herk, "A fast algorithm for local minimum and maximum filters on rectangular and octagonal kernels",
Pattern Recognition Letters 13(7), 1992; J. Gil and M. Werman, IEEE PAMI 15(5), 1993.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.plain import rasters as plain

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

# Columns handled side by side in the pass along the columns: a stretch of them stays in the cache.
_STRIP = 128


@njit(nogil=True, cache=True, error_model="numpy")
def _lower(first: NDArray[Any], second: NDArray[Any], sign: float, out: NDArray[Any]) -> None:
    """Write ``sign`` times the lower of two lines; a loop of its own, which becomes vector instructions."""
    for i in range(len(out)):
        out[i] = sign * min(first[i], second[i])


@njit(nogil=True, cache=True, error_model="numpy")
def _lower_signed(first: NDArray[Any], second: NDArray[Any], sign: float, out: NDArray[Any]) -> None:
    for i in range(len(out)):
        out[i] = min(first[i], sign * second[i])


@njit(nogil=True, cache=True, error_model="numpy")
def _along_rows(
    source: NDArray[Any], target: NDArray[Any], radius: int, sign: float, first: int, last: int
) -> int:
    """Write ``sign`` times the running minimum of ``sign * source`` along rows ``first`` to ``last``.

    NaN counts as nothing there; how many there are is returned. The target may be the source. Minima over
    twice as many values are two minima over half as many, side by side: more comparisons than along the
    columns, but of whole lines at once.
    """
    columns = source.shape[1]
    length = columns + 2 * radius
    value = np.empty(length, source.dtype)
    other = np.empty(length, source.dtype)
    one = abs(sign)
    missing = 0
    for r in range(first, last):
        value[:radius] = np.inf
        value[radius + columns :] = np.inf
        here = source[r]
        inner = value[radius : radius + columns]
        for c in range(columns):
            v = here[c]
            inner[c] = sign * v if v == v else np.inf  # noqa: PLR0124 - NaN
            missing += v != v  # noqa: PLR0124
        wide, left = 1, length
        while 2 * wide <= 2 * radius + 1:
            left -= wide
            _lower(value[:left], value[wide : wide + left], one, other[:left])
            value, other = other, value
            wide *= 2
        apart = 2 * radius + 1 - wide
        _lower(value[:columns], value[apart : apart + columns], sign, target[r])
    return missing


@njit(nogil=True, cache=True, error_model="numpy")
def _along_columns(
    source: NDArray[Any],
    source_first: int,
    target: NDArray[Any],
    target_first: int,
    width: int,
    radius: int,
    sign: float,
) -> None:
    """Write ``sign`` times the running minimum of ``sign * source`` along some columns of either.

    The source holds no NaN any more. Whole rows of the strip are compared at once.
    """
    rows = source.shape[0]
    stretch = 2 * radius + 1
    backward = np.empty((stretch, width), source.dtype)
    forward = np.empty(width, source.dtype)
    for start in range(0, rows, stretch):
        # Windows of the rows start .. start + 2 r all meet in the line between start + r and start + r + 1.
        for j in range(stretch - 1, -1, -1):
            r = start - radius + j
            here = backward[j]
            inside = 0 <= r < rows
            if j == stretch - 1 and inside:
                here[:] = sign * source[r, source_first : source_first + width]
            elif j == stretch - 1:
                here[:] = np.inf
            elif not inside:
                here[:] = backward[j + 1]
            else:
                _lower_signed(backward[j + 1], source[r, source_first : source_first + width], sign, here)
        forward[:] = np.inf
        for j in range(min(stretch, rows - start)):
            r = start + radius + j
            if j > 0 and r < rows:
                _lower_signed(forward, source[r, source_first : source_first + width], sign, forward)
            _lower(backward[j], forward, sign, target[start + j, target_first : target_first + width])


def _in_pieces(count: int, piece: int, threads: int, work: Callable[[int, int], Any]) -> list[Any]:
    """Return what ``work(first, last)`` gives for pieces of a range, on several threads if asked to."""
    cuts = [*range(0, count, piece), count]
    spans = list(pairwise(cuts))
    if threads <= 1 or len(spans) <= 1:
        return [work(first, last) for first, last in spans]
    with ThreadPoolExecutor(min(threads, len(spans))) as pool:
        return [done.result() for done in [pool.submit(work, first, last) for first, last in spans]]


def _filtered(values: NDArray[Any], radius: int, signs: tuple[float, ...], threads: int) -> NDArray[Any]:
    """Return a minimum (sign 1) or maximum (-1) over squares of cells, or one after the other.

    One after the other takes the rows, the columns twice while a strip is at hand, and the rows again: both
    are minima, or maxima, along lines, in whatever order the lines come.
    """
    rows, columns = values.shape
    result = np.empty_like(values)
    kinds = [values.dtype.type(sign) for sign in signs]
    # No radius larger than the raster: further cells lie outside, and outside counts for nothing.
    along, across = min(radius, columns - 1), min(radius, rows - 1)
    found = _in_pieces(rows, 128, threads, lambda a, b: _along_rows(values, result, along, kinds[0], a, b))
    gaps = sum(found) > 0

    def down(first: int, last: int) -> None:
        width = last - first
        strip = np.empty((rows, width), values.dtype)
        _along_columns(result, first, strip, 0, width, across, kinds[0])
        if len(kinds) == 1:
            result[:, first:last] = strip
            return
        if gaps:
            strip[np.isnan(values[:, first:last])] = np.inf * kinds[1]
        _along_columns(strip, 0, result, first, width, across, kinds[1])

    _in_pieces(columns, _STRIP, threads, down)
    if len(kinds) > 1:
        _in_pieces(rows, 128, threads, lambda a, b: _along_rows(result, result, along, kinds[1], a, b))
    if gaps:
        result[np.isnan(values)] = np.nan
    return result


def _checked(values: NDArray[Any], size: int) -> tuple[NDArray[Any], int]:
    if values.ndim != 2 or values.dtype not in (np.float32, np.float64):
        raise ValueError(f"expected a 2-D float raster, got {values.ndim}-D {values.dtype}")
    if size < 1 or size % 2 == 0:
        raise ValueError(f"the window must be an odd number of cells, got {size}")
    return np.ascontiguousarray(values), size // 2


def erosion(values: NDArray[Any], size: int, *, threads: int = 1) -> NDArray[Any]:
    """Return the lowest value within a square window around each cell.

    Parameters
    ----------
    values : ndarray of float32 or float64, shape (rows, columns)
        NaN marks cells that are outside; they are ignored like everything beyond the raster, and stay NaN.
    size : int
        Side of the window in cells, odd.
    threads : int
        Threads to use; the result is the same for any number.

    Returns
    -------
    ndarray
        As ``values``; equal to the bit to ``scipy.ndimage.minimum_filter`` with infinity around the raster
        and in NaN cells.

    Raises
    ------
    ValueError
        If the raster isn't a 2-D float array, or the window isn't odd.
    """
    return _taken(*_checked(values, size), (1.0,), threads)


def dilation(values: NDArray[Any], size: int, *, threads: int = 1) -> NDArray[Any]:
    """Return the highest value within a square window around each cell; otherwise as :func:`erosion`."""
    return _taken(*_checked(values, size), (-1.0,), threads)


def _taken(values: NDArray[Any], radius: int, signs: tuple[float, ...], threads: int) -> NDArray[Any]:
    if values.size == 0 or radius == 0:
        return values.copy()
    if COMPILED:
        return _filtered(values, radius, signs, threads)
    outside = np.isnan(values)
    for sign in signs:
        values = plain.lowest_in_square(values, radius, sign)
        values[outside] = np.nan
    return values


def opening(values: NDArray[Any], size: int, *, threads: int = 1) -> NDArray[Any]:
    """Return the grey opening: an erosion, then a dilation, with the same square window.

    It cuts off what rises above its surroundings and is narrower than the window in at least one direction
    of the raster; nothing is raised.

    Parameters
    ----------
    values : ndarray of float32 or float64, shape (rows, columns)
        NaN marks cells that are outside; they are ignored like everything beyond the raster, and stay NaN.
    size : int
        Side of the window in cells, odd.
    threads : int
        Threads to use; the result is the same for any number.

    Returns
    -------
    ndarray
        As ``values``, nowhere higher.

    Raises
    ------
    ValueError
        If the raster isn't a 2-D float array, or the window isn't odd.

    Examples
    --------
    >>> opening(np.array([[1.0, 1.0, 5.0, 1.0, 1.0]]), 3)
    array([[1., 1., 1., 1., 1.]])
    """
    return _taken(*_checked(values, size), (1.0, -1.0), threads)
