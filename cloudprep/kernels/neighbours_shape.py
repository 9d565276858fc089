"""How the nearest neighbours of every point are spread: along a line, over a plane, in all directions.

The search is that of :mod:`cloudprep.kernels.neighbours`. The points met on the way are kept, and those
nearer than the k-th neighbour are then summed up, eight points of a leaf at a time. Offsets are rounded to a
millionth of the distance to the k-th neighbour first: then the sums are exact, whatever their order, and the
results are the same to the bit however the points are ordered or cut into blocks.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.neighbours import ROOM, rows_held, visit_leaf, walking_space
from cloudprep.kernels.neighbours_axes import (
    DEVIATIONS,
    NORMAL,
    OFFSETS,
    PLANE_LEAST,
    SIZE,
    axes_of_lanes,
    third_of_turn,
)
from cloudprep.kernels.neighbours_tree import LEAF, build_tree
from cloudprep.kernels.plain import shapes as plain
from cloudprep.kernels.simd import (
    below,
    load,
    minus,
    pick_below,
    plus,
    root,
    spread,
    squared,
    store,
    times,
    where_below,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.neighbours_tree import Tree

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# What is farther off the plane of the others than so many times its roughness doesn't count.
_TRIM = 2.2
# Fewer points are not trimmed.
_TRIM_LEAST = 7.0
# Steps that offsets are rounded to: this power of two of the k-th distance. Ten squares still add up exactly.
_STEP_BITS = 20
# Added and taken off again, this times a step rounds to whole steps.
_ROUNDING = 1.5 * 2.0**52
# The bits of a float that hold its exponent.
_EXPONENT = 0x7FF << 52
# Numbers noted of each point near a leaf.
_ROW = 32
# Columns of the table of shapes: mean distance, three deviations, normal, offset.
MEAN, ROUGHNESS, OFFSET = 0, 1, 7


class Shapes(NamedTuple):
    """What the neighbours of each point look like; float32, lengths in m.

    Parameters
    ----------
    distance : ndarray of float32, shape (n,)
        Mean distance to the k nearest other points.
    roughness, breadth, extent : ndarray of float32, shape (n,)
        Standard deviations along the three principal axes, ascending.
    normal_x, normal_y, normal_z : ndarray of float32, shape (n,)
        Direction of the first axis, upwards; all 0 where there is no plane.
    offset : ndarray of float32, shape (n,)
        How far the point itself lies off the plane through its neighbours.
    """

    distance: NDArray[np.float32]
    roughness: NDArray[np.float32]
    breadth: NDArray[np.float32]
    extent: NDArray[np.float32]
    normal_x: NDArray[np.float32]
    normal_y: NDArray[np.float32]
    normal_z: NDArray[np.float32]
    offset: NDArray[np.float32]


def neighbour_shapes(
    x: Floats,
    y: Floats,
    z: Floats,
    k: int,
    *,
    threads: int = 1,
    queries: NDArray[np.bool_] | None = None,
    tree: Tree | None = None,
) -> tuple[Shapes, NDArray[np.float64]]:
    """Return the shape of each point's neighbourhood, and the distance to its k-th neighbour.

    The distance is the mean over the k nearest other points. The principal axes are those of the point itself
    and the others nearer than the k-th (those that are as near as it are left out, so that ties play no
    role); of seven points or more, those off the plane by more than 2.2 standard deviations are left out and
    the axes taken again.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, finite.
    k : int
        Number of neighbours, 1 to 64.
    threads : int
        Threads to use; the results do not depend on it.
    queries : ndarray of bool, shape (n,), optional
        The points to search for; the others get NaN.
    tree : Tree, optional
        The tree of these points, where it is wanted for something else too.

    Returns
    -------
    shapes : Shapes
        NaN at points not asked for; distance infinite, all else 0, at a point without any other.
    kth : ndarray of float64, shape (n,)
        Distance to the k-th neighbour, m.

    Raises
    ------
    ValueError
        If k is not within 1 to 64, or a coordinate is not finite.

    References
    ----------
    H. Hoppe, T. DeRose, T. Duchamp, J. McDonald and W. Stuetzle, "Surface reconstruction from unorganized
    points", SIGGRAPH (1992): the tangent plane of the k nearest neighbours from their principal axes.

    Examples
    --------
    >>> import numpy as np
    >>> x, y = (v.ravel() for v in np.mgrid[0:5.0, 0:5.0])
    >>> shapes, _ = neighbour_shapes(x, y, 0.5 * x, 8)
    >>> float(shapes.roughness[12]), np.round(shapes.normal_x[12] / shapes.normal_z[12], 3).tolist()
    (0.0, -0.5)
    """
    if not 1 <= k <= 64:
        raise ValueError(f"k must be 1 to 64, got {k}")
    n = len(x)
    wanted = np.ones(n, np.bool_) if queries is None else queries
    # Not zeros: these would come in small pages, which take long to get.
    table = np.empty((n, OFFSET + 1), np.float32)
    kth = np.full(n, np.inf)
    if n < 2:
        table[:] = 0.0
        table[:, MEAN] = np.inf
    if not wanted.all():
        table[~wanted] = np.nan
        kth[~wanted] = np.nan
    if n >= 2:
        if tree is None:
            tree = build_tree(x, y, z, threads=threads)
        rows = min(k, n - 1) + 1
        cuts = np.linspace(0, len(tree.x) // LEAF, (32 * threads if threads > 1 else 1) + 1).astype(np.int64)
        if not COMPILED:
            rules = plain.Rules(_STEP_BITS, _TRIM, _TRIM_LEAST)
            plain.neighbour_shapes(tree.points(), rows, wanted, table, kth, threads, rules)
            return Shapes(*table.T), kth
        points = tree

        def search(run: int) -> None:
            _shape_leaves(*points, rows, wanted, table, kth, cuts[run], cuts[run + 1])

        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(search, range(len(cuts) - 1)))
    return Shapes(*table.T), kth


def put_shapes(shapes: Shapes, own: float, rows: Integers, columns: NDArray[np.float32]) -> None:
    """Write what later stages want of shapes into columns of a larger cloud.

    Parameters
    ----------
    shapes : Shapes
        Of m points, as one of the functions here returns it.
    own : float
        A point so many times the roughness off its neighbours' plane makes the place as rough as if it were
        theirs.
    rows : ndarray of int64, shape (m,)
        Rows of the points in the columns.
    columns : ndarray of float32, shape (6, n)
        Distance (NaN where it is infinite), roughness, breadth, normal.
    """
    table = shapes.distance.base
    assert table is not None  # noqa: S101 - the columns of shapes are views of one table
    _put(table, own, rows, columns)


@njit(nogil=True, cache=True)
def _put(table: NDArray[np.float32], own: float, rows: Integers, columns: NDArray[np.float32]) -> None:
    for j in range(rows.shape[0]):
        i = rows[j]
        if i < 0:
            continue
        columns[0, i] = table[j, MEAN] if table[j, MEAN] < np.inf else np.nan
        columns[1, i] = max(table[j, ROUGHNESS], table[j, OFFSET] / np.float32(own))
        columns[2, i] = table[j, ROUGHNESS + 1]
        for c in range(3):
            columns[3 + c, i] = table[j, ROUGHNESS + 3 + c]


@njit(nogil=True, cache=True)
def _rounding_of(limit: float) -> float:
    """Return what rounds offsets to steps, for offsets of at most the root of a squared distance."""
    if not 0.0 < limit < np.inf:
        return 0.0
    return math.ldexp(_ROUNDING, math.frexp(math.sqrt(limit))[1] - _STEP_BITS)


@njit(nogil=True, cache=True)
def _sum_products(offsets: Floats, count: int, sums: Floats) -> None:
    """Sum up squares and products of offsets; in two goes, so that sums stay in registers."""
    a = b = c = spread(0.0)
    for j in range(count):
        at = j * _ROW
        a = plus(a, squared(load(offsets, at + 8)))
        b = plus(b, squared(load(offsets, at + 16)))
        c = plus(c, squared(load(offsets, at + 24)))
    store(sums, 32, a)
    store(sums, 40, b)
    store(sums, 48, c)
    a = b = c = spread(0.0)
    for j in range(count):
        at = j * _ROW
        dx, dy, dz = load(offsets, at + 8), load(offsets, at + 16), load(offsets, at + 24)
        a = plus(a, times(dx, dy))
        b = plus(b, times(dx, dz))
        c = plus(c, times(dy, dz))
    store(sums, 56, a)
    store(sums, 64, b)
    store(sums, 72, c)


@njit(nogil=True, cache=True)
def principal_axes(sums: Floats, lane: int | np.int64, axes: Floats) -> None:
    """Set ``axes`` to the three standard deviations, the normal and the mean offset from a lane of sums.

    The eigenvalues are the roots of the characteristic cubic: O. K. Smith, "Eigenvalues of a symmetric 3x3
    matrix", Communications of the ACM 4 (1961).
    """
    for i in range(9):
        axes[i] = 0.0
    count = sums[lane]
    if count < 1.0:
        return
    mx, my, mz = sums[8 + lane] / count, sums[16 + lane] / count, sums[24 + lane] / count
    axes[6], axes[7], axes[8] = mx, my, mz
    xx = sums[32 + lane] / count - mx * mx
    yy = sums[40 + lane] / count - my * my
    zz = sums[48 + lane] / count - mz * mz
    xy = sums[56 + lane] / count - mx * my
    xz = sums[64 + lane] / count - mx * mz
    yz = sums[72 + lane] / count - my * mz
    q = (xx + yy + zz) / 3.0
    if q <= 0.0:
        return
    ax, ay, az = xx - q, yy - q, zz - q
    p = math.sqrt((ax * ax + ay * ay + az * az + 2.0 * (xy * xy + xz * xz + yz * yz)) / 6.0)
    low = middle = high = q
    if p > 1e-12 * q:
        det = ax * (ay * az - yz * yz) - xy * (xy * az - yz * xz) + xz * (xy * yz - ay * xz)
        r = min(max(det / (2.0 * p * p * p), -1.0), 1.0)
        c = third_of_turn(r)
        s = math.sqrt(max(1.0 - c * c, 0.0))
        high = q + 2.0 * p * c
        low = q - p * (c + math.sqrt(3.0) * s)
        middle = 3.0 * q - high - low
    axes[0] = math.sqrt(max(low, 0.0))
    axes[1] = math.sqrt(max(middle, 0.0))
    axes[2] = math.sqrt(max(high, 0.0))
    if count < PLANE_LEAST:
        return
    # The normal is orthogonal to the rows of the matrix less the eigenvalue; the longest product is safest.
    ux, vy, wz = xx - low, yy - low, zz - low
    ax, ay, az = xy * yz - xz * vy, xz * xy - ux * yz, ux * vy - xy * xy
    bx, by, bz = xy * wz - xz * yz, xz * xz - ux * wz, ux * yz - xy * xz
    cx, cy, cz = vy * wz - yz * yz, yz * xz - xy * wz, xy * yz - vy * xz
    la, lb, lc = ax * ax + ay * ay + az * az, bx * bx + by * by + bz * bz, cx * cx + cy * cy + cz * cz
    nx, ny, nz, length = ax, ay, az, la
    if lb > length:
        nx, ny, nz, length = bx, by, bz, lb
    if lc > length:
        nx, ny, nz, length = cx, cy, cz, lc
    # On a line every direction across is as good as another.
    if length <= 1e-20 * q * q * q * q:
        return
    length = math.sqrt(length)
    if nz < 0.0 or (nz == 0.0 and (ny < 0.0 or (ny == 0.0 and nx < 0.0))):
        length = -length
    axes[3], axes[4], axes[5] = nx / length, ny / length, nz / length


@njit(nogil=True, cache=True)
def _set_limits(squared_limits: Floats, roots: Floats, bits: Integers, limits: Floats) -> None:
    """Set eight limits, squared distances, and after them what rounds offsets (see :func:`_rounding_of`).

    ``roots`` gets the distances themselves; ``bits`` are its bits.
    """
    store(limits, 0, squared_limits)
    store(roots, 0, root(squared_limits))
    # Without their digits: the power of two below.
    for lane in range(8):
        bits[8 + lane] = bits[lane] & _EXPONENT
    up = times(load(roots, 8), spread(2.0 * _ROUNDING / 2.0**_STEP_BITS))
    store(limits, 8, where_below(load(roots, 0), spread(np.inf), up))


@njit(nogil=True, cache=True)
def _near_offsets(
    x: Floats,
    y: Floats,
    z: Floats,
    met: Integers,
    count: int,
    own: Floats,
    limits: Floats,
    offsets: Floats,
    sums: Floats,
) -> int:
    """List points of leaves met that are nearer than any lane's limit, and sum them up; return how many.

    ``limits`` holds eight squared distances and eight roundings of offsets. In ``offsets`` each point has
    eight ones and eight rounded offsets along each axis, all 0 in lanes that it isn't near to.
    """
    one = spread(1.0)
    most, up = load(limits, 0), load(limits, 8)
    px, py, pz = load(own, 0), load(own, 8), load(own, 16)
    a = b = c = e = spread(0.0)
    kept = 0
    for j in range(count):
        first = met[j] * LEAF
        for i in range(first, first + LEAF):
            dx, dy, dz = minus(spread(x[i]), px), minus(spread(y[i]), py), minus(spread(z[i]), pz)
            d = plus(plus(squared(dx), squared(dy)), squared(dz))
            at = kept * _ROW
            here = where_below(d, most, one)
            dx = where_below(d, most, minus(plus(dx, up), up))
            dy = where_below(d, most, minus(plus(dy, up), up))
            dz = where_below(d, most, minus(plus(dz, up), up))
            store(offsets, at, here)
            store(offsets, at + 8, dx)
            store(offsets, at + 16, dy)
            store(offsets, at + 24, dz)
            a, b, c, e = plus(a, here), plus(b, dx), plus(c, dy), plus(e, dz)
            # Nobody can tell beforehand: without a branch, the next one takes the place of one too far away.
            kept += below(d, most) != 0
    store(sums, 0, a)
    store(sums, 8, b)
    store(sums, 16, c)
    store(sums, 24, e)
    return kept


@njit(nogil=True, cache=True)
def _take_from(sums: Floats, at: Any, value: Floats) -> None:
    store(sums, at, minus(load(sums, at), value))


@njit(nogil=True, cache=True)
def _take_off(
    offsets: Floats, count: int, off: Floats, axes: Floats, constants: Floats, sums: Floats
) -> bool:
    """Take the points off the sums in lanes whose plane they are too far from; tell whether there were any.

    ``off`` holds the squared distances from the planes (infinite where nothing is taken off). The sums are
    exact, and so is what is left of them.
    """
    some = False
    zero, most, constant = spread(0.0), load(off, 0), load(constants, 0)
    nx, ny, nz = load(axes, NORMAL), load(axes, NORMAL + 8), load(axes, NORMAL + 16)
    for j in range(count):
        at = j * _ROW
        one = load(offsets, at)
        dx, dy, dz = load(offsets, at + 8), load(offsets, at + 16), load(offsets, at + 24)
        away = squared(plus(plus(times(dx, nx), times(dy, ny)), minus(times(dz, nz), constant)))
        one = where_below(most, away, one)
        if below(zero, one) != 0:
            some = True
            dx, dy, dz = times(dx, one), times(dy, one), times(dz, one)
            # Not literals: the kernel would be compiled for each of them.
            _take_from(sums, np.int64(0), one)
            _take_from(sums, np.int64(8), dx)
            _take_from(sums, np.int64(16), dy)
            _take_from(sums, np.int64(24), dz)
            _take_from(sums, np.int64(32), squared(dx))
            _take_from(sums, np.int64(40), squared(dy))
            _take_from(sums, np.int64(48), squared(dz))
            _take_from(sums, np.int64(56), times(dx, dy))
            _take_from(sums, np.int64(64), times(dx, dz))
            _take_from(sums, np.int64(72), times(dy, dz))
    return some


@njit(nogil=True, cache=True)
def _shape_leaves(
    x: Floats,
    y: Floats,
    z: Floats,
    row: Integers,
    boxes: Floats,
    levels: Integers,
    rows: int,
    wanted: NDArray[np.bool_],
    table: NDArray[np.float32],
    kth: Floats,
    first_leaf: int,
    last_leaf: int,
) -> None:
    """Fill in the shapes of the wanted points of a run of leaves; ``rows`` counts the point itself."""
    n = row.shape[0]
    own = np.empty(24)
    others = rows - 1
    best = np.empty(rows_held(others) * 8)
    met = np.empty(max(ROOM, 9 * rows), np.int64)
    work = walking_space()
    limits, off, constants, sums = np.empty(16), np.empty(8), np.empty(8), np.empty(80)
    roots = np.empty(16)
    bits = roots.view(np.int64)
    # No more points than rows are nearer to a lane than its limit; and one of room.
    offsets = np.empty((8 * rows + 1) * _ROW)
    axes = np.zeros(SIZE)
    for leaf in range(first_leaf, last_leaf):
        start = leaf * LEAF
        stop = min(start + LEAF, n)
        some = False
        for i in range(start, stop):
            some |= wanted[row[i]]
        if not some:
            continue
        count = visit_leaf(x, y, z, n, boxes, levels, leaf, others, own, best, met, work)
        total = spread(0.0)
        for r in range(others):
            total = plus(total, root(load(best, r * 8)))
        _set_limits(load(best, (others - 1) * 8), roots, bits, limits)
        count = _near_offsets(x, y, z, met, count, own, limits, offsets, sums)
        _sum_products(offsets, count, sums)
        axes_of_lanes(sums, axes)
        store(constants, 0, _mean_off_plane(axes))
        most = times(times(spread(_TRIM * _TRIM), load(axes, DEVIATIONS)), load(axes, DEVIATIONS))
        # A hair above 0, so that points in one plane stay.
        most = plus(most, times(spread(1e-12), load(limits, 0)))
        store(off, 0, pick_below(load(sums, 0), spread(_TRIM_LEAST), spread(np.inf), most))
        if _take_off(offsets, count, off, axes, constants, sums):
            axes_of_lanes(sums, axes)
        store(own, 0, total)
        store(constants, 0, _mean_off_plane(axes))
        for i in range(start, stop):
            if not wanted[row[i]]:
                continue
            lane = i - start
            out = table[row[i]]
            kth[row[i]] = roots[lane]
            out[MEAN] = own[lane] / others
            for c in range(6):
                out[ROUGHNESS + c] = axes[c * 8 + lane]
            out[OFFSET] = abs(constants[lane])


@njit(nogil=True, cache=True)
def _mean_off_plane(axes: Floats) -> Floats:
    """Return how far the points' mean lies from their first point, along the normal."""
    return plus(
        plus(
            times(load(axes, NORMAL), load(axes, OFFSETS)),
            times(load(axes, NORMAL + 8), load(axes, OFFSETS + 8)),
        ),
        times(load(axes, NORMAL + 16), load(axes, OFFSETS + 16)),
    )


def shapes_of_lists(
    at: Floats, of: Integers, x: Floats, y: Floats, z: Floats, limit: Floats, mean: Floats
) -> Shapes:
    """Return the same shapes from neighbours that are listed, not searched for.

    Parameters
    ----------
    at : ndarray of float64, shape (3, m)
        Positions, m.
    of : ndarray of int64, shape (l,)
        Whose neighbour each listed point is, ascending; the points themselves are among them.
    x, y, z : ndarray of float64, shape (l,)
        The listed points: all that are nearer than the k-th neighbour, and any others.
    limit : ndarray of float64, shape (m,)
        Squared distance to the k-th neighbour, m2.
    mean : ndarray of float64, shape (m,)
        Mean distance to the k nearest, m.
    """
    table = np.zeros((len(limit), OFFSET + 1), np.float32)
    starts = np.searchsorted(of, np.arange(len(limit) + 1)).astype(np.int64)
    _shape_lists(at[0].copy(), at[1].copy(), at[2].copy(), starts, x, y, z, limit, table)
    table[:, MEAN] = mean
    return Shapes(*table.T)


@njit(nogil=True, cache=True)
def _add_one(sums: Floats, sign: float, dx: float, dy: float, dz: float) -> None:
    sums[0] += sign
    sums[8] += sign * dx
    sums[16] += sign * dy
    sums[24] += sign * dz
    sums[32] += sign * dx * dx
    sums[40] += sign * dy * dy
    sums[48] += sign * dz * dz
    sums[56] += sign * dx * dy
    sums[64] += sign * dx * dz
    sums[72] += sign * dy * dz


@njit(nogil=True, cache=True)
def _shape_lists(
    px: Floats,
    py: Floats,
    pz: Floats,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    limit: Floats,
    table: NDArray[np.float32],
) -> None:
    """Fill in the shapes, operation for operation as the leaves do."""
    sums, a = np.empty(80), np.empty(9)
    for q in range(px.shape[0]):
        up = _rounding_of(limit[q])
        sums[:] = 0.0
        for j in range(starts[q], starts[q + 1]):
            dx, dy, dz = x[j] - px[q], y[j] - py[q], z[j] - pz[q]
            if dx * dx + dy * dy + dz * dz < limit[q]:
                _add_one(sums, 1.0, (dx + up) - up, (dy + up) - up, (dz + up) - up)
        principal_axes(sums, np.int64(0), a)
        if sums[0] >= _TRIM_LEAST:
            whole = sums[0]
            nx, ny, nz = a[3], a[4], a[5]
            constant = nx * a[6] + ny * a[7] + nz * a[8]
            off = _TRIM * _TRIM * a[0] * a[0] + 1e-12 * limit[q]
            for j in range(starts[q], starts[q + 1]):
                dx, dy, dz = x[j] - px[q], y[j] - py[q], z[j] - pz[q]
                if dx * dx + dy * dy + dz * dz < limit[q]:
                    dx, dy, dz = (dx + up) - up, (dy + up) - up, (dz + up) - up
                    away = (dx * nx + dy * ny) + (dz * nz - constant)
                    if away * away > off:
                        _add_one(sums, -1.0, dx, dy, dz)
            if sums[0] < whole:
                principal_axes(sums, np.int64(0), a)
        for c in range(6):
            table[q, ROUGHNESS + c] = a[c]
        table[q, OFFSET] = abs(a[3] * a[6] + a[4] * a[7] + a[5] * a[8])


def deviations_of_groups(
    x: Floats, y: Floats, z: Floats, near: Integers, group: Integers
) -> tuple[Floats, Floats, Integers]:
    """Return how neighbours of the same group spread, across and along their plane; the point is one of them.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    near : ndarray of int64, shape (n, k)
        Rows of each point's neighbours; -1 where there are fewer.
    group : ndarray of int64, shape (n,)
        Neighbours of other groups don't count.

    Returns
    -------
    thin, wide : ndarray of float64, shape (n,)
        Standard deviations along the first and the second of the principal axes, m.
    count : ndarray of int64, shape (n,)
        How many points counted.
    """
    thin, wide, count = np.empty(len(x)), np.empty(len(x)), np.empty(len(x), np.int64)
    _deviations(x, y, z, near, group, thin, wide, count)
    return thin, wide, count


@njit(nogil=True, cache=True)
def _deviations(
    x: Floats,
    y: Floats,
    z: Floats,
    near: Integers,
    group: Integers,
    thin: Floats,
    wide: Floats,
    count: Integers,
) -> None:
    sums, axes = np.zeros(80), np.empty(9)
    for i in range(x.shape[0]):
        sums[:] = 0.0
        _add_one(sums, 1.0, 0.0, 0.0, 0.0)
        for j in near[i]:
            if j >= 0 and group[j] == group[i]:
                _add_one(sums, 1.0, x[j] - x[i], y[j] - y[i], z[j] - z[i])
        principal_axes(sums, np.int64(0), axes)
        thin[i], wide[i], count[i] = axes[0], axes[1], int(sums[0])
