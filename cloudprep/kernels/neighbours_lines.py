"""Which points lie on lines: wires, poles, masts; told from their neighbours' places alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# A tube on a line holds at least this share of the neighbours looked at, ...
_SHARE = 0.1
# ... and exceeds what points spread evenly would put there by so many standard deviations (of a count).
_BEYOND_EVEN = 6.0
# Neighbours nearer than so many tube radii give no direction, and don't count towards a line's length.
_NEAR = 3.0


def on_lines(
    x: Floats,
    y: Floats,
    z: Floats,
    px: Floats,
    py: Floats,
    pz: Floats,
    neighbours: Integers,
    width: float,
    shortest: float,
    *,
    least: int = 4,
    farthest: float = np.inf,
) -> NDArray[np.bool_]:
    """Tell which places lie on a straight line of points.

    A tube around the line from the place through each of its neighbours is tried. One of them must hold
    enough of the neighbours (at least ``least`` and 10 %), all but one of the least well away from the place,
    and far more than chance puts there where neighbours are spread evenly through the ball around it; and
    they must reach along a certain length: the rows in which a scanner sees a cloud of dust are short.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        The points, m.
    px, py, pz : ndarray of float64, shape (m,)
        The places, m.
    neighbours : ndarray of int64, shape (m, k)
        Rows of the neighbours of each place, nearest first, none at the place itself; -1 after the last.
    width : float
        Radius of the tube, m.
    shortest : float
        From the first to the last of the points on the line (and the place) it is at least so far, m.
    least : int
        How many points make a line, at least.
    farthest : float
        The place is no farther from the nearest point on the line than so many times the length along which
        the points themselves reach: from far away, any clump looks like a line.

    Returns
    -------
    ndarray of bool, shape (m,)
        Whether each place lies on a line.
    """
    found = np.zeros(len(px), np.bool_)
    _try_tubes(x, y, z, px, py, pz, neighbours, width, shortest, least, farthest, found)
    return found


def on_poles(
    starts: Integers, rows: Integers, z: Floats, pz: Floats, ground: Floats, step: float
) -> NDArray[np.bool_]:
    """Tell to which places steps lead up from the ground, over points right below: poles and trunks.

    Parameters
    ----------
    starts : ndarray of int64, shape (m + 1,)
        The points in a narrow upright tube around place i are ``rows[starts[i]:starts[i + 1]]``.
    rows : ndarray of int64
        Rows of points, in any order.
    z : ndarray of float64, shape (n,)
        Heights of the points, m.
    pz, ground : ndarray of float64, shape (m,)
        Height of each place and of the ground below it, m.
    step : float
        Largest step, m; the first leads up from the ground.

    Returns
    -------
    ndarray of bool, shape (m,)
        Whether a point lies between the place and the ground (over 1 m above it), and no step is larger.
    """
    of = np.repeat(np.arange(len(pz)), np.diff(starts))
    between = (z[rows] < pz[of]) & (z[rows] > ground[of] + 1.0)
    of, height = of[between], z[rows[between]]
    # Every place ends its own list, so that the step up to it counts.
    of = np.concatenate([of, np.arange(len(pz))])
    height = np.concatenate([height, pz])
    order = np.lexsort((height, of))
    of, height = of[order], height[order]
    first = np.r_[True, of[1:] != of[:-1]] if len(of) else np.empty(0, np.bool_)
    before = np.where(first, ground[of], np.r_[0.0, height[:-1]] if len(of) else 0.0)
    too_high = np.bincount(of, weights=height - before > step, minlength=len(pz)) > 0
    some = np.bincount(of, minlength=len(pz)) > 1
    found: NDArray[np.bool_] = some & ~too_high
    return found


@njit(nogil=True, cache=True)
def _try_tubes(
    x: Floats,
    y: Floats,
    z: Floats,
    px: Floats,
    py: Floats,
    pz: Floats,
    neighbours: Integers,
    width: float,
    shortest: float,
    least: int,
    farthest: float,
    found: NDArray[np.bool_],
) -> None:
    """Try the tubes from each place through its neighbours, until one holds enough of them."""
    k = neighbours.shape[1]
    offset = np.empty((k, 3))
    squared = np.empty(k)
    for i in range(px.shape[0]):
        m = 0
        while m < k and neighbours[i, m] >= 0:
            row = neighbours[i, m]
            offset[m, 0] = x[row] - px[i]
            offset[m, 1] = y[row] - py[i]
            offset[m, 2] = z[row] - pz[i]
            squared[m] = offset[m, 0] ** 2 + offset[m, 1] ** 2 + offset[m, 2] ** 2
            m += 1
        if m < least:
            continue
        # A tube of length 2 r in a ball of radius r takes 3/2 (width / r)^2 of its volume.
        even = m * 1.5 * width * width / squared[m - 1]
        needed = max(least, _SHARE * m, 1 + even + _BEYOND_EVEN * np.sqrt(even))
        for j in range(m):
            if squared[j] < (_NEAR * width) ** 2:
                continue
            inside = 0
            away = 0
            # In times of the squared distance to neighbour j.
            first = last = 0.0
            foremost, hindmost, nearest = np.inf, -np.inf, np.inf
            for h in range(m):
                along = (
                    offset[h, 0] * offset[j, 0] + offset[h, 1] * offset[j, 1] + offset[h, 2] * offset[j, 2]
                )
                if squared[h] - along * along / squared[j] <= width * width:
                    inside += 1
                    away += along * along > (_NEAR * width) ** 2 * squared[j]
                    first = min(first, along)
                    last = max(last, along)
                    foremost = min(foremost, along)
                    hindmost = max(hindmost, along)
                    nearest = min(nearest, abs(along))
            long_enough = (last - first) ** 2 >= shortest * shortest * squared[j]
            near_enough = nearest <= farthest * (hindmost - foremost) or farthest == np.inf
            if inside >= needed and away >= least - 1 and long_enough and near_enough:
                found[i] = True
                break
