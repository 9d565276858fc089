"""Ground grows over crests and edges: planes through the ground on one side predict the next point."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.simd import load, plus, spread, store, times, where_below
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_SECTORS = 8
# A sector reaches 60 degrees to either side.
_HALF_WIDTH = 0.5
_SINES = np.array([math.sin(k * math.pi / 4) for k in range(_SECTORS)])
_COSINES = np.array([math.cos(k * math.pi / 4) for k in range(_SECTORS)])


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
def _supporting(
    points: tuple[Floats, Floats, Floats],
    ground: Flags,
    at: tuple[int, int],
    cell: float,
    rules: Growing,
    support: Floats,
) -> int:
    """Gather the supporting points around a point, as seen from it; none where no plane may come near it."""
    x, y, z = points
    r, c = at
    rows, columns = z.shape
    most = (rules.reach * cell) ** 2
    lowest, highest = np.inf, -np.inf
    count = 0
    for r2 in range(max(0, r - rules.reach), min(rows, r + rules.reach + 1)):
        for c2 in range(max(0, c - rules.reach), min(columns, c + rules.reach + 1)):
            if ground[r2, c2]:
                u, v = x[r2, c2] - x[r, c], y[r2, c2] - y[r, c]
                if u * u + v * v <= most:
                    w = z[r2, c2] - z[r, c]
                    support[0, count], support[1, count], support[2, count] = u, v, w
                    lowest, highest = min(lowest, w), max(highest, w)
                    count += 1
    return 0 if count < rules.fewest or _out_of_reach(lowest, highest, cell, rules) else count


@njit(nogil=True, cache=True, error_model="numpy")
def _sum_up(support: Floats, count: int, near: float, sums: Floats) -> None:
    """Sum up supporting points in the sectors they lie in.

    ``sums``, shape (11, 8), receives a column for each sector. All of them at once: a point lies in two or
    three.
    """
    cosines, sines = load(_COSINES, 0), load(_SINES, 0)
    one, nothing = spread(1.0), spread(0.0)
    m = close = su = sv = sw = suu = suv = svv = suw = svw = sww = nothing
    for i in range(count):
        u, v, w = support[0, i], support[1, i], support[2, i]
        d = math.sqrt(u * u + v * v) + 1e-9
        ahead = plus(times(spread(u), cosines), times(spread(v), sines))
        half = spread(_HALF_WIDTH * d)
        m = plus(m, where_below(half, ahead, one))
        if d < near:
            close = plus(close, where_below(half, ahead, one))
        su = plus(su, where_below(half, ahead, spread(u)))
        sv = plus(sv, where_below(half, ahead, spread(v)))
        sw = plus(sw, where_below(half, ahead, spread(w)))
        suu = plus(suu, where_below(half, ahead, spread(u * u)))
        suv = plus(suv, where_below(half, ahead, spread(u * v)))
        svv = plus(svv, where_below(half, ahead, spread(v * v)))
        suw = plus(suw, where_below(half, ahead, spread(u * w)))
        svw = plus(svw, where_below(half, ahead, spread(v * w)))
        sww = plus(sww, where_below(half, ahead, spread(w * w)))
    store(sums, 0, m)
    store(sums, 8, close)
    store(sums, 16, su)
    store(sums, 24, sv)
    store(sums, 32, sw)
    store(sums, 40, suu)
    store(sums, 48, suv)
    store(sums, 56, svv)
    store(sums, 64, suw)
    store(sums, 72, svw)
    store(sums, 80, sww)


@njit(nogil=True, cache=True, error_model="numpy")
def _misfit(sums: Floats, sector: int, cell: float, rules: Growing) -> Any:
    """Return how far the plane of a sector misses the point at the origin, less the slack; or inf."""
    k = sector
    m, close, sx, sy, sz, sxx, sxy, syy, sxz, syz, szz = (
        sums[0, k],
        sums[1, k],
        sums[2, k],
        sums[3, k],
        sums[4, k],
        sums[5, k],
        sums[6, k],
        sums[7, k],
        sums[8, k],
        sums[9, k],
        sums[10, k],
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
def _extremes(
    z: Floats, ground: Flags, r: int, reach: int, room: Floats, lowest: Floats, highest: Floats
) -> None:
    """Write the lowest and highest ground of a row within some columns of each cell; infinite without any.

    ``room`` is to work in: two lines of as many columns and twice the reach.
    """
    columns = z.shape[1]
    if r < 0 or r >= len(z):
        lowest[:], highest[:] = np.inf, -np.inf
        return
    room[0], room[1] = np.inf, -np.inf
    low, high = room[0, reach:], room[1, reach:]
    for c in range(columns):
        low[c] = z[r, c] if ground[r, c] else np.inf
        high[c] = z[r, c] if ground[r, c] else -np.inf
    lowest[:], highest[:] = room[0, :columns], room[1, :columns]
    for k in range(1, 2 * reach + 1):
        low, high = room[0, k:], room[1, k:]
        for c in range(columns):
            lowest[c] = min(lowest[c], low[c])
            highest[c] = max(highest[c], high[c])


@njit(nogil=True, cache=True, error_model="numpy")
def _out_of_reach(lowest: float, highest: float, cell: float, rules: Growing) -> bool:
    """Tell whether no plane through points of heights within these, over a point, may come near it.

    A plane's gradient g, held by the ridge, obeys ridge * g^2 <= variance of the heights, which is at most
    (their span / 2)^2; and the mean of its points lies no further away than ``rules.reach`` cells.
    """
    away = max(lowest, -highest)
    steepest = (highest - lowest) / (2 * math.sqrt(rules.steadying) * cell)
    return bool(0.999 * away > rules.nearness + steepest * (rules.reach + rules.slack) * cell)


@njit(nogil=True, cache=True, error_model="numpy")
def _grow(
    x: Floats,
    y: Floats,
    z: Floats,
    candidate: Flags,
    ground: Flags,
    cell: float,
    rules: Growing,
    again: Flags,
    begin: int,
    end: int,
    grown: Flags,
) -> None:
    """Grow some rows once; ``again`` tells the cells to look at."""
    columns, reach = z.shape[1], rules.reach
    near = rules.near * cell
    sums, support = np.empty((11, _SECTORS)), np.empty((3, (2 * reach + 1) ** 2))
    # Of each row around, the lowest and highest ground of the columns around: what is out of reach of them
    # all is so of those within the circle.
    around = 2 * reach + 1
    lows, highs = np.empty((around, columns)), np.empty((around, columns))
    room, low, high = np.empty((2, columns + 2 * reach)), np.empty(columns), np.empty(columns)
    for r in range(begin - reach, begin + reach):
        _extremes(z, ground, r, reach, room, lows[r % around], highs[r % around])
    for r in range(begin, end):
        last = (r + reach) % around
        _extremes(z, ground, r + reach, reach, room, lows[last], highs[last])
        low[:], high[:] = lows[0], highs[0]
        for k in range(1, around):
            for c in range(columns):
                low[c] = min(low[c], lows[k, c])
                high[c] = max(high[c], highs[k, c])
        for c in range(columns):
            if not again[r, c] or not candidate[r, c] or ground[r, c]:
                continue
            if _out_of_reach(low[c] - z[r, c], high[c] - z[r, c], cell, rules):
                continue
            if not _any_close(ground, r, c):
                continue
            count = _supporting((x, y, z), ground, (r, c), cell, rules, support)
            if count == 0:
                continue
            _sum_up(support, count, near, sums)
            for k in range(_SECTORS):
                if _misfit(sums, k, cell, rules) <= rules.nearness:
                    grown[r, c] = True
                    break


@njit(nogil=True, cache=True, error_model="numpy")
def _look_again(ground: Flags, grown: Flags, reach: int, again: Flags) -> int:
    """Set where the next round has something new; return how many points were added."""
    rows, columns = ground.shape
    added = 0
    again[:] = False
    for r in range(rows):
        for c in range(columns):
            if grown[r, c] and not ground[r, c]:
                added += 1
                again[max(0, r - reach) : r + reach + 1, max(0, c - reach) : c + reach + 1] = True
    return added


def _grow_rows(given: tuple[Any, Any, Any, Any, Any, Any, Any, Any], grown: Flags, rows: slice) -> None:
    _grow(*given, rows.start, rows.stop, grown)


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
    threads: int = 1,
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
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        The ground with what was added.
    """
    grown = ground.copy()
    again = np.ones(ground.shape, bool)
    for _ in range(rounds):
        before = grown.copy()
        given = x, y, z, candidate, before, cell, rules, again
        in_strips(partial(_grow_rows, given, grown), (z.shape[0], z.shape[1]), threads)
        if _look_again(before, grown, rules.reach, again) == 0:
            break
    return grown
