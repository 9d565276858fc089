"""Lowest points that lie in a hollow no ground has: far below a smooth surface all around them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Counts = NDArray[np.int64]

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
# Differences to a tolerance, m, below which rounding may tell.
_ROUNDING = 1e-9
# How many of these are counted for whole rows first.
_FIRST_RING, _QUICKLY = 8, 24
_UP, _RIGHT = (np.array(places, np.int64) for places in zip(*_RINGS, strict=True))
# The higher ones form a plane if their mean squared residual is below (0.25 m)^2 + (0.2 x gradient x 1 m)^2.
_FLAT = 0.0625
_FLAT_PER_SQUARED_SLOPE = 0.04


@njit(nogil=True, cache=True, error_model="numpy")
def _too_few_higher(
    x: Floats,
    y: Floats,
    padded: Floats,
    r: int,
    c: int,
    step: float,
    rise: float,
    counted: int,
    even: int,
    no_higher: int,
) -> bool:
    """Tell, from as few neighbours as it takes, whether a cell is no hollow: nearly every cell is none.

    ``padded`` holds the heights of cells that take part, NaN elsewhere and on a rim of _AROUND cells. Of the
    ``counted`` first neighbours, ``even`` lie level, and ``no_higher`` level or lower.
    """
    rows, columns = x.shape
    own = padded[r + _AROUND, c + _AROUND]
    # Ring by ring: what lies near is level more often.
    for i in range(counted, len(_UP)):
        up, right = _UP[i], _RIGHT[i]
        w = padded[r + _AROUND + up, c + _AROUND + right] - own
        over = abs(w) - step
        # Compared squared: most of the time would go into the roots. Beyond the rim nothing is compared.
        r2, c2 = min(max(r + up, 0), rows - 1), min(max(c + right, 0), columns - 1)
        u, v = x[r2, c2] - x[r, c], y[r2, c2] - y[r, c]
        # False where there is no neighbour.
        level = (over <= 0) | (over * over <= rise * rise * (u * u + v * v))
        even += int(level)
        no_higher += int(level | (w < 0))
        if (i & 7 == 7) & ((even > _MOST_LEVEL) | (no_higher > _MOST_NOT_HIGHER)):
            return True
    return bool((even > _MOST_LEVEL) | (no_higher > _MOST_NOT_HIGHER))


@njit(nogil=True, cache=True, error_model="numpy")
def _count_not_higher(
    near: tuple[Floats, Floats, Floats],
    own: tuple[Floats, Floats, Floats],
    step: float,
    rise: float,
    even: Counts,
    no_higher: Counts,
) -> None:
    """Count, for cells of a row, one neighbour of each if it lies level or lower."""
    most = rise * rise
    for c in range(len(even)):
        w = near[2][c] - own[2][c]
        over = abs(w) - step
        u, v = near[0][c] - own[0][c], near[1][c] - own[1][c]
        # As below; comparisons with NaN are false.
        level = (over <= 0) | (over * over <= most * (u * u + v * v))
        even[c] += np.int64(level)
        no_higher[c] += np.int64(level | (w < 0))


@njit(nogil=True, cache=True, error_model="numpy")
def _rule_out(
    x: Floats, y: Floats, padded: Floats, r: int, step: float, rise: float, even: Counts, no_higher: Counts
) -> bool:
    """Count, for all cells of a row, near neighbours that are not higher; return whether any may be a hollow.

    Whole rows at a time: that becomes vector instructions.
    """
    rows, columns = x.shape
    own_z = padded[r + _AROUND, _AROUND:]
    for c in range(columns):
        even[c] = 0 if own_z[c] == own_z[c] else _MOST_LEVEL + 1
        no_higher[c] = 0
    for i in range(_QUICKLY):
        r2, right = r + _UP[i], _RIGHT[i]
        if 0 <= r2 < rows:
            first, last = max(0, -right), min(columns, columns - right)
            near_z = padded[r2 + _AROUND, _AROUND + right :]
            _count_not_higher(
                (
                    x[r2, first + right : last + right],
                    y[r2, first + right : last + right],
                    near_z[first:last],
                ),
                (x[r, first:last], y[r, first:last], own_z[first:last]),
                step,
                rise,
                even[first:last],
                no_higher[first:last],
            )
        if i + 1 in (_FIRST_RING, _QUICKLY):
            some = False
            for c in range(columns):
                some |= (even[c] <= _MOST_LEVEL) & (no_higher[c] <= _MOST_NOT_HIGHER)
            if not some:
                return False
    return True


@njit(nogil=True, cache=True, error_model="numpy")
def _hollows(
    x: Floats,
    y: Floats,
    z: Floats,
    have: Flags,
    padded: Floats,
    step: float,
    rise: float,
    begin: int,
    end: int,
    level: Floats,
) -> None:
    rows, columns = z.shape
    evens, no_higher = np.zeros(columns, np.int64), np.zeros(columns, np.int64)
    for r in range(begin, end):
        if COMPILED and not _rule_out(x, y, padded, r, step, rise, evens, no_higher):
            continue
        counted = _QUICKLY if COMPILED else 0
        for c in range(columns):
            if not have[r, c] or evens[c] > _MOST_LEVEL or no_higher[c] > _MOST_NOT_HIGHER:
                continue
            if _too_few_higher(x, y, padded, r, c, step, rise, counted, evens[c], no_higher[c]):
                continue
            n = higher = even = 0
            sx = sy = sz = sxx = sxy = syy = sxz = syz = szz = 0.0
            for r2 in range(max(0, r - _AROUND), min(rows, r + _AROUND + 1)):
                for c2 in range(max(0, c - _AROUND), min(columns, c + _AROUND + 1)):
                    if not have[r2, c2] or (r2 == r and c2 == c):
                        continue
                    u, v, w = x[r2, c2] - x[r, c], y[r2, c2] - y[r, c], z[r2, c2] - z[r, c]
                    n += 1
                    # How far above or below the tolerance; exactly where rounding may tell: that takes long.
                    own_step = rise * math.sqrt(u * u + v * v) + step
                    over = abs(w) - own_step
                    if abs(over) < _ROUNDING:
                        own_step = step + rise * math.hypot(u, v)
                        over = 1.0 if abs(w) > own_step else (0.0 if abs(w) == own_step else -1.0)
                    if over > 0 and w > 0:
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
                    elif over < 0 or w > 0:
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


def hollows(
    x: Floats, y: Floats, z: Floats, have: Flags, *, step: float, rise: float, threads: int = 1
) -> NDArray[np.float64]:
    """Return how high the surface around lies where a cell's lowest point is in a hollow.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m.
    have : ndarray of bool, shape (rows, columns)
        Cells that take part.
    step, rise : float
        A neighbour lies higher if it exceeds the point by ``step`` (m) plus ``rise`` times the distance.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        Height of the plane of the higher neighbours, m; NaN where there is no hollow. A hollow has at least
        12 neighbours within three cells, four fifths of them higher and forming a plane.
    """
    level = np.full(z.shape, np.nan)
    padded = np.full((z.shape[0] + 2 * _AROUND, z.shape[1] + 2 * _AROUND), np.nan)
    np.copyto(padded[_AROUND:-_AROUND, _AROUND:-_AROUND], z, where=have)
    given = x, y, z, have, padded, step, rise
    in_strips(lambda part: _hollows(*given, part.start, part.stop, level), (z.shape[0], z.shape[1]), threads)
    return level
