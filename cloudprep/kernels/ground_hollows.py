"""Lowest points that lie in a hollow no ground has: far below a smooth surface all around them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# Cells to each side that are looked at, how many of them must hold points, what share of these must lie
# higher, and how many may lie level (the rest of a group of low points).
_AROUND = 3
_FEWEST = 12
_HIGHER = 0.8
_MOST_LEVEL = 6
_MOST_NOT_HIGHER = int((1 - _HIGHER) * ((2 * _AROUND + 1) ** 2 - 1))
# Rows and columns of the neighbours, ring by ring.
_RINGS = sorted(
    (
        (up, right)
        for up in range(-_AROUND, _AROUND + 1)
        for right in range(-_AROUND, _AROUND + 1)
        if (up, right) != (0, 0)
    ),
    key=lambda place: max(abs(place[0]), abs(place[1])),
)
_UP, _RIGHT = (np.array(places, np.int64) for places in zip(*_RINGS, strict=True))
# The higher ones form a plane if their mean squared residual is below (0.25 m)^2 + (0.2 x gradient x 1 m)^2.
_FLAT = 0.0625
_FLAT_PER_SQUARED_SLOPE = 0.04


@njit(nogil=True, cache=True, error_model="numpy")
def _too_few_higher(x: Floats, y: Floats, padded: Floats, r: int, c: int, step: float, rise: float) -> bool:
    """Tell, from as few neighbours as it takes, whether a cell is no hollow: nearly every cell is none.

    ``padded`` holds the heights of cells that take part, NaN elsewhere and on a rim of _AROUND cells.
    """
    own = padded[r + _AROUND, c + _AROUND]
    even = lower = 0
    # Ring by ring: what lies near is level more often.
    for i in range(len(_UP)):
        up, right = _UP[i], _RIGHT[i]
        w = padded[r + _AROUND + up, c + _AROUND + right] - own
        over = abs(w) - step
        if over <= 0:
            even += 1
        elif over > 0:  # not so where there is no neighbour
            # Compared squared: most of the time would go into the roots.
            u, v = x[r + up, c + right] - x[r, c], y[r + up, c + right] - y[r, c]
            if over * over <= rise * rise * (u * u + v * v):
                even += 1
            elif w < 0:
                lower += 1
        if even > _MOST_LEVEL or even + lower > _MOST_NOT_HIGHER:
            return True
    return False


@njit(nogil=True, cache=True, error_model="numpy")
def _hollows(x: Floats, y: Floats, z: Floats, have: Flags, step: float, rise: float, level: Floats) -> None:
    rows, columns = z.shape
    padded = np.full((rows + 2 * _AROUND, columns + 2 * _AROUND), np.nan)
    for r in range(rows):
        for c in range(columns):
            if have[r, c]:
                padded[r + _AROUND, c + _AROUND] = z[r, c]
    for r in range(rows):
        for c in range(columns):
            if not have[r, c] or _too_few_higher(x, y, padded, r, c, step, rise):
                continue
            n = higher = even = 0
            sx = sy = sz = sxx = sxy = syy = sxz = syz = szz = 0.0
            for r2 in range(max(0, r - _AROUND), min(rows, r + _AROUND + 1)):
                for c2 in range(max(0, c - _AROUND), min(columns, c + _AROUND + 1)):
                    if not have[r2, c2] or (r2 == r and c2 == c):
                        continue
                    u, v, w = x[r2, c2] - x[r, c], y[r2, c2] - y[r, c], z[r2, c2] - z[r, c]
                    n += 1
                    tolerance = step + rise * math.hypot(u, v)
                    if w > tolerance:
                        higher += 1
                        sx += u
                        sy += v
                        sz += w
                        sxx += u * u
                        sxy += u * v
                        syy += v * v
                        sxz += u * w
                        syz += v * w
                        szz += w * w
                    elif w > -tolerance:
                        even += 1
            if n < _FEWEST or higher < _HIGHER * n or even > _MOST_LEVEL:
                continue
            mx, my, mz = sx / higher, sy / higher, sz / higher
            a, b, e = sxx / higher - mx * mx + 1e-6, sxy / higher - mx * my, syy / higher - my * my
            f, g = sxz / higher - mx * mz, syz / higher - my * mz
            det = a * e - b * b
            if det <= 0:
                continue
            gx, gy = (f * e - g * b) / det, (g * a - f * b) / det
            square = max(szz / higher - mz * mz - gx * f - gy * g, 0.0)
            above = mz - gx * mx - gy * my
            if square < _FLAT + _FLAT_PER_SQUARED_SLOPE * (
                gx * gx + gy * gy
            ) and above > step + 2 * math.sqrt(square):
                level[r, c] = z[r, c] + above


def hollows(x: Floats, y: Floats, z: Floats, have: Flags, *, step: float, rise: float) -> NDArray[np.float64]:
    """Return how high the surface around lies where a cell's lowest point is in a hollow.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m.
    have : ndarray of bool, shape (rows, columns)
        Cells that take part.
    step, rise : float
        A neighbour lies higher if it exceeds the point by ``step`` (m) plus ``rise`` times the distance.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        Height of the plane of the higher neighbours, m; NaN where there is no hollow. A hollow has at least
        12 neighbours within three cells, four fifths of them higher and forming a plane.
    """
    level = np.full(z.shape, np.nan)
    _hollows(x, y, z, have, step, rise, level)
    return level
