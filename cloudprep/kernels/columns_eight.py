"""Points of columns compared with a place, eight at a time.

Runs of points around a place are short: what the compiler makes of a loop by itself leaves the last ones of a
run to be looked at one by one. Here every eight are one comparison, those too, with others that don't count.
There must be eight points at least (see :func:`eight_at_least`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.simd import (
    WIDTH,
    below,
    bits_set,
    larger,
    load,
    load_single,
    minus,
    pick_set,
    plus,
    root,
    smaller,
    spread,
    squared,
    store,
    times,
)

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Singles = NDArray[np.float32]

# What :func:`look_at_run` gathers, eight lanes each: the lowest rise, and sums of slopes in whole steps.
LOWEST, SLOPES_X, SLOPES_Y = 0, WIDTH, 2 * WIDTH
GATHERED = 3 * WIDTH
# Steps of slopes to a whole one: sums of them are exact, whatever their order.
_STEPS = 1e6
# Added and taken off again, this rounds to whole numbers.
_ROUNDING = 1.5 * 2.0**52


def eight_at_least(values: NDArray[Any]) -> NDArray[Any]:
    """Return values with so many zeros behind them that there are eight, which no run reaches."""
    short = WIDTH - len(values)
    return values if short <= 0 else np.concatenate([values, np.zeros(short, values.dtype)])


@njit(nogil=True, cache=True)
def counted(start: int, at: int, last: int) -> int:
    """Return a bit for each of the eight points from ``start`` on that lies between ``at`` and ``last``."""
    return (255 >> (WIDTH - min(last - start, WIDTH))) & (255 << (at - start))


@njit(nogil=True, cache=True)
def sides_of(chosen: int, ex: Floats, ey: Floats) -> int:
    """Return a bit for each quadrant in which any of the chosen of eight points lies, by their offsets."""
    east, north = below(spread(0.0), ex), below(spread(0.0), ey)
    sides = 8 * (chosen & east & north != 0) | 4 * (chosen & ~east & north != 0)
    return sides | 2 * (chosen & east & ~north != 0) | (chosen & ~east & ~north != 0)


@njit(nogil=True, cache=True)
def look_at_run(
    x: Floats,
    y: Floats,
    z: Floats,
    slope_x: Singles,
    slope_y: Singles,
    tolerance: Singles,
    first: int,
    last: int,
    px: float,
    py: float,
    pz: float,
    squared_radius: float,
    outwards: float,
    gathered: Floats,
) -> tuple[int, int, int, int]:
    """Return what a run of surface points says of a place.

    How many lie above it, below it and near it, and a bit for each quadrant with some above: off it by their
    tolerance, and ``outwards`` for each metre away. The lowest of those above, and the sums of their slopes,
    are added to what is ``gathered`` (see there).
    """
    up = down = inside = sides = 0
    qx, qy, qz = spread(px), spread(py), spread(pz)
    most, zero = spread(squared_radius), spread(0.0)
    for at in range(first, last, WIDTH):
        start = min(at, x.shape[0] - WIDTH)
        ex, ey = minus(load(x, start), qx), minus(load(y, start), qy)
        d = plus(squared(ex), squared(ey))
        near = counted(start, at, last) & ~below(most, d)
        sx, sy = load_single(slope_x, start), load_single(slope_y, start)
        rise = minus(minus(minus(load(z, start), qz), times(sx, ex)), times(sy, ey))
        off = load_single(tolerance, start)
        if outwards > 0.0:
            off = plus(off, times(spread(outwards), root(d)))
        higher = near & below(off, rise)
        inside += bits_set(near)
        down += bits_set(near & below(rise, minus(zero, off)))
        if higher == 0:
            continue
        up += bits_set(higher)
        sides |= sides_of(higher, ex, ey)
        store(gathered, LOWEST, smaller(load(gathered, LOWEST), pick_set(higher, rise, spread(np.inf))))
        _add_steps(gathered, SLOPES_X, pick_set(higher, sx, zero))
        _add_steps(gathered, SLOPES_Y, pick_set(higher, sy, zero))
    return up, down, inside, sides


@njit(nogil=True, cache=True)
def _add_steps(gathered: Floats, at: int, slopes: Floats) -> None:
    steps = minus(plus(times(slopes, spread(_STEPS)), spread(_ROUNDING)), spread(_ROUNDING))
    store(gathered, at, plus(load(gathered, at), steps))


@njit(nogil=True, cache=True)
def empty_out(gathered: Floats) -> None:
    """Forget what was gathered."""
    store(gathered, LOWEST, spread(np.inf))
    store(gathered, SLOPES_X, spread(0.0))
    store(gathered, SLOPES_Y, spread(0.0))


@njit(nogil=True, cache=True)
def lowest_gathered(gathered: Floats) -> float:
    """Return the lowest rise of what was gathered, infinity if nothing was."""
    least = np.inf
    for k in range(LOWEST, LOWEST + WIDTH):
        least = min(least, gathered[k])
    return least


@njit(nogil=True, cache=True)
def sum_gathered(gathered: Floats, at: int) -> float:
    """Return one of the sums of slopes in millionths, a whole number."""
    total = 0.0
    for k in range(at, at + WIDTH):
        total += gathered[k]
    return total


@njit(nogil=True, cache=True)
def in_plane(
    x: Floats,
    y: Floats,
    z: Floats,
    first: int,
    last: int,
    px: float,
    py: float,
    pz: float,
    slope_x: float,
    slope_y: float,
    tolerance: float,
    squared_radius: float,
    outwards: float,
    enough: int,
) -> int:
    """Return how many of a run of points lie near a place and in its plane; enough of them end the count."""
    count = 0
    qx, qy, qz = spread(px), spread(py), spread(pz)
    sx, sy = spread(slope_x), spread(slope_y)
    most, least, more, zero = spread(squared_radius), spread(tolerance), spread(outwards), spread(0.0)
    at = first
    while at < last and count < enough:
        start = min(at, x.shape[0] - WIDTH)
        ex, ey = minus(load(x, start), qx), minus(load(y, start), qy)
        rise = minus(minus(minus(load(z, start), qz), times(sx, ex)), times(sy, ey))
        off = larger(rise, minus(zero, rise))
        away = larger(larger(ex, minus(zero, ex)), larger(ey, minus(zero, ey)))
        d = plus(squared(ex), squared(ey))
        beside = below(most, d) | below(plus(least, times(more, away)), off)
        count += bits_set(counted(start, at, last) & ~beside)
        at += WIDTH
    return count


@njit(nogil=True, cache=True)
def depths_in(
    x: Floats,
    y: Floats,
    z: Floats,
    slope_x: Singles,
    slope_y: Singles,
    first: int,
    last: int,
    px: float,
    py: float,
    pz: float,
    squared_radius: float,
    depth: float,
) -> tuple[int, int]:
    """Return how many of a run of surface points are near a place, and how many continue so far above it."""
    count = deeper = 0
    qx, qy, qz = spread(px), spread(py), spread(pz)
    most = spread(squared_radius)
    for at in range(first, last, WIDTH):
        start = min(at, x.shape[0] - WIDTH)
        ex, ey = minus(load(x, start), qx), minus(load(y, start), qy)
        near = counted(start, at, last) & ~below(most, plus(squared(ex), squared(ey)))
        rise = minus(load(z, start), qz)
        rise = minus(rise, times(load_single(slope_x, start), ex))
        rise = minus(rise, times(load_single(slope_y, start), ey))
        count += bits_set(near)
        deeper += bits_set(near & below(spread(depth), rise))
    return count, deeper


@njit(nogil=True, cache=True)
def levels_in(
    x: Floats,
    y: Floats,
    z: Floats,
    first: int,
    last: int,
    px: float,
    py: float,
    pz: float,
    squared_radius: float,
    tilt_x: float,
    tilt_y: float,
    step: float,
    squared_near: float,
) -> tuple[int, int, int]:
    """Return how many of a run lie up to a step above a plane's level, below it, and above nearby."""
    low = under = over = 0
    qx, qy, qz = spread(px), spread(py), spread(pz)
    most, close = spread(squared_radius), spread(squared_near)
    for at in range(first, last, WIDTH):
        start = min(at, x.shape[0] - WIDTH)
        ex, ey = minus(load(x, start), qx), minus(load(y, start), qy)
        d = plus(squared(ex), squared(ey))
        inside = counted(start, at, last) & ~below(most, d)
        rise = minus(load(z, start), qz)
        rise = minus(minus(rise, times(spread(tilt_x), ex)), times(spread(tilt_y), ey))
        higher = below(spread(step), rise)
        low += bits_set(inside & ~higher)
        under += bits_set(inside & below(rise, spread(-step)))
        over += bits_set(inside & higher & ~below(close, d))
    return low, under, over
