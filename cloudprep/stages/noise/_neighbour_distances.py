"""Distances to the nearest neighbours in the whole cloud, for the points of one block."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.neighbours import mean_neighbour_distance
from cloudprep.kernels.neighbours_search import nearest_distances
from cloudprep.kernels.neighbours_tree import build_tree
from cloudprep.model.bounds import EVERYWHERE, Bounds
from cloudprep.stages.noise._usable import usable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.neighbours_tree import Tree
    from cloudprep.model.points import Points
    from cloudprep.stages.base import Context

    Floats = NDArray[np.float64]
    Rows = NDArray[np.int64]


# Distances are rounded; a comparison that saves a search allows for it.
SAFE = 1.0 + 1e-12


def mean_distances(points: Points, context: Context, k: int) -> Floats:
    """Return the mean distance (m) from each usable point of the block to its k nearest usable points.

    The neighbours are those in the whole cloud. Where the k-th lies no farther away than the edge of what the
    block was given, it can only be the right one; for the others the site beyond that edge is searched, the
    nearest parts first, and only as far as each point needs it.

    Parameters
    ----------
    points : Points
        The block and its buffer.
    context : Context
        What surrounds them.
    k : int
        Number of neighbours; where the whole cloud has fewer, all of them are taken.

    Returns
    -------
    ndarray of float64, shape (n,)
        Mean distances; NaN at points of the buffer, at points that are not usable, and where the cloud has no
        other usable point.
    """
    result = np.full(len(points), np.nan)
    given = np.flatnonzero(usable(points))
    core = context.core[given]
    if not core.any():
        return result
    x, y, z = (points[axis][given] for axis in "xyz")
    tree = build_tree(x, y, z, threads=context.threads)
    mean, kth = mean_neighbour_distance(x, y, z, k, threads=context.threads, queries=core, tree=tree)
    if context.buffered != EVERYWHERE:
        inside = distance_to_edge(x, y, context.buffered)
        open_ends = np.flatnonzero(core & ((kth * SAFE > inside) | (len(given) <= k)))
        if len(open_ends):
            at = np.stack([x[open_ends], y[open_ends], z[open_ends]])
            nearest = nearest_distances(tree, at[0], at[1], at[2], k + 1)[:, 1:]
            mean[open_ends] = means(searched_beyond(at, nearest, context)[0])
    mean[np.isinf(mean)] = np.nan
    result[given] = np.where(core, mean, np.nan)
    return result


def distance_to_edge(x: Floats, y: Floats, bounds: Bounds) -> Floats:
    """Return how far inside a rectangle points lie."""
    nearest: Floats = np.minimum(x - bounds.x0, bounds.x1 - x)
    np.minimum(nearest, y - bounds.y0, out=nearest)
    np.minimum(nearest, bounds.y1 - y, out=nearest)
    return nearest


def means(squared: Floats) -> Floats:
    """Return means of ascending squared distances, added in the same order as the block's own."""
    total = np.zeros(len(squared))
    count = np.zeros(len(squared))
    for column in squared.T:
        there = np.isfinite(column)
        total[there] += np.sqrt(column[there])
        count += there
    means = np.full(len(squared), np.inf)
    np.divide(total, count, out=means, where=count > 0)
    return means


class Beyond(NamedTuple):
    """Points of the site beyond the buffer that were searched for the neighbours of some positions.

    Parameters
    ----------
    rows : ndarray of int64, shape (m,)
        The positions.
    x, y, z : ndarray of float64, shape (n,)
        The points, m.
    tree : Tree
        Of these points.
    """

    rows: Rows
    x: Floats
    y: Floats
    z: Floats
    tree: Tree


def searched_beyond(at: Floats, nearest: Floats, context: Context) -> tuple[Floats, list[Beyond]]:
    """Return squared distances to the nearest points of the whole site, and what was searched for them.

    All points beyond the buffer that lie as near to a position as the last of its distances are among those
    that were searched for it, each once.

    Parameters
    ----------
    at : ndarray of float64, shape (3, m)
        Positions.
    nearest : ndarray of float64, shape (m, k)
        Squared distances, ascending, to the nearest among the points that the block was given.
    context : Context
        Block, buffer and the way to the rest of the site.
    """
    nearest = nearest.copy()
    # Points that need to look equally far are searched together, so that one that looks far (it may be alone
    # over a lake) doesn't make the others fetch much. Only the last distance matters for how far to look.
    with np.errstate(divide="ignore"):
        size = np.ceil(np.log2(nearest[:, -1]) / 2)
    parts = parts_by_distance(context)
    searched: list[Beyond] = []
    for value in np.unique(size):
        searched += _search_together(at, nearest, np.flatnonzero(size == value), context, parts)
    return nearest, searched


def _search_together(
    at: Floats, nearest: Floats, rows: Rows, context: Context, parts: list[tuple[Bounds, float]]
) -> list[Beyond]:
    """Improve the nearest distances of some points by the site beyond the buffer, part after part."""
    k = nearest.shape[1]
    searched = []
    for part, distance in parts:
        farthest = np.sqrt(nearest[rows, -1]) * SAFE
        if distance > farthest.max():
            break
        needing = rows[distance_to(at[0, rows], at[1, rows], part) <= farthest]
        if len(needing) == 0:
            continue
        x, y, z = points_beyond(at, needing, math.sqrt(nearest[needing, -1].max()) * SAFE, part, context)
        if len(x) == 0:
            continue
        tree = build_tree(x, y, z)
        more = nearest_distances(tree, at[0, needing], at[1, needing], at[2, needing], k)
        nearest[needing] = np.sort(np.concatenate([nearest[needing], more], axis=1), axis=1)[:, :k]
        searched.append(Beyond(needing, x, y, z, tree))
    return searched


def points_beyond(
    at: Floats, needing: Rows, reach: float, part: Bounds, context: Context
) -> tuple[Floats, Floats, Floats]:
    """Return usable points of a part, outside the buffer, within reach (m) of the box around positions."""
    wanted = Bounds(
        max(part.x0, at[0, needing].min() - reach),
        max(part.y0, at[1, needing].min() - reach),
        min(part.x1, at[0, needing].max() + reach),
        min(part.y1, at[1, needing].max() + reach),
    )
    found = context.fetch(wanted)
    x, y = found["x"], found["y"]
    known = context.buffered
    new = usable(found) & ~((x >= known.x0) & (x < known.x1) & (y >= known.y0) & (y < known.y1))
    return x[new], y[new], found["z"][new]


def distance_to(x: Floats, y: Floats, part: Bounds) -> Floats:
    """Return horizontal distances to a rectangle; no point of it is nearer."""
    dx = np.maximum(np.maximum(part.x0 - x, x - part.x1), 0.0)
    dy = np.maximum(np.maximum(part.y0 - y, y - part.y1), 0.0)
    return np.maximum(dx, dy)


def parts_by_distance(context: Context) -> list[tuple[Bounds, float]]:
    """Return parts that cover the plane around the block, nearest first, with their distance from the block.

    Parts are as large as the block, out to the edges of the site; four half planes hold what lies beyond.
    """
    block, site = context.block, context.site.bounds
    columns = range(
        min(0, math.floor((site.x0 - block.x0) / block.width)),
        max(0, math.floor((site.x1 - block.x0) / block.width)) + 1,
    )
    rows = range(
        min(0, math.floor((site.y0 - block.y0) / block.height)),
        max(0, math.floor((site.y1 - block.y0) / block.height)) + 1,
    )
    x = {c: block.x0 + c * block.width for c in [*columns, columns.stop]}
    y = {r: block.y0 + r * block.height for r in [*rows, rows.stop]}
    parts = [Bounds(x[c], y[r], x[c + 1], y[r + 1]) for c in columns for r in rows]
    left, right, bottom, top = x[columns.start], x[columns.stop], y[rows.start], y[rows.stop]
    parts.append(Bounds(-math.inf, -math.inf, left, math.inf))
    parts.append(Bounds(right, -math.inf, math.inf, math.inf))
    parts.append(Bounds(left, -math.inf, right, bottom))
    parts.append(Bounds(left, top, right, math.inf))

    def distance(part: Bounds) -> float:
        dx = max(part.x0 - block.x1, block.x0 - part.x1, 0.0)
        dy = max(part.y0 - block.y1, block.y0 - part.y1, 0.0)
        return max(dx, dy)

    return sorted(((part, distance(part)) for part in parts), key=lambda pair: (pair[1], pair[0]))
