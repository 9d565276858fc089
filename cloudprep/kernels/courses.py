"""Places along a course: how far down a line the nearest place to a point lies; heights that never rise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Segments that share a box: a whole group is passed over where its box is farther than the best so far.
_GROUP = 16


def along_course(x: Floats, y: Floats, course: Floats) -> tuple[Floats, Floats]:
    """Return how far along a line the place nearest to each point lies, and how far away that is.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Points, m.
    course : ndarray of float64, shape (m, 2)
        Corners of the line, m; two or more.

    Returns
    -------
    along, apart : ndarray of float64, shape (n,)
        m. Of equally near places the first counts.
    """
    line_x, line_y = np.ascontiguousarray(course[:, 0]), np.ascontiguousarray(course[:, 1])
    before = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(line_x), np.diff(line_y)))])
    along, apart = _along(
        np.ascontiguousarray(x, np.float64), np.ascontiguousarray(y, np.float64), line_x, line_y, before
    )
    return along, apart


@njit(nogil=True, cache=True)
def _along(x, y, line_x, line_y, before):  # type: ignore[no-untyped-def]
    n, segments = len(x), len(line_x) - 1
    groups = (segments + _GROUP - 1) // _GROUP
    box = np.empty((groups, 4))
    for g in range(groups):
        a, b = g * _GROUP, min((g + 1) * _GROUP, segments) + 1
        box[g, 0], box[g, 1] = line_x[a:b].min(), line_x[a:b].max()
        box[g, 2], box[g, 3] = line_y[a:b].min(), line_y[a:b].max()
    along, apart = np.zeros(n), np.empty(n)
    start = 0
    for i in range(n):
        best, where, nearest = np.inf, np.inf, start
        # The group of the point before comes first: neighbours are near the same, and all others then lie
        # too far away to be looked at.
        for turn in range(groups + 1):
            g = start if turn == 0 else turn - 1
            gx = max(box[g, 0] - x[i], x[i] - box[g, 1], 0.0)
            gy = max(box[g, 2] - y[i], y[i] - box[g, 3], 0.0)
            # A hair of slack: the box and the segment round differently.
            if (gx * gx + gy * gy) * 0.999999 > best:
                continue
            for k in range(g * _GROUP, min((g + 1) * _GROUP, segments)):
                dx, dy = line_x[k + 1] - line_x[k], line_y[k + 1] - line_y[k]
                square = dx * dx + dy * dy
                t = 0.0
                if square > 0.0:
                    t = min(max(((x[i] - line_x[k]) * dx + (y[i] - line_y[k]) * dy) / square, 0.0), 1.0)
                ax, ay = x[i] - line_x[k] - t * dx, y[i] - line_y[k] - t * dy
                d = ax * ax + ay * ay
                place = before[k] + t * (before[k + 1] - before[k])
                # Of equally near places the first, whatever comes before: order must not show.
                if d < best or (d == best and place < where):
                    best, where, nearest = d, place, g
        along[i], apart[i] = where, np.sqrt(best)
        start = nearest
    return along, apart


def never_rising(heights: Floats) -> Floats:
    """Return the heights nearest to those given that never rise, by the sum of absolute differences.

    Pooled neighbours take their lower median, so that single wild heights don't draw the others.

    Parameters
    ----------
    heights : ndarray of float64, shape (n,)
        In order downstream, m; finite.

    Returns
    -------
    ndarray of float64, shape (n,)
        Each at most as high as the one before, exactly.

    Notes
    -----
    Pool adjacent violators: Ayer, Brunk, Ewing, Reid and Silverman 1955, An empirical distribution function
    for sampling with incomplete information, Ann. Math. Stat. 26:641-647; with medians: Robertson and
    Waltman 1968, On estimating monotone parameters, Ann. Math. Stat. 39:1030-1039.

    Examples
    --------
    >>> never_rising(np.array([5.0, 4.0, 4.5, 4.1, 1.0, 3.0])).tolist()
    [5.0, 4.1, 4.1, 4.1, 1.0, 1.0]
    """
    pools: list[tuple[int, int]] = []
    medians: list[float] = []
    for i in range(len(heights)):
        pools.append((i, i + 1))
        medians.append(float(heights[i]))
        while len(pools) > 1 and medians[-2] < medians[-1]:
            first, beyond = pools[-2][0], pools[-1][1]
            del pools[-1], medians[-1]
            pools[-1] = (first, beyond)
            within = np.sort(heights[first:beyond])
            medians[-1] = float(within[(len(within) - 1) // 2])
    found = np.empty(len(heights))
    for (first, beyond), median in zip(pools, medians, strict=True):
        found[first:beyond] = median
    return found


def heights_along(along: Floats, stations: Floats, levels: Floats) -> Floats:
    """Return levels between stations: linear, and never outside those of the two stations around.

    Parameters
    ----------
    along : ndarray of float64, shape (n,)
        Where, m along the course; before the first and after the last station their level holds.
    stations : ndarray of float64, shape (m,)
        Rising, m.
    levels : ndarray of float64, shape (m,)
        Never rising along the course, or never falling; m.
    """
    if len(stations) == 1:
        return np.full(len(along), levels[0])
    k = np.clip(np.searchsorted(stations, along, side="right") - 1, 0, len(stations) - 2)
    t = np.clip((along - stations[k]) / (stations[k + 1] - stations[k]), 0.0, 1.0)
    a, b = levels[k], levels[k + 1]
    # Rounding must not take a height past that of a station: it would rise by a bit downstream.
    return np.asarray(np.clip(a + t * (b - a), np.minimum(a, b), np.maximum(a, b)))
