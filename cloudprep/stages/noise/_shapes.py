"""Figures of clusters: sizes and shapes, from their cells."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.components_cells import named_places
from cloudprep.kernels.few_sorted import ranked
from cloudprep.kernels.neighbours_search import nearest_rows
from cloudprep.kernels.neighbours_shape import deviations_of_groups
from cloudprep.kernels.neighbours_tree import build_tree

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.stages.noise._clusters import Cells

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Mask = NDArray[np.bool_]

# A line: at least so long (m), so many times longer than the standard deviation across it, and in plan no
# wider than this (standard deviation, m). Wires sag: upwards a long one may spread far.
_LINE_LENGTH = 8.0
_LINE_SLENDER = 12.0
_LINE_WIDTH = 0.75

# A cell lies smoothly where its neighbours' middles lie about a plane: their standard deviation from it is at
# most this share of a cell plus this (m), in all no more than this (m); and they do spread along the plane.
_SMOOTH_NEIGHBOURS = 10
_SMOOTH_LEAST = 7
_SMOOTH_CELLS = 0.12
_SMOOTH_METRES = 0.02
_SMOOTH_MOST = 0.25
_SMOOTH_FLATNESS = 2.5
_SMOOTH_SPREAD = 0.3


class Grouping:
    """Puts figures of cells together by cluster.

    Parameters
    ----------
    cluster : ndarray of int64, shape (m,)
        The cluster of each cell, numbered from 0; none is empty.
    total : int
        Number of clusters.
    """

    def __init__(self, cluster: Integers, total: int) -> None:
        self.cluster = cluster
        self.total = total
        self.cells = np.bincount(cluster, minlength=total)
        self._order = np.argsort(cluster, kind="stable")
        self._starts = np.concatenate([[0], np.cumsum(self.cells)[:-1]])

    def sum_of(self, values: Floats | Integers | Mask) -> Floats:
        """Return sums over the cells of each cluster."""
        return np.bincount(self.cluster, weights=values, minlength=self.total).astype(np.float64)

    def share_of(self, mask: Mask) -> Floats:
        """Return the share of each cluster's cells that a mask holds."""
        share: Floats = self.sum_of(mask) / self.cells
        return share

    def largest_of(self, values: Floats) -> Floats:
        """Return the largest value of each cluster."""
        largest: Floats = np.maximum.reduceat(values[self._order], self._starts)
        return largest

    def extent_of(self, low: Floats, high: Floats) -> Floats:
        """Return the largest of some values less the smallest of others."""
        extent: Floats = self.largest_of(high) + self.largest_of(-low)
        return extent

    def quantile_of(self, values: Floats, share: float) -> Floats:
        """Return the value at a share of each cluster's cells."""
        return ranked(
            values[self._order], self._starts, self.cells, (share * (self.cells - 1)).astype(np.int64)
        )


class Shapes(NamedTuple):
    """Figures of each cluster.

    Parameters
    ----------
    points : ndarray of float64, shape (k,)
        Number of points.
    width, depth : ndarray of float64, shape (k,)
        Extent along x or y, whichever is larger, and upwards, m.
    area : ndarray of float64, shape (k,)
        Area of the cells in plan, m2.
    line : ndarray of bool, shape (k,)
        Whether the cluster as a whole is long and thin.
    compact : ndarray of float64, shape (k,)
        Standard deviation across the cluster in plan, as a share of that along it.
    thickness : ndarray of float64, shape (k,)
        Standard deviation across the cluster's longest axis, as a share of its length along it.
    """

    points: Floats
    width: Floats
    depth: Floats
    area: Floats
    line: Mask
    compact: Floats
    thickness: Floats


def shapes_of(cells: Cells, at: Floats, group: Grouping, edge: float) -> Shapes:
    """Return figures of clusters.

    Parameters
    ----------
    cells : Cells
        The cells.
    at : ndarray of float64, shape (m, 3)
        Mean place of the points of each cell, m.
    group : Grouping
        The cells' clusters.
    edge : float
        Edge of a cell, m.
    """
    mean = np.stack([group.sum_of(values) / group.cells for values in at.T], axis=1)
    off = at - mean[group.cluster]
    spread = np.empty((group.total, 3, 3))
    for i in range(3):
        for j in range(3):
            spread[:, i, j] = group.sum_of(off[:, i] * off[:, j]) / group.cells
    variances, axes = np.linalg.eigh(spread)
    along = (off * axes[group.cluster, :, 2]).sum(axis=1)
    length = group.extent_of(along, along)
    across = np.sqrt(np.maximum(variances[:, 1], 0.0))
    in_plan, along_plan = np.sqrt(np.maximum(np.linalg.eigvalsh(spread[:, :2, :2]), 0.0)).T
    thin = (across <= length / _LINE_SLENDER) & (in_plan <= _LINE_WIDTH)
    x, y, _ = at.T
    return Shapes(
        group.sum_of(cells.points),
        np.maximum(group.extent_of(x, x), group.extent_of(y, y)),
        group.extent_of(cells.lowest, cells.highest),
        _areas(cells, group.total) * edge**2,
        (length >= _LINE_LENGTH) & (group.cells >= 4) & thin,
        in_plan / np.maximum(along_plan, 1e-9),
        across / np.maximum(length, 1e-9),
    )


def _areas(cells: Cells, total: int) -> Floats:
    """Return how many cells each cluster covers in plan."""
    x, y, _ = named_places(cells.name).T
    order = np.lexsort((x, y, cells.cluster))
    covered = np.stack([cells.cluster[order], x[order], y[order]])
    first = np.r_[True, (np.diff(covered, axis=1) != 0).any(axis=0)]
    return np.bincount(covered[0][first], minlength=total).astype(np.float64)


def inner_cells(cells: Cells) -> Mask:
    """Return which cells have others of their cluster on all four sides in plan, at any height."""
    x, y, _ = named_places(cells.name).T
    if len(x) == 0:
        return np.zeros(0, np.bool_)
    columns, column = np.unique((y << 32) + x, return_inverse=True)
    places = np.unique(cells.cluster * len(columns) + column)
    inner = np.ones(len(x), np.bool_)
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        key = ((y + dy) << 32) + x + dx
        beside = np.minimum(np.searchsorted(columns, key), len(columns) - 1)
        place = cells.cluster * len(columns) + beside
        found = places[np.minimum(np.searchsorted(places, place), len(places) - 1)] == place
        inner &= found & (columns[beside] == key)
    return inner


def smooth_cells(at: Floats, cluster: Integers, edge: float) -> Mask:
    """Return which cells lie smoothly among the cells of their cluster, as on a surface.

    Parameters
    ----------
    at : ndarray of float64, shape (m, 3)
        Mean place of the points of each cell, m.
    cluster : ndarray of int64, shape (m,)
        The cluster of each cell.
    edge : float
        Edge of a cell, m.
    """
    if len(at) == 0:
        return np.zeros(0, np.bool_)
    x, y, z = at.T.copy()
    near = nearest_rows(build_tree(x, y, z), x, y, z, _SMOOTH_NEIGHBOURS, 6 * edge)
    thin, wide, count = deviations_of_groups(x, y, z, near, cluster)
    limit = min(_SMOOTH_CELLS * edge + _SMOOTH_METRES, _SMOOTH_MOST)
    flat = (thin <= limit) & (wide > _SMOOTH_FLATNESS * thin) & (wide > _SMOOTH_SPREAD * edge)
    smooth: Mask = (count >= _SMOOTH_LEAST) & flat
    return smooth
