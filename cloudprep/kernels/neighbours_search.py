"""Searches around given positions in a tree that was built once: slower a position, but for any position."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.neighbours_tree import FAN, LEAF, Tree
from cloudprep.kernels.plain import neighbours as plain
from cloudprep.kernels.simd import (
    below,
    larger,
    load,
    lowest_bit,
    minus,
    plus,
    spread,
    squared,
    store,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]


def nearest_distances(tree: Tree, x: Floats, y: Floats, z: Floats, k: int) -> Floats:
    """Return the squared distances from positions to their nearest points.

    Parameters
    ----------
    tree : Tree
        The points.
    x, y, z : ndarray of float64, shape (m,)
        The positions, m. A point of the tree at a position counts, at distance 0.
    k : int
        How many points, >= 1.

    Returns
    -------
    ndarray of float64, shape (m, k)
        Squared distances, m2, ascending; infinity where the tree holds fewer points.
    """
    if not COMPILED:
        return plain.nearest_distances(tree.points(), np.stack([x, y, z], axis=1), k)
    found = np.full((len(x), k), np.inf)
    _nearest(tree.x, tree.y, tree.z, tree.boxes, tree.levels, x, y, z, found)
    return found


def nearest_rows(tree: Tree, x: Floats, y: Floats, z: Floats, k: int, farthest: float) -> Integers:
    """Return the points nearest to some positions; points at the position itself are left out.

    Which ones they are does not depend on the order of the points: those equally far come in the order of
    their coordinates.

    Parameters
    ----------
    tree : Tree
        The points.
    x, y, z : ndarray of float64, shape (m,)
        The positions, m.
    k : int
        How many neighbours, at most.
    farthest : float
        No neighbour is farther than this, m.

    Returns
    -------
    ndarray of int64, shape (m, k)
        Rows of the points in the input of the tree, nearest first; -1 where there are fewer.
    """
    if not COMPILED:
        return plain.nearest_rows(tree.points(), np.stack([x, y, z], axis=1), k, farthest)
    found = np.full((len(x), k), -1, np.int64)
    _nearest_rows(*tree, x, y, z, farthest * farthest, found)
    return found


def any_within(tree: Tree, x: Floats, y: Floats, z: Floats, distance: float) -> NDArray[np.bool_]:
    """Tell which positions have a point within a distance, one at exactly the distance included.

    Parameters
    ----------
    tree : Tree
        The points.
    x, y, z : ndarray of float64, shape (m,)
        The positions, m.
    distance : float
        How far, m, finite.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    if not COMPILED:
        return np.asarray(nearest_distances(tree, x, y, z, 1)[:, 0] <= distance**2)
    found = np.zeros(len(x), np.bool_)
    _any_within(tree.x, tree.y, tree.z, tree.boxes, tree.levels, x, y, z, distance**2, found)
    return found


def rows_within(
    tree: Tree,
    x: Floats,
    y: Floats,
    z: Floats,
    squared_radius: Floats,
) -> tuple[Integers, Integers]:
    """Return the points within a distance of positions, those at exactly the distance included.

    Parameters
    ----------
    tree : Tree
        The points.
    x, y, z : ndarray of float64, shape (m,)
        The positions, m.
    squared_radius : ndarray of float64, shape (m,)
        Squared distance for each position, m2.

    Returns
    -------
    starts : ndarray of int64, shape (m + 1,)
        The points of position i are ``rows[starts[i]:starts[i + 1]]``.
    rows : ndarray of int64
        Rows of the points in the input of the tree, in no particular order.
    """
    if not COMPILED:
        return plain.rows_within(tree.points(), np.stack([x, y, z], axis=1), squared_radius)
    x, y, z = (np.ascontiguousarray(values) for values in (x, y, z))  # one kernel does for all
    starts = np.zeros(len(x) + 1, np.int64)
    _within(*tree, x, y, z, squared_radius, starts, np.empty(0, np.int64))
    np.cumsum(starts, out=starts)
    rows = np.empty(starts[-1], np.int64)
    if len(rows):
        _within(*tree, x, y, z, squared_radius, starts, rows)
    return starts, rows


@njit(nogil=True, cache=True)
def _box_distance(boxes: Floats, box: int, x: float, y: float, z: float) -> float:
    """Return the squared distance from a position to a box."""
    dx = max(boxes[0, box] - x, x - boxes[3, box], 0.0)
    dy = max(boxes[1, box] - y, y - boxes[4, box], 0.0)
    dz = max(boxes[2, box] - z, z - boxes[5, box], 0.0)
    squared: float = dx * dx + dy * dy + dz * dz
    return squared


@njit(nogil=True, cache=True)
def _near_boxes(boxes: Floats, at: int, x: float, y: float, z: float, limit: float, distance: Floats) -> int:
    """Return a bit mask of the eight boxes from ``at`` on: which are nearer than a limit to a position.

    Distances are squared; those of the eight boxes are written to ``distance``.
    """
    width = boxes.shape[1]
    px, py, pz, zero = spread(x), spread(y), spread(z), spread(0.0)
    dx = larger(larger(minus(load(boxes, at), px), minus(px, load(boxes, 3 * width + at))), zero)
    dy = larger(larger(minus(load(boxes, width + at), py), minus(py, load(boxes, 4 * width + at))), zero)
    dz = larger(larger(minus(load(boxes, 2 * width + at), pz), minus(pz, load(boxes, 5 * width + at))), zero)
    d = plus(plus(squared(dx), squared(dy)), squared(dz))
    store(distance, 0, d)
    return below(d, spread(limit))


@njit(nogil=True, cache=True)
def _near_points(
    x: Floats, y: Floats, z: Floats, at: int, px: float, py: float, pz: float, limit: float, distance: Floats
) -> int:
    """Return which of eight points from ``at`` on are nearer (squared) than a limit, as a bit mask."""
    dx, dy, dz = (
        minus(load(x, at), spread(px)),
        minus(load(y, at), spread(py)),
        minus(load(z, at), spread(pz)),
    )
    d = plus(plus(squared(dx), squared(dy)), squared(dz))
    store(distance, 0, d)
    return below(d, spread(limit))


@njit(nogil=True, cache=True)
def _nearest(
    x: Floats,
    y: Floats,
    z: Floats,
    boxes: Floats,
    levels: Integers,
    qx: Floats,
    qy: Floats,
    qz: Floats,
    found: Floats,
) -> None:
    """Fill in the ascending squared distances to the nearest points of each position."""
    k = found.shape[1]
    stack_box = np.empty(256, np.int64)
    stack_level = np.empty(256, np.int64)
    stack_distance = np.empty(256)
    eight = np.empty(8)
    for q in range(qx.shape[0]):
        best = found[q]
        stack_box[0] = 0
        stack_level[0] = levels.shape[0] - 2
        stack_distance[0] = 0.0
        top = 1
        while top > 0:
            top -= 1
            if stack_distance[top] >= best[k - 1]:
                continue
            box = stack_box[top]
            level = stack_level[top]
            if level == 0:
                near = _near_points(x, y, z, box * LEAF, qx[q], qy[q], qz[q], best[k - 1], eight)
                while near != 0:
                    step = lowest_bit(near)
                    near &= near - 1
                    d = eight[step]
                    if d < best[k - 1]:
                        j = k - 1
                        while j > 0 and best[j - 1] > d:
                            best[j] = best[j - 1]
                            j -= 1
                        best[j] = d
                continue
            bottom = top
            near = _near_boxes(boxes, levels[level - 1] + box * FAN, qx[q], qy[q], qz[q], best[k - 1], eight)
            while near != 0:
                step = lowest_bit(near)
                near &= near - 1
                child, d = box * FAN + step, eight[step]
                # The nearest child is taken from the stack first.
                j = top
                while j > bottom and stack_distance[j - 1] < d:
                    stack_distance[j] = stack_distance[j - 1]
                    stack_box[j] = stack_box[j - 1]
                    j -= 1
                stack_distance[j] = d
                stack_box[j] = child
                stack_level[top] = level - 1
                top += 1


@njit(nogil=True, cache=True)
def _any_within(
    x: Floats,
    y: Floats,
    z: Floats,
    boxes: Floats,
    levels: Integers,
    qx: Floats,
    qy: Floats,
    qz: Floats,
    limit: float,
    found: NDArray[np.bool_],
) -> None:
    """Tell which positions have a point no farther away than a limit (squared)."""
    stack_box = np.empty(256, np.int64)
    stack_level = np.empty(256, np.int64)
    eight = np.empty(8)
    beyond = np.nextafter(limit, np.inf)
    for q in range(qx.shape[0]):
        stack_box[0] = 0
        stack_level[0] = levels.shape[0] - 2
        top = 1
        while top > 0:
            top -= 1
            box, level = stack_box[top], stack_level[top]
            if level == 0:
                if _near_points(x, y, z, box * LEAF, qx[q], qy[q], qz[q], beyond, eight) != 0:
                    found[q] = True
                    top = 0
                continue
            near = _near_boxes(boxes, levels[level - 1] + box * FAN, qx[q], qy[q], qz[q], beyond, eight)
            while near != 0:
                stack_box[top] = box * FAN + lowest_bit(near)
                stack_level[top] = level - 1
                top += 1
                near &= near - 1


@njit(nogil=True, cache=True)
def _comes_before(x: Floats, y: Floats, z: Floats, i: int, j: int) -> bool:
    """Tell whether point i comes before point j in the order of (x, y, z)."""
    if x[i] != x[j]:
        return bool(x[i] < x[j])
    if y[i] != y[j]:
        return bool(y[i] < y[j])
    return bool(z[i] < z[j])


@njit(nogil=True, cache=True)
def _nearest_rows(
    x: Floats,
    y: Floats,
    z: Floats,
    row: Integers,
    boxes: Floats,
    levels: Integers,
    qx: Floats,
    qy: Floats,
    qz: Floats,
    limit: float,
    found: Integers,
) -> None:
    """Fill in the rows of the nearest points of each position, none of them beyond a limit (squared)."""
    k = found.shape[1]
    best = np.empty(k)
    place = np.empty(k, np.int64)
    stack_box = np.empty(256, np.int64)
    stack_level = np.empty(256, np.int64)
    stack_distance = np.empty(256)
    eight = np.empty(8)
    for q in range(qx.shape[0]):
        size = 0
        worst = limit
        stack_box[0] = 0
        stack_level[0] = levels.shape[0] - 2
        stack_distance[0] = 0.0
        top = 1
        while top > 0:
            top -= 1
            # At the same distance, a point may still come before the last one that was kept.
            if stack_distance[top] > worst:
                continue
            box = stack_box[top]
            level = stack_level[top]
            if level == 0:
                near = _near_points(
                    x, y, z, box * LEAF, qx[q], qy[q], qz[q], np.nextafter(worst, np.inf), eight
                )
                while near != 0:
                    step = lowest_bit(near)
                    near &= near - 1
                    i, d = box * LEAF + step, eight[step]
                    if d > worst or d == 0.0:
                        continue
                    if size == k and d == best[k - 1] and not _comes_before(x, y, z, i, place[k - 1]):
                        continue
                    j = min(size, k - 1)
                    while j > 0 and (
                        best[j - 1] > d or (best[j - 1] == d and _comes_before(x, y, z, i, place[j - 1]))
                    ):
                        best[j] = best[j - 1]
                        place[j] = place[j - 1]
                        j -= 1
                    best[j] = d
                    place[j] = i
                    size = min(size + 1, k)
                    if size == k:
                        worst = best[k - 1]
                continue
            bottom = top
            # A hair more, so that boxes exactly as far are among them; those at infinity are not.
            near = _near_boxes(
                boxes, levels[level - 1] + box * FAN, qx[q], qy[q], qz[q], np.nextafter(worst, np.inf), eight
            )
            while near != 0:
                step = lowest_bit(near)
                near &= near - 1
                child, d = box * FAN + step, eight[step]
                j = top
                while j > bottom and stack_distance[j - 1] < d:
                    stack_distance[j] = stack_distance[j - 1]
                    stack_box[j] = stack_box[j - 1]
                    j -= 1
                stack_distance[j] = d
                stack_box[j] = child
                stack_level[top] = level - 1
                top += 1
        for j in range(size):
            found[q, j] = row[place[j]]


@njit(nogil=True, cache=True)
def _within(
    x: Floats,
    y: Floats,
    z: Floats,
    row: Integers,
    boxes: Floats,
    levels: Integers,
    qx: Floats,
    qy: Floats,
    qz: Floats,
    squared_radius: Floats,
    starts: Integers,
    rows: Integers,
) -> None:
    """Count the points in each ball into ``starts[q + 1]`` (``rows`` empty), or list from ``starts[q]``."""
    n = row.shape[0]
    counting = rows.shape[0] == 0
    stack_box = np.empty(256, np.int64)
    stack_level = np.empty(256, np.int64)
    for q in range(qx.shape[0]):
        limit = squared_radius[q]
        count = 0
        stack_box[0] = 0
        stack_level[0] = levels.shape[0] - 2
        top = 1
        while top > 0:
            top -= 1
            box = stack_box[top]
            level = stack_level[top]
            if level == 0:
                for i in range(box * LEAF, min(box * LEAF + LEAF, n)):
                    dx = x[i] - qx[q]
                    dy = y[i] - qy[q]
                    dz = z[i] - qz[q]
                    if dx * dx + dy * dy + dz * dz <= limit:
                        if not counting:
                            rows[starts[q] + count] = row[i]
                        count += 1
                continue
            for child in range(box * FAN, box * FAN + FAN):
                d = _box_distance(boxes, levels[level - 1] + child, qx[q], qy[q], qz[q])
                # Padding boxes lie at infinity, and a limit may be infinite.
                if d <= limit and d < np.inf:
                    stack_box[top] = child
                    stack_level[top] = level - 1
                    top += 1
        if counting:
            starts[q + 1] = count
