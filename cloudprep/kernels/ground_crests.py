"""Crests of cliffs: beside ground that was found above a steep place, ground goes up to its level."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.ground_behind import lower_before_ground
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints
    from cloudprep.kernels.ground_limits import Limits

    Floats = NDArray[np.float64]
    Raster = NDArray[np.float32]


class Crests(NamedTuple):
    """What the crest of a cliff is.

    Parameters
    ----------
    steep : float
        Where ground may lie so far above the surface, m, that is steep (0.6: a slope of a quarter). There
        it lies no higher than ...
    uphill : float
        ... the surface so many cells around, and ``over``. An even slope rises further over one and a half
        cells than its tolerance reaches, so that it loses nothing; one cell takes the edges off terraces.
    cliff : float
        Where ground may lie so far above the surface, m, that there may be a cliff.
    near : float
        There ground above the limit is looked for so far around a place, in cells; the place may be as high
    over : float
        ... and higher by this, m.
    apart : float
        Points that lie lower than the crest by more than this, m, are those of the foot.
    around, mixed : float
        Seen from above, points of crest and foot within ``around`` (cells) of the place may overlap by
        ``mixed`` (cells) at most, across the line between them: under an overhang they do.
    """

    steep: float = 0.6
    uphill: float = 1.5
    cliff: float = 2.1
    near: float = 1.0
    over: float = 0.3
    apart: float = 2.0
    around: float = 2.0
    mixed: float = 0.35


@njit(nogil=True, cache=True, error_model="numpy")
def _crest(
    points: tuple[Floats, Floats, Floats],
    limits: tuple[Raster, Raster],
    at: tuple[int, int],
    middle: tuple[float, float],
    size: int,
    near: float,
) -> Any:
    """Return the level of the highest ground near a place, m."""
    x, y, z = points
    low, high = limits
    r, c = at
    best = -np.inf
    for r2 in range(max(0, r - size), min(z.shape[0], r + size + 1)):
        for c2 in range(max(0, c - size), min(z.shape[1], c + size + 1)):
            # Comparisons with NaN are false.
            if z[r2, c2] > best and low[r2, c2] <= z[r2, c2] <= high[r2, c2]:
                u, v = x[r2, c2] - middle[0], y[r2, c2] - middle[1]
                if u * u + v * v <= near * near:
                    best = z[r2, c2]
    return best


@njit(nogil=True, cache=True, error_model="numpy")
def _overlap(
    points: tuple[Floats, Floats, Floats],
    at: tuple[int, int],
    middle: tuple[float, float],
    size: int,
    around: float,
    level: float,
) -> Any:
    """Return by how much points above and below a level overlap in plan, m; negative if they don't."""
    x, y, z = points
    r, c = at
    above, below = np.zeros(3), np.zeros(3)
    rows = max(0, r - size), min(z.shape[0], r + size + 1)
    columns = max(0, c - size), min(z.shape[1], c + size + 1)
    for r2 in range(rows[0], rows[1]):
        for c2 in range(columns[0], columns[1]):
            u, v = x[r2, c2] - middle[0], y[r2, c2] - middle[1]
            if u * u + v * v <= around * around:
                side = above if z[r2, c2] >= level else below
                side[0] += 1.0
                side[1] += u
                side[2] += v
    if above[0] == 0 or below[0] == 0:
        return -np.inf
    across = below[1] / below[0] - above[1] / above[0]
    up = below[2] / below[0] - above[2] / above[0]
    length = np.hypot(across, up) + 1e-9
    farthest, nearest = -np.inf, np.inf
    for r2 in range(rows[0], rows[1]):
        for c2 in range(columns[0], columns[1]):
            u, v = x[r2, c2] - middle[0], y[r2, c2] - middle[1]
            if u * u + v * v <= around * around:
                out = (u * across + v * up) / length
                if z[r2, c2] >= level:
                    farthest = max(farthest, out)
                else:
                    nearest = min(nearest, out)
    return farthest - nearest


@njit(nogil=True, cache=True, error_model="numpy")
def _beyond(raster: Raster, at: tuple[int, int], by: tuple[int, int]) -> Any:
    """Return what a raster would have so many cells away, beyond its edge, if it went on straight."""
    rows, columns = raster.shape
    r, c = at
    i, k = by
    row_in, column_in = 0 <= r + i < rows, 0 <= c + k < columns
    # What lies as far on the other side is turned over; of a narrow raster nothing does.
    if (not row_in and not 0 <= r - i < rows) or (not column_in and not 0 <= c - k < columns):
        return raster[r, c]
    if column_in:
        return 2 * raster[r, c + k] - raster[r - i, c + k]
    if row_in:
        return 2 * raster[r + i, c] - raster[r + i, c - k]
    return 2 * raster[r, c] - raster[r - i, c - k]


@njit(nogil=True, cache=True, error_model="numpy")
def _highest(raster: Raster, at: tuple[int, int], size: int) -> Any:
    """Return the highest value of a raster in a disk; beyond its edge it goes on straight."""
    rows, columns = raster.shape
    r, c = at
    best = raster[r, c]
    for i in range(-size, size + 1):
        for k in range(-size, size + 1):
            if i * i + k * k > size * size + 1:
                continue
            if 0 <= r + i < rows and 0 <= c + k < columns:
                best = max(best, raster[r + i, c + k])
            else:
                best = max(best, _beyond(raster, at, (i, k)))
    return best


@njit(nogil=True, cache=True, error_model="numpy")
def _lowered(
    centre: Raster, high: Raster, size: int, rules: Crests, begin: int, end: int, lowered: Raster
) -> None:
    for r in range(begin, end):
        for c in range(centre.shape[1]):
            lowered[r, c] = high[r, c]
            if high[r, c] - centre[r, c] >= rules.steep:
                lowered[r, c] = min(high[r, c], _highest(centre, (r, c), size) + rules.over)


@njit(nogil=True, cache=True, error_model="numpy")
def _raised(
    points: tuple[Floats, Floats, Floats],
    limits: tuple[Raster, Raster, Raster],
    cliffs: NDArray[np.bool_],
    first: tuple[int, int],
    fine: float,
    rules: Crests,
    begin: int,
    end: int,
    raised: Raster,
) -> None:
    low, centre, high = limits
    near, around = 2 * fine * rules.near, 2 * fine * rules.around
    size, wider = int(np.ceil(2 * rules.near)), int(np.ceil(2 * rules.around))
    for r in range(begin, end):
        for c in range(centre.shape[1]):
            raised[r, c] = high[r, c]
            if not cliffs[r, c]:
                continue
            middle = (first[0] + c + 0.5) * fine, (first[1] + r + 0.5) * fine
            level = _crest(points, (low, high), (r, c), middle, size, near)
            if level + rules.over <= high[r, c]:
                continue
            mixed = _overlap(points, (r, c), middle, wider, around, level - rules.apart)
            if mixed <= 2 * fine * rules.mixed:
                raised[r, c] = level + rules.over


def with_crests(
    limits: Limits, cells: LowestPoints, *, fine: float, rules: Crests | None = None, threads: int = 1
) -> Limits:
    """Let ground reach up to the level of the ground beside it where the surface is steep, and no higher.

    A cliff falls further between two cells of the surface than any tolerance that goes by slope allows for,
    so that its edge and the upper part of its face would be left out. Beside a low wall the same tolerance
    reaches above its top, where shrubs are, and above the ground before it
    (:func:`~cloudprep.kernels.ground_behind.lower_before_ground`).

    Parameters
    ----------
    limits : Limits
        Of the surfaces.
    cells : LowestPoints
        Lowest points of the same fine cells, m; heights from the level of the limits.
    fine : float
        Side of these cells, m; the surface's are twice as wide.
    rules : Crests, optional
        The rules.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    Limits
        With ``high`` lowered to the surface uphill, raised beside crests, and lowered to the points behind.
        Under an overhang it stays: the lowest points are the ground there.
    """
    rules = rules or Crests()
    lowered, raised = np.empty_like(limits.high), np.empty_like(limits.high)
    uphill = limits.centre, limits.high, round(2 * rules.uphill), rules
    cliffs = limits.high - limits.centre >= rules.cliff
    given = (
        (cells.x, cells.y, cells.z),
        (limits.low, limits.centre, lowered),
        cliffs,
        (limits.column, limits.row),
        fine,
        rules,
    )
    shape = lowered.shape[0], lowered.shape[1]
    in_strips(lambda part: _lowered(*uphill, part.start, part.stop, lowered), shape, threads)
    in_strips(lambda part: _raised(*given, part.start, part.stop, raised), shape, threads)
    limits = limits._replace(high=raised)
    lower_before_ground(limits, cells, cliffs, fine=fine, threads=threads)
    return limits
