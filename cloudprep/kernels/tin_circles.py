"""Circles through triangles of a part of the site, and whether they hold points that the part doesn't have.

Coordinates are whole steps in float64. What is unsure by rounding counts as not proven, and what is claimed
of single points is exact.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.predicates import in_circle

if TYPE_CHECKING:
    from numpy.typing import NDArray

PROVEN = 1
"""No other point lies in the circle: the triangle is one of the whole site's."""
REFUTED = 2
"""A point lies in the circle: the triangle is none of the whole site's."""
OPEN = 3
"""Neither: points must be looked at."""

# Shares of the terms' sizes that cover rounding a millionfold.
_SLACK = 1e-9
# The same for the place where the power is least, which is off by up to 2^-50 of the terms it is made from
# (the power then by the square of that), and of coordinates, which stay below 2^26.
_SLACK_OF_PLACE = 1e-24
_SLACK_OF_COORDINATES = 1e-6


@njit(nogil=True, cache=True)
def _power(twice, nx, ny, mx, my, x, y):  # type: ignore[no-untyped-def]
    """Return the least that the power of a point may be: > 0 means surely outside the circle.

    The circle runs through the zero; ``n / (2 twice)`` is its centre, ``m`` bounds the sizes of the terms
    that ``n`` was made from, ``twice`` is double the triangle's area, by which the power is multiplied.
    """
    square = twice * (x * x + y * y)
    size = square + mx * abs(x) + my * abs(y)
    m = mx + my
    return (
        square
        - nx * x
        - ny * y
        - _SLACK * size
        - _SLACK_OF_PLACE * (m * m / twice)
        - _SLACK_OF_COORDINATES * twice
    )


@njit(nogil=True, cache=True)
def _least_on_segment(twice, nx, ny, mx, my, x0, y0, x1, y1):  # type: ignore[no-untyped-def]
    """Return the least power along a segment, as :func:`_power` reckons it."""
    dx = x1 - x0
    dy = y1 - y0
    length = twice * (dx * dx + dy * dy)
    share = 0.0
    if length > 0:
        share = (nx * dx + ny * dy - 2 * twice * (x0 * dx + y0 * dy)) / (2 * length)
        share = min(max(share, 0.0), 1.0)
    least = _power(twice, nx, ny, mx, my, x0 + share * dx, y0 + share * dy)
    least = min(least, _power(twice, nx, ny, mx, my, x0, y0))
    return min(least, _power(twice, nx, ny, mx, my, x1, y1))


@njit(nogil=True, cache=True)
def circle_known(ax, ay, bx, by, cx, cy, x0, y0, x1, y1, left, bottom, right, top):  # type: ignore[no-untyped-def]
    """Tell whether all points that may lie in the circle of a counterclockwise triangle are known.

    Parameters
    ----------
    ax, ay, bx, by, cx, cy : float
        Corners, all of them within what is known.
    x0, y0, x1, y1 : float
        Every point within is known; infinite where nothing lies beyond.
    left, bottom, right, top : float
        No point of the site lies outside.

    Returns
    -------
    bool
        True only if it is certain.

    Notes
    -----
    Site and disc are convex. So a disc that reaches a point of the site beyond a side of the known rectangle
    crosses that side's line within the site's rectangle.
    """
    bx -= ax
    by -= ay
    cx -= ax
    cy -= ay
    twice = bx * cy - cx * by
    b = bx * bx + by * by
    c = cx * cx + cy * cy
    nx = cy * b - by * c
    ny = bx * c - cx * b
    mx = abs(cy) * b + abs(by) * c
    my = abs(bx) * c + abs(cx) * b
    half = 0.5 / twice
    x = ax + nx * half
    y = ay + ny * half
    r = np.sqrt(nx * nx + ny * ny) * half * (1 + _SLACK) + 1e-12 * (mx + my) * half + 1.0
    if x - r >= x0 and x + r <= x1 and y - r >= y0 and y + r <= y1:
        return True
    l, b, r, t = left - ax, bottom - ay, right - ax, top - ay
    if x0 > left and not _least_on_segment(twice, nx, ny, mx, my, x0 - ax, b, x0 - ax, t) > 0:
        return False
    if x1 < right and not _least_on_segment(twice, nx, ny, mx, my, x1 - ax, b, x1 - ax, t) > 0:
        return False
    if y0 > bottom and not _least_on_segment(twice, nx, ny, mx, my, l, y0 - ay, r, y0 - ay) > 0:
        return False
    return not (y1 < top and not _least_on_segment(twice, nx, ny, mx, my, l, y1 - ay, r, y1 - ay) > 0)


@njit(nogil=True, cache=True)
def judge_circles(
    triangles: NDArray[np.float64],
    known: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    starts: NDArray[np.int64],
    boxes: NDArray[np.float64],
    verdicts: NDArray[np.uint8],
    met: NDArray[np.bool_],
) -> None:
    """Hold circles against convex hulls of all points of the site.

    Parameters
    ----------
    triangles : ndarray of float64, shape (t, 6)
        Corners, counterclockwise.
    known : ndarray of float64, shape (4,)
        Hulls within this rectangle (x0, y0, x1, y1) are passed over.
    x, y : ndarray of float64
        Corners of the hulls, one hull after the other: points of the site.
    starts : ndarray of int64, shape (h + 1,)
        Where each hull starts.
    boxes : ndarray of float64, shape (h, 4)
        Least and greatest x and y of each hull (x0, y0, x1, y1).
    verdicts : ndarray of uint8, shape (t,)
        Out: ``PROVEN``, ``REFUTED`` or ``OPEN``.
    met : ndarray of bool, shape (h,)
        Out: set for hulls whose points have to be looked at for an open one; others stay.
    """
    hits = np.empty(len(boxes), np.int64)
    for k in range(len(triangles)):
        ax, ay = triangles[k, 0], triangles[k, 1]
        bx, by = triangles[k, 2] - ax, triangles[k, 3] - ay
        cx, cy = triangles[k, 4] - ax, triangles[k, 5] - ay
        twice = bx * cy - cx * by
        b = bx * bx + by * by
        c = cx * cx + cy * cy
        nx = cy * b - by * c
        ny = bx * c - cx * b
        mx = abs(cy) * b + abs(by) * c
        my = abs(bx) * c + abs(cx) * b
        centre_x = nx / (2 * twice)
        centre_y = ny / (2 * twice)
        verdict = PROVEN
        n_hits = 0
        for h in range(len(boxes)):
            x0, y0, x1, y1 = boxes[h, 0], boxes[h, 1], boxes[h, 2], boxes[h, 3]
            if x0 >= known[0] and y0 >= known[1] and x1 <= known[2] and y1 <= known[3]:
                continue
            x0, y0, x1, y1 = x0 - ax, y0 - ay, x1 - ax, y1 - ay
            near_x = min(max(centre_x, x0), x1)
            near_y = min(max(centre_y, y0), y1)
            if _power(twice, nx, ny, mx, my, near_x, near_y) > 0:
                continue
            # The disc's centre within the box, or an edge of the hull that the disc may touch.
            touched = x0 <= centre_x <= x1 and y0 <= centre_y <= y1
            first, last = starts[h], starts[h + 1]
            before = last - 1
            for i in range(first, last):
                px, py = x[i] - ax, y[i] - ay
                if not touched:
                    qx, qy = x[before] - ax, y[before] - ay
                    touched = not _least_on_segment(twice, nx, ny, mx, my, qx, qy, px, py) > 0
                before = i
                if _in_conflict(triangles, k, x[i], y[i]):
                    verdict = REFUTED
                    break
            if verdict == REFUTED:
                break
            if touched:
                hits[n_hits] = h
                n_hits += 1
        if verdict != REFUTED and n_hits > 0:
            verdict = OPEN
            for i in range(n_hits):
                met[hits[i]] = True
        verdicts[k] = verdict


@njit(nogil=True, cache=True)
def _in_conflict(triangles, k, x, y):  # type: ignore[no-untyped-def]
    """Tell whether a point that is no corner lies in a triangle's circle. Exact."""
    ax, ay = triangles[k, 0] - x, triangles[k, 1] - y
    bx, by = triangles[k, 2] - x, triangles[k, 3] - y
    cx, cy = triangles[k, 4] - x, triangles[k, 5] - y
    if (ax == 0 and ay == 0) or (bx == 0 and by == 0) or (cx == 0 and cy == 0):
        return False
    return in_circle(ax, ay, bx, by, cx, cy)


@njit(nogil=True, cache=True)
def refute_circles(
    triangles: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    verdicts: NDArray[np.uint8],
) -> None:
    """Set the verdict of each open triangle that one of the points refutes.

    Parameters
    ----------
    triangles : ndarray of float64, shape (t, 6)
        Corners, counterclockwise.
    x, y : ndarray of float64, shape (n,)
        Points of the site, whole steps.
    verdicts : ndarray of uint8, shape (t,)
        Changed in place.
    """
    for k in range(len(triangles)):
        if verdicts[k] != OPEN:
            continue
        for i in range(len(x)):
            if _in_conflict(triangles, k, x[i], y[i]):
                verdicts[k] = REFUTED
                break
