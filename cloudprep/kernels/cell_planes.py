"""How high two sets of points lie against each other, from planes that fit each of them in common cells."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Integers = NDArray[np.int64]
    Floats = NDArray[np.float64]

STEP = 0.001
"""Coordinates are whole steps here, m, so that sums are exact in whatever order."""
DIFFERENCE_STEP = 0.0001
"""Differences are told in whole steps of this, m."""
# Points cover a cell evenly enough if their smallest spread is at least this share of its side; that of
# points all over it is 0.29.
_LEAST_SPREAD = 0.14
_FIGURES = 6


class PlaneLimits(NamedTuple):
    """Which planes count.

    Parameters
    ----------
    fewest : int
        Points of a plane at least.
    roughness : float
        Standard deviation of the points across the plane at most, m.
    slope : float
        Slope of the plane at most, as a ratio.
    """

    fewest: int
    roughness: float
    slope: float


class Differences(NamedTuple):
    """How far the plane of one set lies above that of another, a row for each cell and pair of sets.

    Parameters
    ----------
    first, second : ndarray of int64, shape (m,)
        The sets; the first has the smaller number.
    rise : ndarray of int64, shape (m,)
        Second above first, in steps of :data:`DIFFERENCE_STEP`.
    """

    first: Integers
    second: Integers
    rise: Integers


@njit(nogil=True, cache=True, error_model="numpy")
def _several(cell: Integers, which: Integers, least: Integers, most: Integers) -> None:
    for i in range(len(cell)):
        c = cell[i]
        least[c] = min(least[c], which[i])
        most[c] = max(most[c], which[i])


@njit(nogil=True, cache=True, error_model="numpy")
def _fit(
    u: Integers,
    v: Integers,
    z: Integers,
    start: Integers,
    limits: tuple[float, float, float, float],
    planes: Floats,
) -> None:
    """Fit planes to stretches of points; those that don't count keep a first figure of 0."""
    fewest, roughest, steepest, spread = limits
    for k in range(len(start) - 1):
        a, b = start[k], start[k + 1]
        n = b - a
        if n < fewest:
            continue
        su, sv, sz = np.int64(0), np.int64(0), np.int64(0)
        for i in range(a, b):
            su += u[i]
            sv += v[i]
            sz += z[i]
        # Whole steps near the middle: what is summed from there on is small, and exact.
        mu, mv, mz = su // n, sv // n, sz // n
        su, sv, sz = su - mu * n, sv - mv * n, sz - mz * n
        uu, uv, vv = np.int64(0), np.int64(0), np.int64(0)
        uz, vz, zz = np.int64(0), np.int64(0), np.int64(0)
        for i in range(a, b):
            du, dv, dz = u[i] - mu, v[i] - mv, z[i] - mz
            uu += du * du
            uv += du * dv
            vv += dv * dv
            uz += du * dz
            vz += dv * dz
            zz += dz * dz
        ou, ov, oz = su / n, sv / n, sz / n
        cuu, cuv, cvv = uu / n - ou * ou, uv / n - ou * ov, vv / n - ov * ov
        cuz, cvz, czz = uz / n - ou * oz, vz / n - ov * oz, zz / n - oz * oz
        half, turn = (cuu + cvv) / 2, math.sqrt(((cuu - cvv) / 2) ** 2 + cuv * cuv)
        if half - turn < spread * spread:
            continue
        determinant = cuu * cvv - cuv * cuv
        du, dv = (cuz * cvv - cvz * cuv) / determinant, (cvz * cuu - cuz * cuv) / determinant
        across = max(0.0, czz - du * cuz - dv * cvz) * n / (n - 3)
        if across > roughest * roughest or du * du + dv * dv > steepest * steepest:
            continue
        planes[k, 0] = 1.0
        planes[k, 1], planes[k, 2], planes[k, 3] = mu + ou, mv + ov, mz + oz
        planes[k, 4], planes[k, 5] = du, dv


@njit(nogil=True, cache=True, error_model="numpy")
def _compare(
    cell: Integers, planes: Floats, step: float, first: Integers, second: Integers, rise: Integers
) -> int:
    """Compare all planes of each cell with each other; returns how many pairs there are."""
    count = 0
    for i in range(len(cell)):
        if planes[i, 0] == 0.0:
            continue
        for j in range(i + 1, len(cell)):
            if cell[j] != cell[i]:
                break
            if planes[j, 0] == 0.0:
                continue
            if count < len(first):
                u, v = (planes[i, 1] + planes[j, 1]) / 2, (planes[i, 2] + planes[j, 2]) / 2
                one = planes[i, 3] + planes[i, 4] * (u - planes[i, 1]) + planes[i, 5] * (v - planes[i, 2])
                other = planes[j, 3] + planes[j, 4] * (u - planes[j, 1]) + planes[j, 5] * (v - planes[j, 2])
                first[count], second[count] = i, j
                rise[count] = np.int64(np.rint((other - one) * step))
            count += 1
    return count


def plane_differences(
    x: Floats,
    y: Floats,
    z: Floats,
    cell: Integers,
    which: Integers,
    side: float,
    limits: PlaneLimits,
) -> Differences:
    """Compare sets of points cell by cell.

    In each cell a plane is fitted to the points of each set by least squares; two planes are compared midway
    between the middles of their points.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, x and y from the lower left corner of the cell that the point lies in.
    cell : ndarray of int64, shape (n,)
        Number of the cell, from 0; not much larger than there are cells.
    which : ndarray of int64, shape (n,)
        Number of the set, from 0.
    side : float
        Side of a cell, m.
    limits : PlaneLimits
        Which planes count.

    Returns
    -------
    Differences
        The same for any order of the points, to the bit.
    """
    nothing = np.zeros(0, np.int64)
    if len(cell) == 0:
        return Differences(nothing, nothing, nothing)
    cells, sets = int(cell.max()) + 1, int(which.max()) + 1
    least, most = np.full(cells, sets, np.int64), np.full(cells, -1, np.int64)
    _several(cell, which, least, most)
    shared = np.flatnonzero((least != most)[cell])
    key = cell[shared] * sets + which[shared]
    order = np.argsort(key, kind="stable")
    rows, key = shared[order], key[order]
    start = np.flatnonzero(np.diff(key, prepend=-1))
    u, v, h = (np.rint(a[rows] / STEP).astype(np.int64) for a in (x, y, z))
    planes = np.zeros((len(start), _FIGURES))
    bounds = float(limits.fewest), limits.roughness / STEP, limits.slope, _LEAST_SPREAD * side / STEP
    _fit(u, v, h, np.append(start, len(rows)), bounds, planes)
    cells_of, sets_of = key[start] // sets, key[start] % sets
    scale = STEP / DIFFERENCE_STEP
    count = _compare(cells_of, planes, scale, nothing, nothing, nothing)
    first, second, rise = (np.empty(count, np.int64) for _ in range(3))
    _compare(cells_of, planes, scale, first, second, rise)
    return Differences(sets_of[first], sets_of[second], rise)
