"""Exact distances to the nearest neighbours of every point of a cloud.

A kd-tree with leaves of eight points is walked a whole leaf at a time: the eight points of a leaf are the
eight lanes of vector instructions, and every candidate met is offered to all of them at once.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.neighbours_keep import GROUP, keep_eight, squared_distances
from cloudprep.kernels.neighbours_tree import FAN, LEAF, build_tree
from cloudprep.kernels.plain import neighbours as plain
from cloudprep.kernels.simd import (
    below,
    larger,
    largest,
    load,
    lowest_bit,
    minus,
    plus,
    root,
    spread,
    squared,
    store,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.neighbours_tree import Tree

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]


# Leaves met on the way to the neighbours of a leaf, before those that have become too far are dropped.
ROOM = 512


def mean_neighbour_distance(
    x: Floats,
    y: Floats,
    z: Floats,
    k: int,
    *,
    threads: int = 1,
    queries: NDArray[np.bool_] | None = None,
    tree: Tree | None = None,
) -> tuple[Floats, Floats]:
    """Return the mean distance from each point to its k nearest other points, and the distance to the k-th.

    Other points at the same place count, at distance 0. Where there are fewer than k others, all of them are
    taken; a point without any other gets infinity.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, finite.
    k : int
        Number of neighbours, >= 1.
    threads : int
        Threads to use. The results do not depend on it, nor on the order of the points, to the bit: distances
        are added in ascending order.
    queries : ndarray of bool, shape (n,), optional
        The points to search for; all of them take part as neighbours. The others get NaN.
    tree : Tree, optional
        The tree of these points, where it is wanted for something else too.

    Returns
    -------
    mean, kth : ndarray of float64, shape (n,)
        Distances, m.

    Raises
    ------
    ValueError
        If k < 1, or a coordinate is not finite.

    References
    ----------
    J. H. Friedman, J. L. Bentley and R. A. Finkel, "An algorithm for finding best matches in logarithmic
    expected time", ACM Transactions on Mathematical Software 3 (1977).

    Examples
    --------
    >>> import numpy as np
    >>> mean, kth = mean_neighbour_distance(np.array([0.0, 3.0, 5.0]), np.zeros(3), np.zeros(3), 2)
    >>> mean.tolist(), kth.tolist()
    ([4.0, 2.5, 3.5], [5.0, 3.0, 5.0])
    """
    if k < 1:
        raise ValueError(f"k must be at least 1, got {k}")
    n = len(x)
    mean = np.full(n, np.inf)
    if queries is not None:
        mean[~queries] = np.nan
    kth = mean.copy()
    if n < 2:
        return mean, kth
    if tree is None:
        tree = build_tree(x, y, z, threads=threads)
    rows = min(k, n - 1) + 1
    if not COMPILED:
        wanted = np.ones(n, np.bool_) if queries is None else queries
        plain.mean_neighbour_distance(tree.points(), rows, wanted, mean, kth, threads)
        return mean, kth
    wanted = np.empty(0, np.bool_) if queries is None else queries
    # Many more runs than threads: their costs differ.
    cuts = np.linspace(0, len(tree.x) // LEAF, (32 * threads if threads > 1 else 1) + 1).astype(np.int64)

    def search(run: int) -> None:
        _search_leaves(*tree, rows, wanted, mean, kth, cuts[run], cuts[run + 1])

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(search, range(len(cuts) - 1)))
    return mean, kth


@njit(nogil=True, cache=True)
def _still_near(
    x: Floats, y: Floats, z: Floats, own: Floats, limit: Floats, met: Integers, count: int
) -> int:
    """Keep the leaves met that hold a point nearer than any lane's limit (squared); return how many."""
    kept = 0
    for j in range(count):
        leaf = met[j]
        near = 0
        for i in range(leaf * LEAF, leaf * LEAF + LEAF):
            near |= below(squared_distances(own, x[i], y[i], z[i]), limit)
        if near != 0:
            met[kept] = leaf
            kept += 1
    return kept


@njit(nogil=True, cache=True)
def _gap(low: Floats, high: Floats, other_low: Floats, other_high: Floats) -> Floats:
    """Return the distance between two intervals, lane by lane."""
    return larger(larger(minus(low, other_high), minus(other_low, high)), spread(0.0))


@njit(nogil=True, cache=True)
def _near_boxes(boxes: Floats, at: int, leaf: int, worst: float, distance: Floats) -> int:
    """Return a bit mask of the eight boxes from ``at`` on: which are nearer than ``worst`` to a leaf's box.

    Distances are squared; those of the eight boxes are written to ``distance``.
    """
    width = boxes.shape[1]
    dx = _gap(load(boxes, at), load(boxes, 3 * width + at), spread(boxes[0, leaf]), spread(boxes[3, leaf]))
    dy = _gap(
        load(boxes, width + at), load(boxes, 4 * width + at), spread(boxes[1, leaf]), spread(boxes[4, leaf])
    )
    dz = _gap(
        load(boxes, 2 * width + at),
        load(boxes, 5 * width + at),
        spread(boxes[2, leaf]),
        spread(boxes[5, leaf]),
    )
    d = plus(plus(squared(dx), squared(dy)), squared(dz))
    store(distance, 0, d)
    return below(d, spread(worst))


@njit(nogil=True, cache=True)
def _helps_any(own: Floats, best: Floats, last_row: int, boxes: Floats, box: int) -> bool:
    """Tell whether a box is near enough to give any of a leaf's points a nearer neighbour."""
    x = load(own, 0)
    y = load(own, 8)
    z = load(own, 16)
    dx = _gap(x, x, spread(boxes[0, box]), spread(boxes[3, box]))
    dy = _gap(y, y, spread(boxes[1, box]), spread(boxes[4, box]))
    dz = _gap(z, z, spread(boxes[2, box]), spread(boxes[5, box]))
    d = plus(plus(squared(dx), squared(dy)), squared(dz))
    return below(d, load(best, last_row * 8)) != 0


@njit(nogil=True, cache=True)
def visit_leaf(
    x: Floats,
    y: Floats,
    z: Floats,
    n: int,
    boxes: Floats,
    levels: Integers,
    leaf: int,
    rows: int,
    own: Floats,
    best: Floats,
    met: Integers,
    work: tuple[Floats, Integers, Integers, Floats],
) -> int:
    """Find the smallest squared distances of a leaf's points; return how many leaves are in ``met``.

    ``own`` gets the leaf's coordinates (8 x, 8 y, 8 z), ``best`` (see :func:`rows_held`) ascending rows of
    eight, the points themselves left out, and ``met`` leaves: all points that are nearer than the last of
    ``rows`` rows of a lane are in them. It needs room for more than eight times the rows, and eight more.
    """
    distance, stack_box, stack_level, stack_distance = work
    last_row = rows - 1
    deepest = levels.shape[0] - 2
    room = met.shape[0]
    start = leaf * LEAF
    for lane in range(8):
        i = min(start + lane, n - 1)
        own[lane] = x[i]
        own[8 + lane] = y[i]
        own[16 + lane] = z[i]
    for i in range(best.shape[0]):
        best[i] = np.inf
    keep_eight(x, y, z, start, own, best, last_row)
    # Each is its own nearest (or a coincident one is); without it, eight neighbours need eight rows.
    for at_row in range(GROUP - 1):
        store(best, at_row * 8, load(best, at_row * 8 + 8))
    store(best, (GROUP - 1) * 8, spread(np.inf))
    met[0] = leaf
    count = 1
    worst = largest(load(best, last_row * 8))
    # From the leaf upwards, the seven siblings at every level, those next in the tree first.
    node = leaf
    for level in range(deepest):
        family = node & ~7
        mask = _near_boxes(boxes, levels[level] + family, leaf, worst, distance)
        top = 0
        for step in range(7, 0, -1):
            child = (node & 7) ^ step
            if (mask >> child) & 1:
                stack_box[top] = family + child
                stack_level[top] = level
                stack_distance[top] = distance[child]
                top += 1
        while top > 0:
            top -= 1
            if stack_distance[top] >= worst:
                continue
            box = stack_box[top]
            at = stack_level[top]
            if not _helps_any(own, best, last_row, boxes, levels[at] + box):
                continue
            if at == 0:
                if not keep_eight(x, y, z, box * LEAF, own, best, last_row):
                    continue
                met[count] = box
                count += 1
                if count == room:
                    count = _still_near(x, y, z, own, load(best, last_row * 8), met, count)
                worst = largest(load(best, last_row * 8))
            else:
                mask = _near_boxes(boxes, levels[at - 1] + box * FAN, leaf, worst, distance)
                while mask != 0:
                    child = lowest_bit(mask)
                    mask &= mask - 1
                    stack_box[top] = box * FAN + child
                    stack_level[top] = at - 1
                    stack_distance[top] = distance[child]
                    top += 1
        node >>= 3
    return count


@njit(nogil=True, cache=True)
def rows_held(rows: int) -> int:
    """Return how many rows of distances are held where so many are asked for."""
    return (rows + GROUP - 1) // GROUP * GROUP


@njit(nogil=True, cache=True)
def walking_space() -> tuple[Floats, Integers, Integers, Floats]:
    """Return what :func:`visit_leaf` needs for walking the tree."""
    return np.empty(8), np.empty(256, np.int64), np.empty(256, np.int64), np.empty(256)


@njit(nogil=True, cache=True)
def _search_leaves(
    x: Floats,
    y: Floats,
    z: Floats,
    row: Integers,
    boxes: Floats,
    levels: Integers,
    rows: int,
    wanted: NDArray[np.bool_],
    mean: Floats,
    kth: Floats,
    first_leaf: int,
    last_leaf: int,
) -> None:
    """Fill in mean and k-th distance of the wanted points of a run of leaves.

    All are wanted where nothing says which. ``rows`` counts the point itself, which is its own nearest
    neighbour (or stands for a coincident one).
    """
    n = row.shape[0]
    every = wanted.shape[0] == 0
    own = np.empty(24)
    others = rows - 1
    best = np.empty(rows_held(others) * 8)
    met = np.empty(max(ROOM, 9 * rows), np.int64)
    work = walking_space()
    for leaf in range(first_leaf, last_leaf):
        start = leaf * LEAF
        stop = min(start + LEAF, n)
        some = every
        if not every:
            for i in range(start, stop):
                some |= wanted[row[i]]
        if not some:
            continue
        visit_leaf(x, y, z, n, boxes, levels, leaf, others, own, best, met, work)
        # Ascending distances, so that the sum does not depend on the order of the points.
        total = spread(0.0)
        for r in range(others):
            total = plus(total, root(load(best, r * 8)))
        store(own, 0, total)
        store(own, 8, root(load(best, (others - 1) * 8)))
        for i in range(start, stop):
            if every or wanted[row[i]]:
                mean[row[i]] = own[i - start] / others
                kth[row[i]] = own[8 + i - start]
