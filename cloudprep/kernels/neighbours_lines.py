"""Which points lie on lines: wires, poles, masts; told from their neighbours' places alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from cloudprep.kernels.neighbours_search import nearest_distances, rows_within

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.neighbours_tree import Tree

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# A line shows itself by at least so many other points in a tube around it, ...
_LEAST = 4
# ... by this share of the neighbours looked at, ...
_SHARE = 0.1
# ... and by this many times what points spread evenly through a ball would put there.
_TIMES_EVEN = 4.0
# Neighbours nearer than so many tube radii give no direction, and don't count towards a line's length.
_NEAR = 3.0


def nearest_rows(
    tree: Tree, x: Floats, y: Floats, z: Floats, at: Integers, k: int, farthest: float
) -> Integers:
    """Return the nearest other points of some points, nearest first.

    Which ones they are does not depend on the order of the points: those equally far come in the order of
    their coordinates.

    Parameters
    ----------
    tree : Tree
        Tree of the points.
    x, y, z : ndarray of float64, shape (n,)
        The points, m.
    at : ndarray of int64, shape (m,)
        Rows of the points asked for.
    k : int
        How many neighbours.
    farthest : float
        No neighbour is farther than this, m.

    Returns
    -------
    ndarray of int64, shape (m, k)
        Rows of the neighbours; -1 where there are fewer. Points at the same place are left out.
    """
    limit = np.minimum(nearest_distances(tree, x[at], y[at], z[at], k + 1)[:, -1], farthest * farthest)
    starts, rows = rows_within(tree, x[at], y[at], z[at], limit)
    of = np.repeat(np.arange(len(at)), np.diff(starts))
    dx, dy, dz = x[rows] - x[at[of]], y[rows] - y[at[of]], z[rows] - z[at[of]]
    squared = dx * dx + dy * dy + dz * dz
    elsewhere = squared > 0
    rows, of, squared = rows[elsewhere], of[elsewhere], squared[elsewhere]
    order = np.lexsort((z[rows], y[rows], x[rows], squared, of))
    rows, of = rows[order], of[order]
    rank = np.arange(len(rows)) - np.searchsorted(of, of)
    found = np.full((len(at), k), -1, np.int64)
    found[of[rank < k], rank[rank < k]] = rows[rank < k]
    return found


def on_lines(
    x: Floats, y: Floats, z: Floats, at: Integers, neighbours: Integers, width: float
) -> NDArray[np.bool_]:
    """Tell which points lie on a straight line of points.

    A tube around the line from the point through each of its neighbours is tried. The best one must hold at
    least four other points and 10 % of the neighbours, three of them well away from the point, and more than
    four times what neighbours spread evenly through the ball around the point would put there: then the
    neighbours form a line and not a cloud.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        The points, m.
    at : ndarray of int64, shape (m,)
        Rows of the points asked for.
    neighbours : ndarray of int64, shape (m, k)
        Rows of their neighbours, nearest first; -1 after the last.
    width : float
        Radius of the tube, m.

    Returns
    -------
    ndarray of bool, shape (m,)
        Whether each point asked for lies on a line.
    """
    found = np.zeros(len(at), np.bool_)
    _try_tubes(x, y, z, at, neighbours, width, found)
    return found


@njit(nogil=True, cache=True)
def _try_tubes(
    x: Floats,
    y: Floats,
    z: Floats,
    at: Integers,
    neighbours: Integers,
    width: float,
    found: NDArray[np.bool_],
) -> None:
    """Try the tubes from each point through its neighbours, until one holds enough of them."""
    k = neighbours.shape[1]
    offset = np.empty((k, 3))
    squared = np.empty(k)
    for i in range(at.shape[0]):
        m = 0
        while m < k and neighbours[i, m] >= 0:
            row = neighbours[i, m]
            offset[m, 0] = x[row] - x[at[i]]
            offset[m, 1] = y[row] - y[at[i]]
            offset[m, 2] = z[row] - z[at[i]]
            squared[m] = offset[m, 0] ** 2 + offset[m, 1] ** 2 + offset[m, 2] ** 2
            m += 1
        if m < _LEAST:
            continue
        # A tube of length 2 r in a ball of radius r takes 3/2 (width / r)^2 of its volume.
        even = m * 1.5 * width * width / squared[m - 1]
        needed = max(_LEAST, _SHARE * m, _TIMES_EVEN * even + 1)
        for j in range(m):
            if squared[j] < (_NEAR * width) ** 2:
                continue
            inside = 0
            away = 0
            for h in range(m):
                along = (
                    offset[h, 0] * offset[j, 0] + offset[h, 1] * offset[j, 1] + offset[h, 2] * offset[j, 2]
                )
                if squared[h] - along * along / squared[j] <= width * width:
                    inside += 1
                    away += along * along > (_NEAR * width) ** 2 * squared[j]
            if inside >= needed and away >= 3:
                found[i] = True
                break
