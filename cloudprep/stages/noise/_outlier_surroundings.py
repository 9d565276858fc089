"""What lies around outliers in plan: whether they lie below it, on its level, or stand on something."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.columns_near import near_any
from cloudprep.kernels.neighbours_lines import on_poles
from cloudprep.kernels.neighbours_search import nearest_rows, rows_within
from cloudprep.kernels.neighbours_tree import Tree, build_tree
from cloudprep.kernels.points_near import any_nearer

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.points import Points

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]
    Rows = NDArray[np.int64]

_NEIGHBOURS = 16
# Below at least this share of what is around, an outlier is a low one.
_LOW_SHARE = 7 / 8
# Steps up a pole are no higher, m.
_POLE_STEP = 4.5
# On the level of what is around lies what is no farther above or below this share of it (m, m per metre).
_LEVEL_SHARE = 3 / 4
_LEVEL_STEP = 0.15
_LEVEL_SLOPE = 0.25
# Looked at first: this share of the distance, and at least so far, m; poles are looked for nearer than that.
_CLOSE = 0.125
_CLOSE_LEAST = 0.5


@dataclass(frozen=True)
class AroundOutliers:
    """Outliers, and the heights of the usable points nearest to them in plan.

    Parameters
    ----------
    tree : Tree
        Tree of the usable points in plan.
    z : ndarray of float64, shape (n,)
        Heights of the usable points, m.
    at : ndarray of float64, shape (3, m)
        The outliers, m.
    heights : ndarray of float64, shape (m, 16)
        Heights of the points around each outlier, nearest first; NaN where there are fewer.
    away : ndarray of float64, shape (m, 16)
        How far away they are in plan, m.
    """

    tree: Tree
    z: Floats
    at: Floats
    heights: Floats
    away: Floats

    def below(self, mean_height: float) -> Mask:
        """Tell which outliers lie below what is around them; lone ones are compared with a height (m)."""
        count = np.isfinite(self.heights).sum(axis=1)
        above = (self.heights > self.at[2][:, None]).sum(axis=1)
        below: Mask = np.where(count > 0, above >= _LOW_SHARE * count, self.at[2] < mean_height)
        return below

    def on_level(self) -> Mask:
        """Tell which outliers lie on the level of what is around them: a surface that is seen thinly."""
        count = np.isfinite(self.heights).sum(axis=1)
        limit = _LEVEL_STEP + _LEVEL_SLOPE * self.away
        level = (np.abs(self.heights - self.at[2][:, None]) <= limit).sum(axis=1)
        on_level: Mask = (count > 0) & (level >= _LEVEL_SHARE * count)
        return on_level

    def on_poles(self, radius: float) -> Mask:
        """Tell to which outliers steps lead up from the ground, over points within a radius (m) in plan.

        The ground is the height that a quarter of the points around lie below.
        """
        quarter = np.maximum(np.isfinite(self.heights).sum(axis=1) - 1, 0) // 4
        ground = np.sort(self.heights, axis=1)[np.arange(len(quarter)), quarter]
        # Where nothing is around there is no ground to step up from.
        known = np.isfinite(ground)
        x, y, z = self.at[:, known]
        starts, rows = rows_within(self.tree, x, y, np.zeros(len(x)), np.full(len(x), radius * radius))
        found = np.zeros(len(known), np.bool_)
        found[known] = on_poles(starts, rows, self.z, z, ground[known], _POLE_STEP)
        return found


def lone(points: Points, rows: Rows, close: Floats, farthest: float, taken: Mask) -> Mask:
    """Tell which points face their neighbours across a gap: the nearest is about as far away as all of them.

    Parameters
    ----------
    points : Points
        A block and its buffer.
    rows : ndarray of int64, shape (m,)
        The points asked about.
    close : ndarray of float64, shape (m,)
        The nearest is at least so far away, m.
    farthest : float
        Neighbours farther away than this (m) don't count.
    taken : ndarray of bool, shape (n,)
        The usable points.

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    if len(rows) == 0:
        return np.zeros(0, np.bool_)
    at = np.stack([points[axis][rows] for axis in "xyz"])
    return ~any_nearer(points["x"], points["y"], points["z"], taken, at, close, farthest)


def around_outliers(points: Points, rows: Rows, farthest: float, threads: int, taken: Mask) -> AroundOutliers:
    """Return what lies around outliers.

    Parameters
    ----------
    points : Points
        A block and its buffer.
    rows : ndarray of int64, shape (m,)
        The outliers.
    farthest : float
        No point around is farther away in plan, m.
    threads : int
        Threads to use.
    taken : ndarray of bool, shape (n,)
        The usable points.
    """
    # Most find enough close by, and few points have to be looked at for them.
    close = min(max(_CLOSE * farthest, _CLOSE_LEAST), farthest)
    around = _around(points, rows, close, threads, taken)
    few = np.isnan(around.heights[:, -1])
    if few.any() and close < farthest:
        wider = _around(points, rows[few], farthest, threads, taken)
        around.heights[few], around.away[few] = wider.heights, wider.away
    return around


def _around(points: Points, rows: Rows, farthest: float, threads: int, taken: Mask) -> AroundOutliers:
    """Return what lies around outliers, with a tree of all that lies so close (m) to any of them."""
    at = np.stack([points[axis][rows] for axis in "xyz"])
    given = np.flatnonzero(taken & near_any(points["x"], points["y"], at[0], at[1], farthest))
    x, y, z = (points[axis][given] for axis in "xyz")
    tree = build_tree(x, y, np.zeros(len(x)), threads=threads)
    near = nearest_rows(tree, at[0], at[1], np.zeros(at.shape[1]), _NEIGHBOURS, farthest)
    heights = np.where(near >= 0, z[near], np.nan)
    away = np.hypot(x[near] - at[0][:, None], y[near] - at[1][:, None])
    return AroundOutliers(tree, z, at, heights, away)
