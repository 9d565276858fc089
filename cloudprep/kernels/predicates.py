"""Exact geometric tests on points with whole-number coordinates.

Coordinates are float64 that hold integers, and no two of them differ by :data:`EXTENT` or more. Differences
then have 26 bits and their products 52, so a turn is exact in plain float64. The in-circle determinant needs
106 bits: a float filter with a proven bound decides nearly all, integers in two limbs decide the rest.
"""

from __future__ import annotations

import numpy as np

from cloudprep.kernels.compiling import njit

EXTENT = 1 << 26
"""Coordinates of one triangulation span less than this many steps."""

# Each of the three terms below is rounded once (its two factors are exact), and two sums are rounded: the
# error is below 3 (1 + tiny) 2^-53 times the sum of the terms' sizes. 2^-51 leaves room for rounding the sum.
_FILTER = 2.0**-51

_LIMB = 27
_LOW = (1 << _LIMB) - 1


@njit(nogil=True, cache=True)
def turn(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Return twice the signed area of the triangle a, b, c: > 0 counterclockwise, 0 collinear. Exact.

    Parameters
    ----------
    ax, ay, bx, by, cx, cy : float
        Whole-number coordinates, steps.

    Returns
    -------
    float
        Twice the area, square steps.
    """
    return (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)


@njit(nogil=True, cache=True)
def in_circle(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Tell whether the origin lies inside the circle through the counterclockwise triangle a, b, c. Exact.

    Four points on one circle are decided as if each lifted point ``x^2 + y^2`` were raised by its own
    infinitesimal, the larger the earlier the point comes in the order of (x, y). So the answer depends on
    coordinates alone, is never "on the circle", and the triangulation of any point set is unique.

    Parameters
    ----------
    ax, ay, bx, by, cx, cy : float
        Corners relative to the point that is asked about; whole numbers, steps.

    Returns
    -------
    bool
        Whether the point is inside.

    Notes
    -----
    Determinant as in Guibas and Stolfi 1985, "Primitives for the manipulation of general subdivisions";
    infinitesimals after Edelsbrunner and Muecke 1990, "Simulation of simplicity".
    """
    a_lift = ax * ax + ay * ay
    b_lift = bx * bx + by * by
    c_lift = cx * cx + cy * cy
    a_term = a_lift * (bx * cy - cx * by)
    b_term = b_lift * (cx * ay - ax * cy)
    c_term = c_lift * (ax * by - bx * ay)
    determinant = a_term + b_term + c_term
    bound = _FILTER * (abs(a_term) + abs(b_term) + abs(c_term))
    if determinant > bound:
        return True
    if determinant < -bound:
        return False
    sign = _in_circle_sign(ax, ay, bx, by, cx, cy)
    if sign != 0:
        return sign > 0
    return _tie(ax, ay, bx, by, cx, cy)


@njit(nogil=True, cache=True)
def _in_circle_sign(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Return the sign of the in-circle determinant from 64-bit integers.

    A lift has 53 bits and a cofactor 53 and a sign: both are cut into a high part and 27 low bits, and the
    partial products of the three terms are summed by weight, each sum staying below 2^57.
    """
    px = (np.int64(ax), np.int64(bx), np.int64(cx))
    py = (np.int64(ay), np.int64(by), np.int64(cy))
    high = np.int64(0)
    middle = np.int64(0)
    low = np.int64(0)
    for i in range(3):
        j = (i + 1) % 3
        k = (i + 2) % 3
        lift = px[i] * px[i] + py[i] * py[i]
        cofactor = px[j] * py[k] - px[k] * py[j]
        lift_high = lift >> _LIMB
        lift_low = lift & _LOW
        cofactor_high = cofactor >> _LIMB
        cofactor_low = cofactor & _LOW
        high += lift_high * cofactor_high
        middle += lift_high * cofactor_low + lift_low * cofactor_high
        low += lift_low * cofactor_low
    middle += low >> _LIMB
    low &= _LOW
    high += middle >> _LIMB
    middle &= _LOW
    if high != 0:
        return 1 if high > 0 else -1
    return 1 if middle != 0 or low != 0 else 0


@njit(nogil=True, cache=True)
def _tie(ax, ay, bx, by, cx, cy):  # type: ignore[no-untyped-def]
    """Decide four distinct points on one circle: the first in the order of (x, y) is the one that is raised.

    Raising the point asked about moves it out of the circle; raising a corner changes the determinant by its
    cofactor, which is never 0 since no three distinct points of a circle are collinear. So the first point
    decides alone.
    """
    first = 3
    x = 0.0
    y = 0.0
    if ax < x or (ax == x and ay < y):
        first = 0
        x = ax
        y = ay
    if bx < x or (bx == x and by < y):
        first = 1
        x = bx
        y = by
    if cx < x or (cx == x and cy < y):
        first = 2
    if first == 0:
        return bx * cy - cx * by > 0
    if first == 1:
        return cx * ay - ax * cy > 0
    if first == 2:
        return ax * by - bx * ay > 0
    return False
