"""Points thinned to the means of small cells, whatever order they come in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def cube_means(points: Floats, counts: Floats, side: float) -> tuple[Floats, Floats]:
    """Return the mean of the points in every cube of a lattice.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
        m.
    counts : ndarray of float64, shape (n,)
        How many points each stands for.
    side : float
        Of the cubes, whose edges lie on whole multiples of it, m.

    Returns
    -------
    means : ndarray of float64, shape (m, 3)
        In the order of the cubes.
    counts : ndarray of float64, shape (m,)
    """
    if not len(points):
        return points.copy(), counts.copy()
    return _means(points, counts, _numbers(np.floor(points / side).astype(np.int64)))


def column_means(points: Floats, counts: Floats, side: float, tallest: float) -> tuple[Floats, Floats]:
    """Return the mean of the points in every square of a lattice; tall squares are cut into cubes.

    Cubes alone would cut level ground in two wherever its height meets an edge of theirs, and the noise with
    it: both halves then lie off the ground. Where a square's points reach higher than ``tallest`` the surface
    is steep, and a level cut runs along it and does no harm.

    Parameters
    ----------
    points, counts, side
        As for :func:`cube_means`.
    tallest : float
        m.
    """
    if not len(points):
        return points.copy(), counts.copy()
    cells = np.floor(points / side).astype(np.int64)
    column = _numbers(cells[:, :2])
    low, high = np.full(column.max() + 1, np.inf), np.full(column.max() + 1, -np.inf)
    np.minimum.at(low, column, points[:, 2])
    np.maximum.at(high, column, points[:, 2])
    level = np.where((high - low > tallest)[column], cells[:, 2] - cells[:, 2].min() + 1, 0)
    return _means(points, counts, _numbers(np.stack([column, level], axis=1)))


def _numbers(cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the number of each row among the distinct rows, in their order."""
    low, high = cells.min(axis=0), cells.max(axis=0)
    key = np.zeros(len(cells), np.int64)
    for axis in range(cells.shape[1]):
        key = key * int(high[axis] - low[axis] + 1) + (cells[:, axis] - low[axis])
    found: NDArray[np.int64] = np.unique(key, return_inverse=True)[1].reshape(-1)
    return found


def _means(points: Floats, counts: Floats, number: NDArray[np.int64]) -> tuple[Floats, Floats]:
    total = np.bincount(number, counts).astype(np.float64)
    means = [np.bincount(number, counts * points[:, axis]) / total for axis in range(3)]
    return np.stack(means, axis=1), total
