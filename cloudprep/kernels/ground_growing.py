"""Ground grows over crests and edges: planes through the ground on one side predict the next point."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

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
def _add(sums: Floats, u: float, v: float, w: float, near: float) -> None:
    """Add a supporting point, as seen from the point it supports, to the sums of the sectors it lies in."""
    d = math.sqrt(u * u + v * v) + 1e-9
    for k in range(_SECTORS):
        if u * _COSINES[k] + v * _SINES[k] > _HALF_WIDTH * d:
            s = sums[k]
            s[0] += 1.0
            s[1] += 1.0 if d < near else 0.0
            s[2] += u
            s[3] += v
            s[4] += w
            s[5] += u * u
            s[6] += u * v
            s[7] += v * v
            s[8] += u * w
            s[9] += v * w
            s[10] += w * w


@njit(nogil=True, cache=True, error_model="numpy")
def _misfit(sums: Floats, cell: float, rules: Growing) -> Any:
    """Return how far the plane of a sector misses the point at the origin, less the slack; or inf."""
    m, close, sx, sy, sz, sxx, sxy, syy, sxz, syz, szz = (
        sums[0],
        sums[1],
        sums[2],
        sums[3],
        sums[4],
        sums[5],
        sums[6],
        sums[7],
        sums[8],
        sums[9],
        sums[10],
    )
    if m < rules.fewest or close == 0:
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
def _any_close(ground: Flags, r: int, c: int) -> bool:
    """Tell whether any ground lies within two cells."""
    for r2 in range(max(0, r - 2), min(ground.shape[0], r + 3)):
        for c2 in range(max(0, c - 2), min(ground.shape[1], c + 3)):
            if ground[r2, c2]:
                return True
    return False


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
    again: Flags,
) -> int:
    """Grow once; ``again`` tells the cells to look at, and is set where the next round has something new."""
    rows, columns = z.shape
    reach = rules.reach
    most = (reach * cell) ** 2
    near = rules.near * cell
    sums = np.empty((_SECTORS, 11))
    added = 0
    for r in range(rows):
        for c in range(columns):
            if not again[r, c] or not candidate[r, c] or ground[r, c] or not _any_close(ground, r, c):
                continue
            sums[:] = 0.0
            for r2 in range(max(0, r - reach), min(rows, r + reach + 1)):
                for c2 in range(max(0, c - reach), min(columns, c + reach + 1)):
                    if ground[r2, c2]:
                        u, v = x[r2, c2] - x[r, c], y[r2, c2] - y[r, c]
                        if u * u + v * v <= most:
                            _add(sums, u, v, z[r2, c2] - z[r, c], near)
            for k in range(_SECTORS):
                if _misfit(sums[k], cell, rules) <= rules.nearness:
                    grown[r, c] = True
                    added += 1
                    break
    again[:] = False
    for r in range(rows):
        for c in range(columns):
            if grown[r, c] and not ground[r, c]:
                again[max(0, r - reach) : r + reach + 1, max(0, c - reach) : c + reach + 1] = True
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
    again = np.ones(ground.shape, bool)
    for _ in range(rounds):
        before = grown.copy()
        if _grow(x, y, z, candidate, before, cell, rules, grown, again) == 0:
            break
    return grown
