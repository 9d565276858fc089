"""Nearest neighbours by SciPy's kd-tree.

The tree finds the candidates, a hair more than asked for; what counts is told by distances taken here,
operation for operation as the kernels take them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from scipy.spatial import cKDTree

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# Positions at a time: what bounds the memory.
_AT_A_TIME = 8192
# So many more are asked for: SciPy's arithmetic may differ in the last bit, and so in who is nearer.
_SPARE = 2
# Candidates a hair beyond a limit are looked at too.
_HAIR = 1.0 + 1e-12


def tree_of(points: Floats) -> cKDTree:
    """Return SciPy's tree of points."""
    from scipy.spatial import cKDTree  # noqa: PLC0415 - takes long to load, and compiled kernels need none

    return cKDTree(points)


def squared_lengths(dx: Floats, dy: Floats, dz: Floats) -> Floats:
    """Return squared lengths of offsets."""
    return dx * dx + dy * dy + dz * dz


def candidates(
    tree: cKDTree, at: Floats, k: int, farthest: float = np.inf, threads: int = 1
) -> tuple[Floats, Integers]:
    """Return the k nearest points, their squared distances ascending (infinite where there are none left)."""
    asked = np.arange(1, k + _SPARE + 1)
    _, found = tree.query(at, asked, distance_upper_bound=farthest, workers=threads)
    there = found < tree.n
    found = np.where(there, found, 0)
    away = squared_lengths(*(tree.data[found] - at[:, None]).transpose(2, 0, 1))
    away[~there] = np.inf
    order = np.argsort(away, axis=1, kind="stable")[:, :k]
    return np.take_along_axis(away, order, axis=1), np.take_along_axis(found, order, axis=1)


def mean_neighbour_distance(
    points: Floats, rows: int, wanted: NDArray[np.bool_], mean: Floats, kth: Floats, threads: int
) -> None:
    """Fill in mean and k-th distance at the wanted points; ``rows`` counts the point itself."""
    tree = tree_of(points)
    asked = np.flatnonzero(wanted)
    for some in np.array_split(asked, len(asked) // _AT_A_TIME + 1):
        away = np.sqrt(candidates(tree, points[some], rows, threads=threads)[0])
        total = np.zeros(len(some))
        for r in range(1, rows):  # ascending, one by one
            total += away[:, r]
        mean[some], kth[some] = total / (rows - 1), away[:, -1]


def nearest_distances(points: Floats, at: Floats, k: int) -> Floats:
    """Return the squared distances from positions, shape (m, 3), to their k nearest points."""
    tree = tree_of(points)
    found = np.empty((len(at), k))
    for first in range(0, len(at), _AT_A_TIME):
        some = slice(first, first + _AT_A_TIME)
        found[some] = candidates(tree, at[some], k)[0]
    return found


def nearest_rows(points: Floats, at: Floats, k: int, farthest: float) -> Integers:
    """Return the points nearest to positions, as places in ``points``; none at the position itself.

    Of points in the same place the first comes first; the kernel takes them in the order of its tree.
    """
    tree = tree_of(points)
    found = np.full((len(at), k), -1, np.int64)
    todo, size = np.arange(len(at)), k + 2
    while len(todo):
        again = []
        for some in np.array_split(todo, len(todo) * size // (16 * _AT_A_TIME) + 1):
            away, rows = candidates(tree, at[some], min(size, tree.n), np.nextafter(farthest * _HAIR, np.inf))
            last = away[:, -1].copy()
            away[(away == 0) | (away > farthest * farthest)] = np.inf
            # By distance; those equally far by x, y, z, and at last by their place.
            order = np.lexsort((rows, *points[rows].transpose(2, 0, 1)[::-1], away), axis=-1)[:, :k]
            away, rows = np.take_along_axis(away, order, axis=1), np.take_along_axis(rows, order, axis=1)
            rows[away == np.inf] = -1
            found[some, : rows.shape[1]] = rows
            # All that are as far as the k-th must have been among them.
            full = away[:, -1] if away.shape[1] == k else np.full(len(some), np.inf)
            again.append(some[(last < np.inf) & (last <= np.minimum(full, farthest * farthest))])
        todo = np.concatenate(again) if size < tree.n else todo[:0]
        size *= 2
    return found


def rows_within(points: Floats, at: Floats, squared_radius: Floats) -> tuple[Integers, Integers]:
    """Return where each position's points start, and all points within the radii, as places in ``points``."""
    tree = tree_of(points)
    counts, rows = [np.zeros(1, np.int64)], [np.empty(0, np.int64)]
    reach = np.sqrt(np.maximum(squared_radius, 0.0)) * _HAIR + 1e-150
    for first in range(0, len(at), _AT_A_TIME):
        some = slice(first, first + _AT_A_TIME)
        # A radius that reaches all points is as good as an infinite one.
        lists = tree.query_ball_point(at[some], np.minimum(reach[some], 1e150), return_sorted=True)
        size = np.array([len(one) for one in lists], np.int64)
        of = np.repeat(np.arange(len(size)), size)
        near = np.concatenate([np.asarray(one, np.int64) for one in lists])
        inside = squared_lengths(*(points[near] - at[some][of]).T) <= squared_radius[some][of]
        counts.append(np.bincount(of[inside], minlength=len(size)))
        rows.append(near[inside])
    return np.cumsum(np.concatenate(counts)), np.concatenate(rows)
