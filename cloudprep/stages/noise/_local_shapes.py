"""What the neighbours of a block's points look like, wherever in the site these neighbours are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.neighbours_search import nearest_distances, rows_within
from cloudprep.kernels.neighbours_shape import neighbour_shapes, put_shapes, shapes_of_lists
from cloudprep.kernels.neighbours_tree import build_tree
from cloudprep.model.bounds import EVERYWHERE
from cloudprep.stages.noise._neighbour_distances import (
    SAFE,
    distance_to_edge,
    means,
    searched_beyond,
)
from cloudprep.stages.noise._usable import usable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.neighbours_shape import Shapes
    from cloudprep.kernels.neighbours_tree import Tree
    from cloudprep.model.points import Points
    from cloudprep.stages.base import Context

    Floats = NDArray[np.float64]
    Shares = dict[str, NDArray[np.float32]]

NEIGHBOURS = 10
SHAPE_COLUMNS = ("neighbour_distance", "roughness", "extent", "normal_x", "normal_y", "normal_z")
# A point so many times the roughness off its neighbours' plane makes the place as rough as if it were theirs.
_OWN = 3.0


def has_shapes(points: Points) -> bool:
    """Tell whether an earlier stage worked the shapes out already."""
    return all(name in points for name in SHAPE_COLUMNS)


def local_shapes(points: Points, context: Context, k: int = NEIGHBOURS) -> Shares:
    """Return the working columns of shape for the usable points of the block; NaN at all others.

    The neighbours are those in the whole cloud: where the k-th is farther away than the edge of what the
    block was given, the site beyond is searched too.

    Parameters
    ----------
    points : Points
        The block and its buffer.
    context : Context
        What surrounds them.
    k : int
        Number of neighbours.

    Returns
    -------
    dict of str to ndarray of float32, shape (n,)
        By the names of the columns. Where a point has no other, the distance is NaN and all else 0.
    """
    given = np.flatnonzero(usable(points))
    core = context.core[given]
    columns = np.empty((len(SHAPE_COLUMNS), len(points)), np.float32)
    if not core.all() or len(given) < len(points):
        columns[:] = np.nan
    if core.any():
        x, y, z = (points[axis][given] for axis in "xyz")
        tree = build_tree(x, y, z, threads=context.threads)
        shapes, kth = neighbour_shapes(x, y, z, k, threads=context.threads, queries=core, tree=tree)
        put_shapes(shapes, _OWN, np.where(core, given, -1), columns)
        if context.buffered != EVERYWHERE:
            inside = distance_to_edge(x, y, context.buffered)
            open_ends = np.flatnonzero(core & ((kth * SAFE > inside) | (len(given) <= k)))
            if len(open_ends):
                at = np.stack([x[open_ends], y[open_ends], z[open_ends]])
                shapes = _shapes_beyond(at, tree, (x, y, z), context, k)
                put_shapes(shapes, _OWN, given[open_ends], columns)
    return dict(zip(SHAPE_COLUMNS, columns, strict=True))


def _shapes_beyond(
    at: Floats, tree: Tree, given: tuple[Floats, Floats, Floats], context: Context, k: int
) -> Shapes:
    """Return the shapes at positions whose neighbours may lie beyond the buffer."""
    nearest = nearest_distances(tree, at[0], at[1], at[2], k + 1)[:, 1:]
    nearest, searched = searched_beyond(at, nearest, context)
    # The whole site may hold fewer than k others.
    count = np.isfinite(nearest).sum(axis=1)
    limit = np.where(count > 0, nearest[np.arange(len(count)), np.maximum(count - 1, 0)], np.inf)
    search = np.where(np.isfinite(limit), limit * SAFE * SAFE, 0.0)
    starts, rows = rows_within(tree, at[0], at[1], at[2], search)
    of = [np.repeat(np.arange(len(limit)), np.diff(starts))]
    lists = [[values[rows]] for values in given]
    for beyond in searched:
        px, py, pz = at[:, beyond.rows]
        starts, found = rows_within(beyond.tree, px, py, pz, search[beyond.rows])
        of.append(np.repeat(beyond.rows, np.diff(starts)))
        for values, new in zip(lists, (beyond.x, beyond.y, beyond.z), strict=True):
            values.append(new[found])
    whose = np.concatenate(of)
    order = np.argsort(whose, kind="stable")
    x, y, z = (np.concatenate(values)[order] for values in lists)
    return shapes_of_lists(at, whose[order], x, y, z, limit, means(nearest))
