"""Clusters of points across blocks: what each block says of its share, and how the shares become one.

A cell of the linking lattice holds points of one cluster only, so a cell that two blocks both name ties their
local clusters together. Small clusters come with figures of all their cells; of huge ones only the range of
heights in coarse columns is kept.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import scipy  # its parts are loaded when they are first used

from cloudprep.kernels.components import cell_edge, linked_cells
from cloudprep.kernels.components_cells import cell_names, columns_in_plan, points_beneath, summed_columns
from cloudprep.kernels.sorting import sorted_order
from cloudprep.model.bounds import EVERYWHERE
from cloudprep.stages.noise._neighbour_distances import distance_to_edge
from cloudprep.stages.noise._usable import usable

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

    from cloudprep.model.points import Points
    from cloudprep.stages.base import Context

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# A cluster of more cells is never noise, and its cells are not carried along.
HUGE = 50_000
# Other blocks' buffers end at the gap, but for rounding.
_SAFE = 1.001
# So many cells lower lies clearly below: farther than the gap.
_BENEATH_CELLS = 3
# Columns are at least so wide, m: wide enough to hold a pulse at the lowest densities flown.
_COLUMN = 2.0
_MOST_KEYS = 2**62
# A table of all columns is made where it has no more than so many for each cell, or no more than this.
_DENSE = 16
_DENSE_LEAST = 1_000_000


class Cells(NamedTuple):
    """Occupied cells of clusters that are not huge; ``beneath``: how many points lie clearly below each."""

    name: Integers
    cluster: Integers
    points: Integers
    sums: Integers
    lowest: Floats
    highest: Floats
    beneath: Integers

    def take(self, rows: NDArray[np.bool_] | Integers) -> Cells:
        """Return some of the cells."""
        rows = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        return Cells._make(values[rows] for values in self)


class Columns(NamedTuple):
    """What lies in coarse columns: x and y in whole columns, number of points, lowest and highest, m."""

    x: Integers
    y: Integers
    points: Integers
    lowest: Floats
    highest: Floats


class Share(NamedTuple):
    """What one block knows of the clusters; its local clusters are numbered from 0.

    Parameters
    ----------
    huge : ndarray of bool, shape (k,)
        Which local clusters are huge already here.
    seam_name, seam_cluster : ndarray of int64, shape (s,)
        Cells that other blocks may see too, and their local clusters.
    cells : Cells
        Cells of the local clusters that are not huge.
    columns : Columns
        Where huge clusters are.
    """

    huge: NDArray[np.bool_]
    seam_name: Integers
    seam_cluster: Integers
    cells: Cells
    columns: Columns


class Clusters(NamedTuple):
    """Clusters of the whole site that are not huge, and where the huge ones are.

    Parameters
    ----------
    cells : Cells
        Their cells, in the order of the names.
    total : int
        Number of clusters.
    columns : Columns
        Where the huge ones are.
    edge : float
        Edge of a cell, m.
    """

    cells: Cells
    total: int
    columns: Columns
    edge: float


def column_cells(edge: float) -> int:
    """Return how many cells (of an edge in m) make up the width of a column."""
    return math.ceil(_COLUMN / edge)


def share_of_block(points: Points, context: Context, gap: float) -> tuple[Share, Integers]:
    """Return what a block knows of the clusters, and for each point the name of its cell (-1: not usable).

    Parameters
    ----------
    points : Points
        The block and a buffer of the gap.
    context : Context
        What surrounds them.
    gap : float
        Longest step inside a cluster, m.
    """
    given = np.flatnonzero(usable(points))
    every = len(given) == len(points)
    x, y, z = (points[axis] if every else points[axis][given] for axis in "xyz")
    core = context.core[given]
    linked = linked_cells(x, y, z, gap, core)
    edge = cell_edge(gap)
    names = cell_names(linked.place)
    figures = linked.figures
    own = figures.points > 0
    # Clusters of the buffer alone are other blocks' business.
    has_core = np.zeros(linked.total, bool)
    has_core[linked.component[own]] = True
    mine = has_core[linked.component]
    cluster = (np.cumsum(has_core) - 1)[linked.component].astype(np.int64)
    huge = np.bincount(cluster[own], minlength=int(has_core.sum())) > HUGE

    seam = np.zeros(len(names), bool)
    if context.block != EVERYWHERE:
        at_edge = distance_to_edge(x, y, context.block) <= gap * _SAFE
        seam[linked.cell_of_point[np.flatnonzero(at_edge | ~core)]] = True
        seam &= mine
    small, large = own.copy(), own.copy()
    small[own] = ~huge[cluster[own]]
    large[own] = huge[cluster[own]]
    # Any of them may be asked about; the whole column of a core point's cell lies within the buffer.
    held = np.diff(linked.starts)
    beneath = points_beneath(linked.place, held, small, linked.by_column, _BENEATH_CELLS)
    cells = Cells(names, cluster, *figures, beneath)
    name_of_point = names[linked.cell_of_point]
    if not every:
        name_of_point = np.full(len(points), -1, np.int64)
        name_of_point[given] = names[linked.cell_of_point]
    columns = columns_of(cells, edge, large)
    return Share(huge, names[seam], cluster[seam], cells.take(small), columns), name_of_point


def columns_of(cells: Cells, edge: float, taken: NDArray[np.bool_] | None = None) -> Columns:
    """Return the columns that cells (of an edge in m) fall into; of all cells, or of those taken."""
    rows = np.arange(len(cells.name)) if taken is None else np.flatnonzero(taken)
    x, y = columns_in_plan(cells.name, rows, column_cells(edge))
    points, lowest, highest = cells.points[rows], cells.lowest[rows], cells.highest[rows]
    return joined_columns([Columns(x, y, points, lowest, highest)])


def joined_columns(parts: Sequence[Columns]) -> Columns:
    """Return the columns of several shares as one, in the order of (y, x)."""
    every = parts[0]
    if len(parts) > 1:
        every = Columns._make(np.concatenate(values) for values in zip(*parts, strict=True))
    if len(every.x) == 0:
        return every
    first_x, first_y = int(every.x.min()), int(every.y.min())
    x, y = every.x - first_x, every.y - first_y
    span, height = int(x.max()) + 1, int(y.max()) + 1
    if span * height <= max(_DENSE * len(x), _DENSE_LEAST):
        total = summed_columns(y * span + x, span * height, every.points, every.lowest, every.highest)
        row, column = np.divmod(total.key, span)
        return Columns(column + first_x, row + first_y, total.points, total.lowest, total.highest)
    # A site is small enough for keys; stray places may not be.
    order = sorted_order(y * span + x) if height <= _MOST_KEYS // span else np.lexsort((x, y))
    every = Columns._make(values[order] for values in every)
    starts = np.flatnonzero(np.r_[True, (np.diff(every.x) != 0) | (np.diff(every.y) != 0)])
    return Columns(
        every.x[starts],
        every.y[starts],
        np.add.reduceat(every.points, starts),
        np.minimum.reduceat(every.lowest, starts),
        np.maximum.reduceat(every.highest, starts),
    )


def joined_clusters(shares: Sequence[Share], gap: float) -> Clusters:
    """Return the clusters of the whole site from the blocks' shares.

    Parameters
    ----------
    shares : sequence of Share
        At least one; their order does not matter.
    gap : float
        Longest step inside a cluster, m.
    """
    first = [0, *np.cumsum([len(s.huge) for s in shares]).tolist()]
    cluster, total = _tied_together(shares, first)
    edge = cell_edge(gap)
    huge = _surely_huge(shares, cluster, first, total)
    # Small blocks know none of the ground as huge: its cells become columns before anything is joined.
    columns = [s.columns for s in shares]
    columns += [
        columns_of(s.cells, edge, huge[cluster[s.cells.cluster + f]])
        for s, f in zip(shares, first, strict=False)
    ]
    cells = _joined_cells(shares, cluster, first, huge)
    more = np.bincount(cells.cluster, minlength=total) > HUGE
    columns.append(columns_of(cells, edge, more[cells.cluster]))
    cells = cells.take(~more[cells.cluster])
    # Numbered by their first cells, so that nothing tells how the site was cut.
    _, place, number = np.unique(cells.cluster, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(place))
    return Clusters(cells._replace(cluster=rank[number]), len(place), joined_columns(columns), edge)


def _surely_huge(
    shares: Sequence[Share], cluster: Integers, first: Sequence[int], total: int
) -> NDArray[np.bool_]:
    """Return which clusters are huge by what is known before their cells are joined, shape (total,)."""
    cells = np.zeros(total, np.int64)
    for share, f in zip(shares, first, strict=False):
        cells += np.bincount(cluster[share.cells.cluster + f], minlength=total)
        # Of what several blocks may have counted, nothing.
        cells -= np.bincount(cluster[share.seam_cluster + f], minlength=total)
    huge = cells > HUGE
    huge[cluster[np.concatenate([s.huge for s in shares])]] = True
    return np.asarray(huge)


def _tied_together(shares: Sequence[Share], first: Sequence[int]) -> tuple[Integers, int]:
    """Return the cluster of every local cluster, and their number: equal names on seams tie."""
    if first[-1] == 0:
        return np.empty(0, np.int64), 0
    name = np.concatenate([s.seam_name for s in shares])
    local = np.concatenate([s.seam_cluster + f for s, f in zip(shares, first[:-1], strict=True)])
    order = np.argsort(name, kind="stable")
    same = np.flatnonzero(np.diff(name[order]) == 0)
    a, b = local[order[same]], local[order[same + 1]]
    if not len(same):
        return np.arange(first[-1], dtype=np.int64), int(first[-1])
    graph = scipy.sparse.coo_matrix((np.ones(len(a), np.int8), (a, b)), shape=(first[-1], first[-1]))
    total, cluster = scipy.sparse.csgraph.connected_components(graph, directed=False)
    return cluster.astype(np.int64), int(total)


def _joined_cells(
    shares: Sequence[Share], cluster: Integers, first: Sequence[int], but: NDArray[np.bool_]
) -> Cells:
    """Return the cells of several shares as one, in the order of their names, without those of some clusters.

    Their clusters are those of the site. One figure comes after the other: all of them at once are the most
    that the clusters of a site take.
    """
    rows = [~but[cluster[s.cells.cluster + f]] for s, f in zip(shares, first, strict=False)]
    name = np.concatenate([s.cells.name[row] for s, row in zip(shares, rows, strict=True)])
    order = np.argsort(name, kind="stable")
    name = name[order]
    starts = np.flatnonzero(np.diff(name, prepend=name[:1] - 1) != 0)

    def ordered(field: str) -> NDArray[Any]:
        values = [getattr(s.cells, field)[row] for s, row in zip(shares, rows, strict=True)]
        if field == "cluster":
            values = [cluster[own + f] for own, f in zip(values, first, strict=False)]
        return np.concatenate(values)[order]

    def joined(field: str, how: np.ufunc) -> NDArray[Any]:
        values = ordered(field)
        return how.reduceat(values, starts) if len(starts) else values

    return Cells(
        name[starts],
        ordered("cluster")[starts],
        joined("points", np.add),
        joined("sums", np.add),
        joined("lowest", np.minimum),
        joined("highest", np.maximum),
        joined("beneath", np.maximum),
    )
