"""Principal axes of eight neighbourhoods at once."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.simd import (
    larger,
    load,
    minus,
    over,
    pick_below,
    plus,
    root,
    smaller,
    spread,
    squared,
    store,
    times,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Without three points there is no plane.
PLANE_LEAST = 3.0
# What :func:`axes_of_lanes` fills in, eight lanes each: deviations, normal, mean offset; then its own notes.
DEVIATIONS, NORMAL, OFFSETS = 0, 24, 48
SIZE = 72
# The cosine of a third of an angle is 1 less w times a polynomial of w - 1/4, where 1 - 2 w is the cosine of
# half of it: a Chebyshev function of fractional degree, which nothing disturbs up to w = 1/2; interpolated at
# Chebyshev nodes, powers ascending.
_THIRD = (
    0.9358222275240878,
    0.2152561510692987,
    0.13156345565790503,
    0.10513249802929037,
    0.09569369160827683,
    0.09410388920117434,
    0.09740867962493334,
    0.10457735775696372,
    0.11538158645535915,
    0.13003256330079757,
    0.1490431110034005,
    0.17308394367449215,
    0.20347469872874951,
    0.24472465317224235,
    0.2930828710697786,
    0.30698551589891027,
    0.37138805349494164,
    0.8242667158898387,
    1.0146962269884978,
)


@njit(nogil=True, cache=True)
def third_of_turn(r: float) -> float:
    """Return the cosine of a third of an angle, from the angle's cosine r, -1 to 1."""
    w = (1.0 - r) * 0.25 / (1.0 + math.sqrt((1.0 + r) * 0.5))
    v = w - 0.25
    square = v * v
    even, odd = _THIRD[18], _THIRD[17]
    for i in range(8, -1, -1):
        even = even * square + _THIRD[2 * i]
    for i in range(7, -1, -1):
        odd = odd * square + _THIRD[2 * i + 1]
    return 1.0 - w * (even + odd * v)


@njit(nogil=True, cache=True)
def _third_of_turn(r: Floats) -> Floats:
    """Return the same for eight lanes, operation for operation."""
    one, quarter = spread(1.0), spread(0.25)
    w = over(times(minus(one, r), quarter), plus(one, root(times(plus(one, r), spread(0.5)))))
    v = minus(w, quarter)
    square = squared(v)
    even, odd = spread(_THIRD[18]), spread(_THIRD[17])
    for i in range(8, -1, -1):
        even = plus(times(even, square), spread(_THIRD[2 * i]))
    for i in range(7, -1, -1):
        odd = plus(times(odd, square), spread(_THIRD[2 * i + 1]))
    return minus(one, times(w, plus(even, times(odd, v))))


@njit(nogil=True, cache=True)
def axes_of_lanes(sums: Floats, axes: Floats) -> None:
    """Set ``axes`` to the three standard deviations, the normal and the mean offset of each of eight lanes.

    ``sums`` holds ten sums for eight lanes each: count, offsets, their squares and their products. Operation
    for operation this is :func:`cloudprep.kernels.neighbours_shape.principal_axes`, with a choice in the
    place of every branch.
    """
    zero, one, two, three = spread(0.0), spread(1.0), spread(2.0), spread(3.0)
    count = load(sums, 0)
    n = larger(count, one)
    mx, my, mz = over(load(sums, 8), n), over(load(sums, 16), n), over(load(sums, 24), n)
    store(axes, OFFSETS, mx)
    store(axes, OFFSETS + 8, my)
    store(axes, OFFSETS + 16, mz)
    xx = minus(over(load(sums, 32), n), squared(mx))
    yy = minus(over(load(sums, 40), n), squared(my))
    zz = minus(over(load(sums, 48), n), squared(mz))
    xy = minus(over(load(sums, 56), n), times(mx, my))
    xz = minus(over(load(sums, 64), n), times(mx, mz))
    yz = minus(over(load(sums, 72), n), times(my, mz))
    q = over(plus(plus(xx, yy), zz), three)
    ax, ay, az = minus(xx, q), minus(yy, q), minus(zz, q)
    square = plus(plus(squared(ax), squared(ay)), squared(az))
    square = plus(square, times(two, plus(plus(squared(xy), squared(xz)), squared(yz))))
    p = root(over(square, spread(6.0)))
    # Where all directions are alike, any p does: nothing comes of it.
    alike = times(spread(1e-12), q)
    safe = pick_below(alike, p, p, one)
    det = plus(
        minus(
            times(ax, minus(times(ay, az), squared(yz))),
            times(xy, minus(times(xy, az), times(yz, xz))),
        ),
        times(xz, minus(times(xy, yz), times(ay, xz))),
    )
    r = smaller(larger(over(det, times(times(times(two, safe), safe), safe)), spread(-1.0)), one)
    c = _third_of_turn(r)
    s = root(larger(minus(one, squared(c)), zero))
    high = pick_below(alike, p, plus(q, times(times(two, p), c)), q)
    low = pick_below(alike, p, minus(q, times(p, plus(c, times(spread(math.sqrt(3.0)), s)))), q)
    middle = pick_below(alike, p, minus(minus(times(three, q), high), low), q)
    store(axes, DEVIATIONS, pick_below(zero, q, root(larger(low, zero)), zero))
    store(axes, DEVIATIONS + 8, pick_below(zero, q, root(larger(middle, zero)), zero))
    store(axes, DEVIATIONS + 16, pick_below(zero, q, root(larger(high, zero)), zero))
    ux, vy, wz = minus(xx, low), minus(yy, low), minus(zz, low)
    nx = minus(times(xy, yz), times(xz, vy))
    ny = minus(times(xz, xy), times(ux, yz))
    nz = minus(times(ux, vy), squared(xy))
    length = plus(plus(squared(nx), squared(ny)), squared(nz))
    bx = minus(times(xy, wz), times(xz, yz))
    by = minus(squared(xz), times(ux, wz))
    bz = minus(times(ux, yz), times(xy, xz))
    other = plus(plus(squared(bx), squared(by)), squared(bz))
    nx, ny = pick_below(length, other, bx, nx), pick_below(length, other, by, ny)
    nz, length = pick_below(length, other, bz, nz), larger(length, other)
    bx = minus(times(vy, wz), squared(yz))
    by = minus(times(yz, xz), times(xy, wz))
    bz = minus(times(xy, yz), times(vy, xz))
    other = plus(plus(squared(bx), squared(by)), squared(bz))
    nx, ny = pick_below(length, other, bx, nx), pick_below(length, other, by, ny)
    nz, length = pick_below(length, other, bz, nz), larger(length, other)
    # No normal on a line, of fewer than three points, or in one place.
    least = times(times(times(times(spread(1e-20), q), q), q), q)
    known = pick_below(count, spread(PLANE_LEAST), zero, one)
    known = pick_below(zero, q, pick_below(least, length, known, zero), zero)
    upright = pick_below(nx, zero, spread(-1.0), one)
    upright = pick_below(ny, zero, spread(-1.0), pick_below(zero, ny, one, upright))
    upright = pick_below(nz, zero, spread(-1.0), pick_below(zero, nz, one, upright))
    length = pick_below(zero, known, times(upright, root(length)), one)
    store(axes, NORMAL, pick_below(zero, known, over(nx, length), zero))
    store(axes, NORMAL + 8, pick_below(zero, known, over(ny, length), zero))
    store(axes, NORMAL + 16, pick_below(zero, known, over(nz, length), zero))
