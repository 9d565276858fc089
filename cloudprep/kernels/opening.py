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
_STRIP = 256


@njit(nogil=True, cache=True, error_model="numpy")
def _lower(first: NDArray[Any], second: NDArray[Any], out: NDArray[Any]) -> None:
    """Write the lower of two lines; a loop of its own, which the compiler turns into vector instructions."""
    for i in range(len(out)):
        out[i] = min(first[i], second[i])


@njit(nogil=True, cache=True, error_model="numpy")
def _lower_signed(first: NDArray[Any], second: NDArray[Any], sign: float, out: NDArray[Any]) -> None:
    for i in range(len(out)):
        out[i] = min(first[i], sign * second[i])


@njit(nogil=True, cache=True, error_model="numpy")
def _along_rows(
    source: NDArray[Any], target: NDArray[Any], radius: int, sign: float, first: int, last: int
) -> None:
    """Write ``sign`` times the running minimum of ``sign * source`` along rows ``first`` to ``last``.

    NaN counts as nothing there. Minima over twice as many values are two minima over half as many, side by
    side: more comparisons than along the columns, but of whole lines at once.
    """
    columns = source.shape[1]
    length = columns + 2 * radius
    value = np.empty(length, source.dtype)
    other = np.empty(length, source.dtype)
    lowest = np.empty(columns, source.dtype)
    for r in range(first, last):
        value[:radius] = np.inf
        value[radius + columns :] = np.inf
        for c in range(columns):
            v = sign * source[r, c]
            value[radius + c] = v if v == v else np.inf  # noqa: PLR0124 - NaN
        wide, left = 1, length
        while 2 * wide <= 2 * radius + 1:
            left -= wide
            _lower(value[:left], value[wide : wide + left], other[:left])
            value, other = other, value
            wide *= 2
        apart = 2 * radius + 1 - wide
        _lower(value[:columns], value[apart : apart + columns], lowest)
        for c in range(columns):
            target[r, c] = sign * lowest[c]


@njit(nogil=True, cache=True, error_model="numpy")
def _along_columns(
    source: NDArray[Any], target: NDArray[Any], radius: int, sign: float, first: int, last: int
) -> None:
    """Write ``sign`` times the running minimum of ``sign * source`` along columns ``first`` to ``last``.

    The source holds no NaN any more. Whole rows of the strip are compared at once.
    """
    rows = source.shape[0]
    stretch = 2 * radius + 1
    width = last - first
    backward = np.empty((stretch, width), source.dtype)
    forward = np.empty(width, source.dtype)
    lowest = np.empty(width, source.dtype)
    for start in range(0, rows, stretch):
        # Windows of the rows start .. start + 2 r all meet in the line between start + r and start + r + 1.
        for j in range(stretch - 1, -1, -1):
            r = start - radius + j
            here = backward[j]
            inside = 0 <= r < rows
            if j == stretch - 1 and inside:
                here[:] = sign * source[r, first:last]
            elif j == stretch - 1:
                here[:] = np.inf
            elif not inside:
                here[:] = backward[j + 1]
            else:
                _lower_signed(backward[j + 1], source[r, first:last], sign, here)
        forward[:] = np.inf
        for j in range(min(stretch, rows - start)):
            r = start + radius + j
            if j > 0 and r < rows:
                _lower_signed(forward, source[r, first:last], sign, forward)
            _lower(backward[j], forward, lowest)
            out = target[start + j, first:last]
            for c in range(width):
                out[c] = sign * lowest[c]


def _in_pieces(count: int, piece: int, threads: int, work: Callable[[int, int], Any]) -> None:
    """Call ``work(first, last)`` on pieces of a range, on several threads if asked to."""
    cuts = [*range(0, count, piece), count]
    spans = list(pairwise(cuts))
    if threads <= 1 or len(spans) <= 1:
        for first, last in spans:
            work(first, last)
        return
    with ThreadPoolExecutor(min(threads, len(spans))) as pool:
        for done in [pool.submit(work, first, last) for first, last in spans]:
            done.result()


def _filtered(values: NDArray[Any], radius: int, sign: float, threads: int) -> NDArray[Any]:
    """Return ``sign`` times the minimum of ``sign * values`` over squares of 2 ``radius`` + 1 cells."""
    if not COMPILED:
        return plain.lowest_in_square(values, radius, sign)
    rows, columns = values.shape
    signed = values.dtype.type(sign)
    halfway, result = np.empty_like(values), np.empty_like(values)
    # No radius larger than the raster: further cells lie outside, and outside counts for nothing.
    along, across = min(radius, columns - 1), min(radius, rows - 1)
    _in_pieces(rows, 128, threads, lambda a, b: _along_rows(values, halfway, along, signed, a, b))
    _in_pieces(columns, _STRIP, threads, lambda a, b: _along_columns(halfway, result, across, signed, a, b))
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
    return _masked(*_checked(values, size), 1.0, threads)


def dilation(values: NDArray[Any], size: int, *, threads: int = 1) -> NDArray[Any]:
    """Return the highest value within a square window around each cell; otherwise as :func:`erosion`."""
    return _masked(*_checked(values, size), -1.0, threads)


def _masked(values: NDArray[Any], radius: int, sign: float, threads: int) -> NDArray[Any]:
    if values.size == 0 or radius == 0:
        return values.copy()
    result = _filtered(values, radius, sign, threads)
    outside = np.isnan(values)
    if outside.any():
        result[outside] = np.nan
    return result


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
    return dilation(erosion(values, size, threads=threads), size, threads=threads)
