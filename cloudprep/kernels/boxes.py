"""Means and maxima over squares, to the bits of ``scipy.ndimage``, with lines shared among threads.

The sum of a stretch is that of the stretch before, plus what enters less what leaves, as in
``scipy.ndimage``; here many lines at a time, so that none waits for its last sum.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


# Lines along which means are taken side by side.
_LINES = 4


@njit(nogil=True, cache=True, error_model="numpy")
def _mirrored(i: int, count: int) -> int:
    """Return the cell that stands for a place beyond the edge."""
    i %= 2 * count
    return i if i < count else 2 * count - 1 - i


@njit(nogil=True, cache=True, error_model="numpy")
def _mean_up(raster: Floats, size: int, begin: int, end: int, out: Floats) -> None:
    """Write means along some columns."""
    rows, left = raster.shape[0], size // 2
    total, whole = np.zeros(end - begin), float(size)
    for i in range(-left, size - left):
        line = raster[_mirrored(i, rows), begin:end]
        for c in range(len(total)):
            total[c] += line[c]
    for c in range(len(total)):
        out[0, begin + c] = total[c] / whole
    for r in range(1, rows):
        entering = raster[_mirrored(r + size - left - 1, rows), begin:end]
        leaving = raster[_mirrored(r - left - 1, rows), begin:end]
        line = out[r, begin:end]
        for c in range(len(total)):
            total[c] += entering[c] - leaving[c]
            line[c] = total[c] / whole


@njit(nogil=True, cache=True, error_model="numpy")
def _mean_across(raster: Floats, size: int, begin: int, end: int, out: Floats) -> None:
    """Write means along some rows."""
    columns, left, whole = raster.shape[1], size // 2, float(size)
    steps = np.zeros((_LINES, columns))
    inner = max(0, columns - size)
    for first in range(begin, end, _LINES):
        count = min(_LINES, end - first)
        for k in range(count):
            line, step = raster[first + k], steps[k]
            total = 0.0
            for i in range(-left, size - left):
                total += line[_mirrored(i, columns)]
            step[0] = total
            for c in range(1, min(left + 1, columns)):
                entering = line[_mirrored(c + size - left - 1, columns)]
                step[c] = entering - line[_mirrored(c - left - 1, columns)]
            enters, leaves, to = line[size:], line[:inner], step[left + 1 :]
            for c in range(inner):
                to[c] = enters[c] - leaves[c]
            for c in range(left + 1 + inner, columns):
                entering = line[_mirrored(c + size - left - 1, columns)]
                step[c] = entering - line[_mirrored(c - left - 1, columns)]
        a = b = d = e = 0.0
        for c in range(columns):
            a += steps[0, c]
            b += steps[1, c]
            d += steps[2, c]
            e += steps[3, c]
            steps[0, c], steps[1, c], steps[2, c], steps[3, c] = a, b, d, e
        for k in range(count):
            line, sums = out[first + k], steps[k]
            for c in range(columns):
                line[c] = sums[c] / whole


@njit(nogil=True, cache=True, error_model="numpy")
def _highest(raster: Floats, size: int, begin: int, end: int, out: Floats) -> None:
    """Write the highest of the squares around some rows' cells."""
    rows, columns = raster.shape
    left = size // 2
    # With what lies beyond the edge, on both sides.
    line = np.empty(columns + size - 1)
    inner = line[left : left + columns]
    for r in range(begin, end):
        for i in range(-left, size - left):
            other = raster[_mirrored(r + i, rows)]
            if i == -left:
                for c in range(columns):
                    inner[c] = other[c]
            else:
                for c in range(columns):
                    inner[c] = max(inner[c], other[c])
        for c in range(left):
            line[c] = inner[_mirrored(c - left, columns)]
        for c in range(left + columns, len(line)):
            line[c] = inner[_mirrored(c - left, columns)]
        best = out[r]
        for c in range(columns):
            best[c] = line[c]
        for i in range(1, size):
            shifted = line[i : i + columns]
            for c in range(columns):
                best[c] = max(best[c], shifted[c])


def _by_lines(along: Callable[..., Any], raster: NDArray[Any], size: int, threads: int) -> NDArray[Any]:
    """Filter along columns, then along rows; lines know nothing of each other."""
    half, whole = np.empty_like(raster), np.empty_like(raster)
    rows, columns = raster.shape

    def up(part: slice) -> None:
        along(raster[:, part], size, axis=0, output=half[:, part])

    def across(part: slice) -> None:
        along(half[part], size, axis=1, output=whole[part])

    cells = max(1, -(-raster.size // max(threads, 1)))
    in_strips(up, (columns, rows), threads, cells=cells)
    in_strips(across, (rows, columns), threads, cells=cells)
    return whole


def box_mean(raster: NDArray[np.float64], size: int, *, threads: int = 1) -> NDArray[np.float64]:
    """Return the mean over the square around each cell: ``scipy.ndimage.uniform_filter``.

    Parameters
    ----------
    raster : ndarray of float64, shape (rows, columns)
        Mirrored beyond its edge.
    size : int
        Side of the square, cells.
    threads : int
        Threads to use; the result doesn't depend on them.

    Examples
    --------
    >>> box_mean(np.array([[0.0, 3.0, 0.0]]), 3)
    array([[1., 1., 1.]])
    """
    if not COMPILED:
        return _by_lines(ndimage.uniform_filter1d, raster, size, threads)
    raster = np.ascontiguousarray(raster)
    half, whole = np.empty_like(raster), np.empty_like(raster)
    rows, columns = raster.shape
    cells = max(1, -(-raster.size // max(threads, 1)))
    if raster.size:
        in_strips(
            lambda part: _mean_up(raster, size, part.start, part.stop, half),
            (columns, rows),
            threads,
            cells=cells,
        )
        in_strips(
            lambda part: _mean_across(half, size, part.start, part.stop, whole), (rows, columns), threads
        )
    return whole


def box_highest(raster: NDArray[np.float64], size: int, *, threads: int = 1) -> NDArray[np.float64]:
    """Return the highest value of the square around each cell: ``scipy.ndimage.maximum_filter``.

    Parameters
    ----------
    raster : ndarray of float64, shape (rows, columns)
        Mirrored beyond its edge; no NaN.
    size : int
        Side of the square, cells.
    threads : int
        Threads to use; the result doesn't depend on them.

    Examples
    --------
    >>> box_highest(np.array([[0.0, 3.0, 0.0, 0.0]]), 3)
    array([[3., 3., 3., 0.]])
    """
    if not COMPILED:
        return _by_lines(ndimage.maximum_filter1d, raster, size, threads)
    raster = np.ascontiguousarray(raster)
    result = np.empty_like(raster)
    in_strips(
        lambda part: _highest(raster, size, part.start, part.stop, result),
        (raster.shape[0], raster.shape[1]),
        threads,
    )
    return result
