"""Ground grows over crests and edges: planes through the ground on one side predict the next point."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_SECTORS = 8
# A sector reaches 60 degrees to either side.
_HALF_WIDTH = 0.5
_SINES = tuple(math.sin(k * math.pi / 4) for k in range(_SECTORS))
_COSINES = tuple(math.cos(k * math.pi / 4) for k in range(_SECTORS))


class Growing(NamedTuple):
    """Rules of growing.

    Parameters
    ----------
    reach : int
        Cells around a point in which its support is looked for.
    near : float
        One supporting point must be closer than so many cells.
    fewest : int
        Points that a plane needs.
    roughest : float
        Root mean square residual of a plane, m, at most.
    nearness : float
        Height over the predicted one that is accepted, m, ...
    slack : float
        ... plus so many times what the plane rises over one cell.
    steadying : float
        Ridge that keeps narrow sectors from tilting, in squared cells a point.
    """

    reach: int = 4
    near: float = 2.2
    fewest: int = 4
    roughest: float = 0.5
    nearness: float = 0.2
    slack: float = 0.2
    steadying: float = 0.1


@njit(nogil=True, cache=True, error_model="numpy")
def _misfit(px: Floats, py: Floats, pz: Floats, n: int, k: int, cell: float, rules: Growing) -> float:
    """Return how far the plane of sector ``k`` misses the point at the origin, less the slack; or inf."""
    m = 0
    sx = sy = sz = sxx = sxy = syy = sxz = syz = szz = 0.0
    close = False
    for i in range(n):
        u, v, w = px[i], py[i], pz[i]
        d = math.sqrt(u * u + v * v) + 1e-9
        if (u * _COSINES[k] + v * _SINES[k]) / d <= _HALF_WIDTH:
            continue
        m += 1
        close |= d < rules.near * cell
        sx += u
        sy += v
        sz += w
        sxx += u * u
        sxy += u * v
        syy += v * v
        sxz += u * w
        syz += v * w
        szz += w * w
    if m < rules.fewest or not close:
        return np.inf
    mx, my, mz = sx / m, sy / m, sz / m
    ridge = rules.steadying * cell * cell
    a, b, e = sxx / m - mx * mx + ridge, sxy / m - mx * my, syy / m - my * my + ridge
    f, g = sxz / m - mx * mz, syz / m - my * mz
    det = a * e - b * b
    gx, gy = (f * e - g * b) / det, (g * a - f * b) / det
    # Mean squared residual of the ridge plane; the ridge terms are no part of the residuals.
    square = szz / m - mz * mz - 2 * (gx * f + gy * g)
    square += gx * gx * (a - ridge) + 2 * gx * gy * b + gy * gy * (e - ridge)
    if square > rules.roughest**2:
        return np.inf
    return abs(mz - gx * mx - gy * my) - rules.slack * math.hypot(gx, gy) * cell


@njit(nogil=True, cache=True, error_model="numpy")
def _grow(
    x: Floats,
    y: Floats,
    z: Floats,
    candidate: Flags,
    ground: Flags,
    cell: float,
    rules: Growing,
    grown: Flags,
) -> int:
    rows, columns = z.shape
    reach = rules.reach
    most = (reach * cell) ** 2
    room = (2 * reach + 1) ** 2
    px, py, pz = np.empty(room), np.empty(room), np.empty(room)
    added = 0
    for r in range(rows):
        for c in range(columns):
            if not candidate[r, c] or ground[r, c]:
                continue
            n = 0
            close = False
            for r2 in range(max(0, r - reach), min(rows, r + reach + 1)):
                for c2 in range(max(0, c - reach), min(columns, c + reach + 1)):
                    if ground[r2, c2]:
                        u, v = x[r2, c2] - x[r, c], y[r2, c2] - y[r, c]
                        if u * u + v * v <= most:
                            px[n], py[n], pz[n] = u, v, z[r2, c2] - z[r, c]
                            n += 1
                            close |= abs(r2 - r) <= 2 and abs(c2 - c) <= 2
            if n < rules.fewest or not close:
                continue
            for k in range(_SECTORS):
                if _misfit(px, py, pz, n, k, cell, rules) <= rules.nearness:
                    grown[r, c] = True
                    added += 1
                    break
    return added


def grow(
    x: Floats,
    y: Floats,
    z: Floats,
    candidate: Flags,
    ground: Flags,
    *,
    cell: float,
    rounds: int,
    rules: Growing,
) -> NDArray[np.bool_]:
    """Add points that a plane through the ground on one side of them predicts.

    A surface through both sides of a crest rounds it off and leaves the crest out; a plane through one side
    climbs it.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (rows, columns)
        One point a cell, m.
    candidate : ndarray of bool, shape (rows, columns)
        Cells that may be added.
    ground : ndarray of bool, shape (rows, columns)
        Cells that are ground.
    cell : float
        Side of a cell, m.
    rounds : int
        How often; each round builds on the one before.
    rules : Growing
        The rules.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        The ground with what was added.
    """
    grown = ground.copy()
    for _ in range(rounds):
        before = grown.copy()
        if _grow(x, y, z, candidate, before, cell, rules, grown) == 0:
            break
    return grown
