"""Means and maxima over squares, to the bits of ``scipy.ndimage``, with lines shared among threads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


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
    return _by_lines(ndimage.uniform_filter1d, raster, size, threads)


def box_highest(raster: NDArray[Any], size: int, *, threads: int = 1) -> NDArray[Any]:
    """Return the highest value of the square around each cell: ``scipy.ndimage.maximum_filter``.

    Parameters
    ----------
    raster : ndarray, shape (rows, columns)
        Mirrored beyond its edge.
    size : int
        Side of the square, cells.
    threads : int
        Threads to use; the result doesn't depend on them.

    Examples
    --------
    >>> box_highest(np.array([[0.0, 3.0, 0.0, 0.0]]), 3)
    array([[3., 3., 3., 0.]])
    """
    return _by_lines(ndimage.maximum_filter1d, raster, size, threads)
