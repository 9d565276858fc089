"""The thin plate's multigrid cycle on whole rasters and whole lines instead of cell by cell.

Every value is reckoned by the operations of the kernels (:mod:`cloudprep.kernels.thin_plate_cycle`,
:mod:`cloudprep.kernels.thin_plate_levels`) in their order, and so are sums: the bits are the same. Rasters
have a rim of two cells that holds zeros.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.thin_plate_operator import Equations

    Raster = NDArray[Any]

_NEAR, _FAR, _ONE, _ZERO = np.float32(0.75), np.float32(0.25), np.float32(1), np.float32(0)
_INNER = np.s_[2:-2, 2:-2]
# As in :mod:`cloudprep.kernels.thin_plate_cycle`, which can't be loaded from here.
CHUNK = 128


def _times(eq: Equations, u: Raster) -> Raster:
    """Return a level's matrix times a raster, without the rim."""
    rows, columns = u.shape[0] - 4, u.shape[1] - 4

    def at(down: int, right: int) -> Raster:
        return u[2 + down : 2 + down + rows, 2 + right : 2 + right + columns]

    if eq.finest:
        along = eq.along_x[:, None]
        down, turn = eq.along_y[0, 2:-2, None], eq.along_y[3, 2:-2, None]
        down_next, down_before = eq.along_y[1, 2:-2, None], eq.along_y[1, 1:-3, None]
        left, middle, right = (turn * at(0, x) - at(-1, x) - at(1, x) for x in (-1, 0, 1))
        bending = (
            (along[0, :, 2:-2] + down) * at(0, 0)
            + (along[1, :, 2:-2] * at(0, 1) + along[1, :, 1:-3] * at(0, -1))
            + (down_next * at(1, 0) + down_before * at(-1, 0))
            + ((at(0, -2) + at(0, 2)) + (at(-2, 0) + at(2, 0)))
        )
        twist = along[3, :, 2:-2] * middle - (left + right)
        twice = eq.stiffness + eq.stiffness
        finest: Raster = eq.weights[_INNER] * at(0, 0) + eq.stiffness * bending + twice * twist
        return finest

    def plane(k: int, up: int, right: int) -> Raster:
        return eq.planes[2 - up : 2 - up + rows, k, 2 + right : 2 + right + columns]

    out = plane(0, 0, 0) * at(0, 0)
    for k in (1, 2):
        pair = plane(k, 0, 0) * at(0, k) + plane(k, 0, -k) * at(0, -k)
        out = out + pair
    for step in (1, 2):
        total = None
        for i in range(5):
            k, aside = 5 * step - 2 + i, i - 2
            pair = plane(k, 0, 0) * at(step, aside) + plane(k, step, -aside) * at(-step, -aside)
            total = pair if total is None else total + pair
        out += total
    return out


def _added(products: Raster, totals: NDArray[np.float64]) -> None:
    """Add up products of some rows at a time: row by row, then the sums of the columns one by one."""
    for k in range(len(totals)):
        sums = np.zeros(products.shape[1])
        for row in products[k * CHUNK : (k + 1) * CHUNK]:
            sums += row
        totals[k] = np.cumsum(sums)[-1]


def down(
    eq: Equations,
    steps: tuple[Any, Any, Any],
    right: Raster,
    inverse: Raster,
    scale: Raster,
    out: Raster,
    coarse: Raster,
    begin: int,
    end: int,
) -> None:
    """Go through a level on the way down; the rows must be all there are."""
    del begin, end
    first, again, second = steps
    r, v = right[_INNER], inverse[_INNER]
    kept = np.zeros_like(out)
    kept[_INNER] = first * (v * r)
    middle = kept[_INNER]
    out[_INNER] = middle + again * (middle - _ZERO) + second * (v * (r - _times(eq, kept)))
    _restrict(scale[_INNER] * (r - _times(eq, out)), coarse)


def up(
    eq: Equations,
    steps: tuple[Any, Any, Any],
    right: Raster,
    inverse: Raster,
    scale: Raster,
    out: Raster,
    coarse: Raster,
    better: Raster,
    totals: NDArray[np.float64],
    begin: int,
    end: int,
) -> None:
    """Go through a level on the way up; the rows must be all there are."""
    del begin, end
    first, again, second = steps
    r, v = right[_INNER], inverse[_INNER]
    drawn, kept = out.copy(), np.zeros_like(out)
    _prolong(coarse, scale, drawn)
    before, middle = drawn[_INNER], kept[_INNER]
    kept[_INNER] = before + first * (v * (r - _times(eq, drawn)))
    better[_INNER] = middle + again * (middle - before) + second * (v * (r - _times(eq, kept)))
    if eq.finest:
        _added(better[_INNER] * r, totals)


def _restrict(values: Raster, coarse: Raster) -> None:
    """Add a raster (without rim) to the coarse one."""
    rows, columns = values.shape
    wide = np.zeros((rows, columns + 8), values.dtype)
    wide[:, 3 : 3 + columns] = values
    a, b, c, d = (wide[:, i : i + 2 * (coarse.shape[1] - 4) : 2] for i in range(4))
    lines = _FAR * (a + d) + _NEAR * (b + c)
    for y in range(rows):
        odd = y & 1
        upper = (y >> 1) + odd + 2
        to_upper = _NEAR if odd else _FAR
        coarse[upper, 2:-2] += to_upper * lines[y]
        coarse[upper + 1, 2:-2] += (_ONE - to_upper) * lines[y]


def _prolong(coarse: Raster, scale: Raster, out: Raster) -> None:
    """Add the coarse raster's correction."""
    rows, columns = out.shape[0] - 4, out.shape[1] - 4
    y = np.arange(rows)
    upper = (y >> 1) + (y & 1) + 2
    of_upper = np.where(y & 1, _NEAR, _FAR)[:, None]
    line = of_upper * coarse[upper, 2:-2] + (_ONE - of_upper) * coarse[upper + 1, 2:-2]
    half = (columns + 1) // 2
    even, odd = np.s_[2:-2, 2 : columns + 2 : 2], np.s_[2:-2, 3 : columns + 2 : 2]
    out[even] += scale[even] * (_FAR * line[:, :half] + _NEAR * line[:, 1 : half + 1])
    half = columns // 2
    out[odd] += scale[odd] * (_NEAR * line[:, 1 : half + 1] + _FAR * line[:, 2 : half + 2])


def turn_and_multiply(
    eq: Equations,
    by: Any,
    correction: Raster,
    before: Raster,
    direction: Raster,
    product: Raster,
    totals: NDArray[np.float64],
    begin: int,
    end: int,
) -> None:
    """Take the next direction of conjugate gradients, and multiply the finest matrix by it."""
    del begin, end
    direction[_INNER] = correction[_INNER] if by == 0 else correction[_INNER] + by * before[_INNER]
    product[_INNER] = _times(eq, direction)
    _added(product[_INNER] * direction[_INNER], totals)


def advance(
    by: Any, direction: Raster, product: Raster, change: Raster, left: Raster, begin: int, end: int
) -> float:
    """Go along the direction in some rows; return the longest step."""
    rows = np.s_[begin + 2 : end + 2]
    step = by * direction[rows]
    change[rows] += step
    left[rows] -= by * product[rows]
    return float(np.fmax.reduce(np.abs(step), axis=None, initial=_ZERO))


def add_change(change: Raster, surface: NDArray[np.float64], begin: int, end: int) -> None:
    """Add the change to the surface in some rows, and set it to zero."""
    some = np.s_[begin + 2 : end + 2, 2:-2]
    surface[some] += change[some]
    change[some] = _ZERO


def settle(
    eq: Equations,
    data: NDArray[np.float64],
    surface: NDArray[np.float64],
    left: Raster,
    begin: int,
    end: int,
) -> None:
    """Write what is left of the equations, in float64; the rows must be all there are."""
    del begin, end
    left[_INNER] = eq.weights[_INNER] * data[_INNER] - _times(eq, surface)


def weigh(
    values: NDArray[np.float64],
    given: NDArray[np.float64],
    totals: NDArray[np.float64],
    begin: int,
    end: int,
) -> None:
    """Add up values times weights, and weights; the rows must be all there are."""
    del begin, end
    _added(np.where(given > 0, values, 0.0) * given, totals[0])
    _added(given, totals[1])


def begin_with(
    values: NDArray[np.float64],
    given: NDArray[np.float64],
    start: NDArray[np.float64],
    middle: float,
    eq: Equations,
    data: NDArray[np.float64],
    surface: NDArray[np.float64],
    weights: Raster,
    left: Raster,
    begin: int,
    end: int,
) -> int:
    """Take over values and weights, begin with a first guess or with zero, and write what it leaves.

    Returned is how many of the rounded weights are others than before.
    """
    eq.weights[_INNER] = given
    data[_INNER] = np.where(given > 0, values - middle, 0.0)
    surface[_INNER] = start - middle if len(start) else 0.0
    before = weights[_INNER].copy()
    weights[_INNER] = given
    settle(eq, data, surface, left, begin, end)
    return int(np.count_nonzero(weights[_INNER] != before))


def end_with(
    surface: NDArray[np.float64],
    change: Raster,
    middle: float,
    out: NDArray[np.float64],
    begin: int,
    end: int,
) -> None:
    """Write some rows of the surface with the change and what was taken off it, without the rim."""
    some = np.s_[begin + 2 : end + 2, 2:-2]
    out[begin:end] = (surface[some] + change[some]) + middle


def scale_and_diagonal(
    eq: Equations, strength: Any, scale: Raster, inverse: Raster, begin: int, end: int
) -> None:
    """Write the scale of the transfer, and one over the diagonal; the rows must be all there are."""
    del begin, end
    rows, columns = scale.shape[0] - 4, scale.shape[1] - 4
    if eq.finest:
        total = eq.weights[_INNER]
        bend = eq.stiffness * eq.along_y[0, 2:-2, None]
        twist = (eq.stiffness + eq.stiffness) * eq.along_y[3, 2:-2, None]
        own = total + bend + eq.stiffness * eq.along_x[0, 2:-2] + twist * eq.along_x[3, 2:-2]
    else:
        own = eq.planes[2:-2, 0, 2:-2]
        total = own.copy()
        for plane in range(1, eq.planes.shape[1]):
            down = 0 if plane < 3 else (plane + 2) // 5
            shift = 2 - (plane if plane < 3 else plane - 5 * down)
            there = eq.planes[2 - down : 2 - down + rows, plane, shift : shift + columns]
            total += eq.planes[2:-2, plane, 2:-2] + there
    scale[_INNER] = strength / (np.maximum(total, _ZERO) + strength)
    inverse[_INNER] = np.where(own > _ZERO, _ONE / np.where(own > _ZERO, own, _ONE), _ZERO)


def coarsen(eq: Equations, scale: Raster, planes: Raster, begin: int, end: int) -> None:
    """Write the matrix of the next coarser level, a line at a time; the rows must be all there are."""
    del begin, end
    planes.fill(0)
    rows, columns = scale.shape[0] - 4, scale.shape[1] - 4
    fine = np.zeros((50, columns // 2 + 1), scale.dtype)
    shared = np.zeros((8, planes.shape[2] - 2), scale.dtype)
    lines = np.empty((5, 5, planes.shape[2] - 4), scale.dtype)
    scales, weights, along_x = _parted(scale), _parted(eq.weights), _parted(eq.along_x)
    for y in range(rows):
        _coefficients(y + 2, columns, scales, weights, along_x, eq, fine)
        for i in range(5):
            _share(fine[10 * i : 10 * i + 10], columns, shared)
            _gather(shared, lines[i])
        drawn = _draw(lines, y & 1)
        upper = (y >> 1) + (y & 1) + 2
        to_upper = _NEAR if y & 1 else _FAR
        # The first line's two places backwards are another cell's forwards.
        planes[upper, :13, 2:-2] += to_upper * drawn[2:]
        planes[upper + 1, :8, 2:-2] += (_ONE - to_upper) * drawn[7:]


def _parted(values: Raster) -> Raster:
    """Return the even and the odd columns of a raster."""
    parts = np.zeros((2, values.shape[0], values.shape[1] // 2 + 2), values.dtype)
    for odd in range(2):
        of = values[:, odd::2]
        parts[odd, :, : of.shape[1]] = of
    return parts


def _coefficients(
    y: int, columns: int, scale: Raster, weights: Raster, along_x: Raster, eq: Equations, out: Raster
) -> None:
    """Write a row's coefficients towards its 5 x 5 neighbours, each times the scales of both cells."""
    zero, twice = eq.stiffness - eq.stiffness, eq.stiffness + eq.stiffness
    for place in range(50):
        i, j, odd = place // 10, place // 2 % 5, place % 2
        down, right = abs(i - 2), abs(j - 2)
        half = (columns - odd + 1) // 2
        forwards = i > 2 or (i == 2 and j >= 2)
        z, neighbour = y, y + i - 2
        here = scale[odd, y, 1 : 1 + half]
        there = scale[(odd + j) & 1, neighbour, (odd + j) >> 1 : ((odd + j) >> 1) + half]
        if not eq.finest:
            shift = odd + 2
            if not forwards:
                z, shift = neighbour, odd + j
            plane = right if i == 2 else 5 * down - 2 + (j if forwards else 4 - j)
            out[place, :half] = eq.planes[z, plane, shift : shift + 2 * half : 2] * here * there
        elif down + right == 0:
            twist = twice * eq.along_y[3, y]
            own = eq.stiffness * along_x[odd, 0, 1 : 1 + half] + eq.stiffness * eq.along_y[0, y]
            own += weights[odd, y, 1 : 1 + half] + twist * along_x[odd, 3, 1 : 1 + half]
            out[place, :half] = own * here * here
        elif down + right <= 2:
            z, shift = min(y, neighbour), odd + min(2, j)
            along = eq.stiffness if down == 0 else zero
            across = eq.stiffness * eq.along_y[down, z] if right == 0 else zero
            twist = twice * eq.along_y[3 + down, z] if down < 2 and right < 2 else zero
            line = along_x[shift & 1, :, shift >> 1 : (shift >> 1) + half]
            out[place, :half] = (
                (twist * line[min(3 + right, 4)] + along * line[right] + across) * here * there
            )


def _share(fine: Raster, columns: int, shared: Raster) -> None:
    """Share the coefficients towards five neighbours out to the four coarse columns these are drawn from."""
    # Odd cells are even ones in a mirror.
    for half, rows, to in (
        ((columns + 1) // 2, (0, 2, 4, 6, 8), (0, 1, 2, 3)),
        (columns // 2, (9, 7, 5, 3, 1), (7, 6, 5, 4)),
    ):
        a, b, c, d, e = (fine[row, :half] for row in rows)
        line = np.s_[2 : 2 + half]
        shared[to[0], line] = _FAR * a
        shared[to[1], line] = _NEAR * (a + b) + _FAR * c
        shared[to[2], line] = _FAR * (b + e) + _NEAR * (c + d)
        shared[to[3], line] = _FAR * d + _NEAR * e


def _gather(shared: Raster, lines: Raster) -> None:
    """Gather what the cells drawn from a coarse cell say of it, towards the columns from -2 to 2."""
    count = lines.shape[1]
    s = [[row[i : i + count] for i in range(3)] for row in shared]
    lines[0] = _NEAR * s[0][1] + _FAR * s[4][0]
    for k in (1, 2, 3):
        lines[k] = _NEAR * (s[k][1] + s[k + 3][1]) + _FAR * (s[k - 1][2] + s[k + 4][0])
    lines[4] = _NEAR * s[7][1] + _FAR * s[3][2]


def _draw(lines: Raster, odd: int) -> Raster:
    """Draw five neighbouring rows' lines together to the last three of the coarse rows they share."""
    a, b, c, d, e = lines
    if odd:
        rows = _FAR * (a + d) + _NEAR * (b + c), _NEAR * (d + e) + _FAR * c, _FAR * e
    else:
        rows = _NEAR * (a + b) + _FAR * c, _FAR * (b + e) + _NEAR * (c + d), _FAR * d + _NEAR * e
    return np.concatenate(rows)


def eliminate(left: NDArray[np.float64], own: NDArray[np.float64]) -> None:
    """Invert a matrix in place, by Gauss and Jordan: the pivots are those of a positive matrix."""
    for k in range(len(left)):
        pivot = max(left[k, k], 1e-8 * own[k])
        column = left[:, k].copy()
        row = left[k] / pivot
        left -= column[:, None] * row
        left[:, k] = -column / pivot
        left[k] = row
        left[k, k] = 1 / pivot
