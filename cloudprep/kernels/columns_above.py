"""What surfaces lie above, on the level of and below points: the evidence for noise under the ground.

Surfaces are given as points with slopes; each is continued along its slope to where it is compared.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.columns_sorted import kept_starts
from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.columns_sorted import Columns

    Floats = NDArray[np.float64]
    Singles = NDArray[np.float32]
    Integers = NDArray[np.int64]
    Flags = NDArray[np.bool_]

# Where points go that are near nothing, m; squares of it are finite.
_FAR = 1e150
# Points are counted in blocks of so many without a look at the count.
_BLOCK = 8


class Surface(NamedTuple):
    """Points of surfaces, column by column, each with the plane it lies on.

    Parameters
    ----------
    columns : Columns
        Where the points lie; its ``starts`` count the rows of the other arrays.
    x, y, z : ndarray of float64, shape (m,)
        Coordinates, m.
    slope_x, slope_y : ndarray of float32, shape (m,)
        Rise of the plane per metre.
    tolerance : ndarray of float32, shape (m,)
        How far a point must lie above or below the plane to be off it, m.
    """

    columns: Columns
    x: Floats
    y: Floats
    z: Floats
    slope_x: Singles
    slope_y: Singles
    tolerance: Singles

    def take(self, chosen: Flags) -> Surface:
        """Return the surface of some of its points."""
        rows = np.flatnonzero(chosen)
        columns = self.columns._replace(
            starts=kept_starts(self.columns.starts, chosen), order=self.columns.order[rows]
        )
        return self._replace(columns=columns, **{n: getattr(self, n)[rows] for n in self._fields[1:]})

    def far_off(self, chosen: Flags) -> Surface:
        """Return the surface with some of its points moved so far away that they are near nothing.

        Where few points go that takes less time than to close the ranks.
        """
        return self._replace(x=np.where(chosen, _FAR, self.x)) if chosen.any() else self


class Seen(NamedTuple):
    """Surface points around each query, within a radius in plan.

    Parameters
    ----------
    above, level, below : ndarray of int32, shape (n,)
        How many continue above, at and below the query.
    quadrants : ndarray of uint8, shape (n,)
        In how many quadrants around the query there are some above.
    gap : ndarray of float32, shape (n,)
        Height of the lowest one above over the query, m; infinite without any.
    """

    above: NDArray[np.int32]
    level: NDArray[np.int32]
    below: NDArray[np.int32]
    quadrants: NDArray[np.uint8]
    gap: Singles


def in_threads(work: Callable[[int, int], None], count: int, threads: int) -> None:
    """Do some work on runs of rows, side by side; it must not matter which run a row falls into."""
    cuts = np.linspace(0, count, (16 * threads if threads > 1 else 1) + 1).astype(np.int64).tolist()
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, cuts[:-1], cuts[1:]))


def supported(surface: Surface, radius: float, least: int, *, spread: float = 0.0, threads: int = 1) -> Flags:
    """Tell which points of a surface have enough others in their plane.

    Parameters
    ----------
    surface : Surface
        The points.
    radius : float
        How far around others are looked for, m, in plan.
    least : int
        How many there must be, the point itself included.
    spread : float
        By how much more per metre those farther away may lie off the plane.
    threads : int
        Threads to use.
    """
    found = np.zeros(len(surface.x), np.bool_)
    c = surface.columns

    def work(first: int, last: int) -> None:
        _support(
            c.edge,
            c.first_x,
            c.first_y,
            c.width,
            c.height,
            c.starts,
            *surface[1:],
            radius,
            least,
            spread,
            found,
            first,
            last,
        )

    in_threads(work, len(found), threads)
    return found


def slopes(
    normal_x: Singles, normal_y: Singles, normal_z: Singles, rows: Integers
) -> tuple[Singles, Singles]:
    """Return the rise per metre along x and y of the planes of some points, from their normals."""
    slope_x, slope_y = np.empty(len(rows), np.float32), np.empty(len(rows), np.float32)
    _fill_slopes(normal_x, normal_y, normal_z, rows, slope_x, slope_y)
    return slope_x, slope_y


@njit(nogil=True, cache=True)
def how_many(sides: int) -> int:
    """Return how many of four quadrants are set in a bit mask."""
    return (sides & 1) + ((sides >> 1) & 1) + ((sides >> 2) & 1) + ((sides >> 3) & 1)


@njit(nogil=True, cache=True)
def _fill_slopes(
    normal_x: Singles,
    normal_y: Singles,
    normal_z: Singles,
    rows: Integers,
    slope_x: Singles,
    slope_y: Singles,
) -> None:
    for j in range(rows.shape[0]):
        i = rows[j]
        slope_x[j] = -normal_x[i] / normal_z[i]
        slope_y[j] = -normal_y[i] / normal_z[i]


@njit(nogil=True, cache=True)
def _in_plane(
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
    squared: float,
    spread: float,
    enough: int,
) -> int:
    """Return how many of a run of points lie near a place and in its plane; no more are counted than enough.

    Blocks of eight without a branch: the compiler turns them into vector instructions.
    """
    count = 0
    at = np.uint64(first)
    left = last - first
    while left > 0 and count < enough:
        size = min(left, _BLOCK)
        for k in range(size):
            q = at + np.uint64(k)
            ex, ey = x[q] - px, y[q] - py
            off = abs(z[q] - pz - slope_x * ex - slope_y * ey)
            near = ex * ex + ey * ey <= squared
            count += near & (off <= tolerance + spread * max(abs(ex), abs(ey)))
        at += np.uint64(size)
        left -= size
    return count


@njit(nogil=True, cache=True)
def _support(
    edge: float,
    first_x: int,
    first_y: int,
    width: int,
    height: int,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    slope_x: Singles,
    slope_y: Singles,
    tolerance: Singles,
    radius: float,
    least: int,
    spread: float,
    found: Flags,
    first: int,
    last: int,
) -> None:
    reach = int(np.ceil(radius / edge))
    # What lies so many columns away is mostly near enough.
    middle = max(1, reach // 2)
    squared = radius * radius
    for i in range(first, last):
        cx = int(np.floor(x[i] / edge)) - first_x
        cy = int(np.floor(y[i] / edge)) - first_y
        count = 0
        # The own row first, from its middle: most points need no more, nor the whole of it.
        for step in range(2 * reach + 2):
            dy = step // 2 if step % 2 == 0 else -(step // 2)
            row = cy + dy
            if row < 0 or row >= height:
                continue
            left, right = max(cx - reach, 0), min(cx + reach, width - 1)
            if step == 0:
                left, right = max(cx - middle, 0), min(cx + middle, width - 1)
            elif step == 1:
                # What the first step left out, on the left; the right end follows below.
                right = min(cx - middle - 1, width - 1)
            if left <= right:
                count += _in_plane(
                    x, y, z, starts[row * width + left], starts[row * width + right + 1],
                    x[i], y[i], z[i], slope_x[i], slope_y[i], tolerance[i], squared, spread, least - count,
                )  # fmt: skip
            left, right = max(cx + middle + 1, 0), min(cx + reach, width - 1)
            if step == 1 and count < least and left <= right:
                count += _in_plane(
                    x, y, z, starts[row * width + left], starts[row * width + right + 1],
                    x[i], y[i], z[i], slope_x[i], slope_y[i], tolerance[i], squared, spread, least - count,
                )  # fmt: skip
            if count >= least:
                break
        found[i] = count >= least


def seen_around(
    surface: Surface, x: Floats, y: Floats, z: Floats, radius: float, *, threads: int = 1
) -> Seen:
    """Return what surfaces lie above, level with and below queries.

    Parameters
    ----------
    surface : Surface
        Points of surfaces.
    x, y, z : ndarray of float64, shape (n,)
        Queries, m, preferably column by column.
    radius : float
        How far around, m, in plan; no more than the side of a column.
    threads : int
        Threads to use.
    """
    n = len(x)
    above, level, below = (np.zeros(n, np.int32) for _ in range(3))
    seen = Seen(above, level, below, np.zeros(n, np.uint8), np.full(n, np.inf, np.float32))
    c = surface.columns

    def work(first: int, last: int) -> None:
        _look(
            c.edge,
            c.first_x,
            c.first_y,
            c.width,
            c.height,
            c.starts,
            *surface[1:],
            x,
            y,
            z,
            radius,
            seen.above,
            seen.level,
            seen.below,
            seen.quadrants,
            seen.gap,
            first,
            last,
        )

    in_threads(work, n, threads)
    return seen


@njit(nogil=True, cache=True)
def _seen_in(
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
    squared: float,
    spread: float,
) -> tuple[int, int, int, int]:
    """Return what a run of surface points says of a place.

    How many lie above it, below it and near it, and a bit for each quadrant with some above. There is no
    branch, so that the compiler makes vector instructions of it.
    """
    up = down = inside = sides = 0
    at = np.uint64(first)
    for k in range(last - first):
        q = at + np.uint64(k)
        ex, ey = x[q] - px, y[q] - py
        d = ex * ex + ey * ey
        near = d <= squared
        rise = z[q] - pz - slope_x[q] * ex - slope_y[q] * ey
        off = tolerance[q] + spread * np.sqrt(d)
        higher = near & (rise > off)
        up += higher
        down += near & (rise < -off)
        inside += near
        bit = (8 if ex > 0.0 else 4) if ey > 0.0 else (2 if ex > 0.0 else 1)
        sides |= bit if higher else 0
    return up, down, inside, sides


@njit(nogil=True, cache=True)
def _lowest_above(
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
    squared: float,
    spread: float,
) -> tuple[float, int, int]:
    """Return how high above a place the lowest of those counted as above continues, and their slopes' sums.

    Infinity for none. Slopes are added in whole steps of a millionth, so that their order does not matter.
    """
    least = np.inf
    sum_x = sum_y = 0
    for q in range(first, last):
        ex, ey = x[q] - px, y[q] - py
        d = ex * ex + ey * ey
        if d > squared:
            continue
        rise = z[q] - pz - slope_x[q] * ex - slope_y[q] * ey
        if rise > tolerance[q] + spread * np.sqrt(d):
            least = min(least, rise)
            sum_x += int(np.rint(slope_x[q] * 1e6))
            sum_y += int(np.rint(slope_y[q] * 1e6))
    return least, sum_x, sum_y


@njit(nogil=True, cache=True)
def _look(
    edge: float,
    first_x: int,
    first_y: int,
    width: int,
    height: int,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    slope_x: Singles,
    slope_y: Singles,
    tolerance: Singles,
    qx: Floats,
    qy: Floats,
    qz: Floats,
    radius: float,
    above: NDArray[np.int32],
    level: NDArray[np.int32],
    below: NDArray[np.int32],
    quadrants: NDArray[np.uint8],
    gap: Singles,
    first: int,
    last: int,
) -> None:
    squared = radius * radius
    for i in range(first, last):
        cx = int(np.floor(qx[i] / edge)) - first_x
        cy = int(np.floor(qy[i] / edge)) - first_y
        up = down = inside = 0
        sides = 0
        least = np.inf
        left, right = max(cx - 1, 0), min(cx + 1, width - 1)
        for row in range(max(cy - 1, 0), min(cy + 2, height)):
            if left > right:
                continue
            found = _seen_in(
                x, y, z, slope_x, slope_y, tolerance, starts[row * width + left],
                starts[row * width + right + 1], qx[i], qy[i], qz[i], squared, 0.0,
            )  # fmt: skip
            up, down, inside = up + found[0], down + found[1], inside + found[2]
            sides |= found[3]
            if found[0] > 0:
                lowest = _lowest_above(
                    x, y, z, slope_x, slope_y, tolerance, starts[row * width + left],
                    starts[row * width + right + 1], qx[i], qy[i], qz[i], squared, 0.0,
                )  # fmt: skip
                least = min(least, lowest[0])
        same = inside - up - down
        above[i], level[i], below[i] = up, same, down
        quadrants[i] = how_many(sides)
        gap[i] = least


class Wider(NamedTuple):
    """What lies around each query in plan, farther out; counts of points.

    Parameters
    ----------
    above : ndarray of int32, shape (n,)
        Surface points clearly above the query.
    quadrants : ndarray of uint8, shape (n,)
        In how many quadrants there are some of them.
    level, below : ndarray of int32, shape (n,)
        Surface points on the query's level, and farther below.
    others : ndarray of int32, shape (n,)
        Points of any kind on the query's level or below, the query itself left out.
    deeper : ndarray of int32, shape (n,)
        Those of them that lie clearly below it.
    over : ndarray of int32, shape (n,)
        Points of any kind above the query in the columns next to it.
    """

    above: NDArray[np.int32]
    quadrants: NDArray[np.uint8]
    level: NDArray[np.int32]
    below: NDArray[np.int32]
    others: NDArray[np.int32]
    deeper: NDArray[np.int32]
    over: NDArray[np.int32]


def wider_around(
    surface: Surface,
    every: Surface,
    x: Floats,
    y: Floats,
    z: Floats,
    radius: Floats,
    near: float,
    *,
    spread: float,
    threads: int = 1,
) -> Wider:
    """Return what lies around queries out to a radius of several columns.

    Surfaces farther away say less about the height here: what counts as above must be higher by ``spread``
    metres for each metre away. Other points are compared along the mean slope of the surface points above.

    Parameters
    ----------
    surface, every : Surface
        Points of surfaces, and of any kind (slopes and tolerances of these play no role).
    x, y, z : ndarray of float64, shape (n,)
        Queries, m.
    radius : ndarray of float64, shape (n,)
        How far around each, m, in plan.
    near : float
        How far around for what is right above, m.
    spread : float
        See above.
    threads : int
        Threads to use.
    """
    n = len(x)
    above, level, below, others, deeper, over = (np.zeros(n, np.int32) for _ in range(6))
    found = Wider(above, np.zeros(n, np.uint8), level, below, others, deeper, over)
    c = surface.columns

    def work(first: int, last: int) -> None:
        _look_wider(
            c.edge,
            c.first_x,
            c.first_y,
            c.width,
            c.height,
            c.starts,
            *surface[1:],
            every.columns.starts,
            every.x,
            every.y,
            every.z,
            x,
            y,
            z,
            radius,
            near,
            spread,
            found.above,
            found.quadrants,
            found.level,
            found.below,
            found.others,
            found.deeper,
            found.over,
            first,
            last,
        )

    in_threads(work, n, threads)
    return found


@njit(nogil=True, cache=True)
def _levels_in(
    x: Floats,
    y: Floats,
    z: Floats,
    first: int,
    last: int,
    px: float,
    py: float,
    pz: float,
    squared: float,
    tilt_x: float,
    tilt_y: float,
    step: float,
    squared_near: float,
) -> tuple[int, int, int]:
    """Return how many of a run of points lie up to a step above a plane's level, below it, and above nearby.

    Without a branch, as :func:`_seen_in`.
    """
    low = under = over = 0
    at = np.uint64(first)
    for k in range(last - first):
        q = at + np.uint64(k)
        ex, ey = x[q] - px, y[q] - py
        d = ex * ex + ey * ey
        inside = d <= squared
        rise = z[q] - pz - tilt_x * ex - tilt_y * ey
        low += inside & (rise <= step)
        under += inside & (rise < -step)
        over += inside & (rise > step) & (d <= squared_near)
    return low, under, over


@njit(nogil=True, cache=True)
def _look_wider(
    edge: float,
    first_x: int,
    first_y: int,
    width: int,
    height: int,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    slope_x: Singles,
    slope_y: Singles,
    tolerance: Singles,
    every_starts: Integers,
    every_x: Floats,
    every_y: Floats,
    every_z: Floats,
    qx: Floats,
    qy: Floats,
    qz: Floats,
    radius: Floats,
    near: float,
    spread: float,
    above: NDArray[np.int32],
    quadrants: NDArray[np.uint8],
    level: NDArray[np.int32],
    below: NDArray[np.int32],
    others: NDArray[np.int32],
    deeper: NDArray[np.int32],
    over: NDArray[np.int32],
    first: int,
    last: int,
) -> None:
    for i in range(first, last):
        reach = int(np.ceil(radius[i] / edge))
        squared = radius[i] * radius[i]
        cx = int(np.floor(qx[i] / edge)) - first_x
        cy = int(np.floor(qy[i] / edge)) - first_y
        left, right = max(cx - reach, 0), min(cx + reach, width - 1)
        if left > right:
            continue
        up = sides = 0
        rows = range(max(cy - reach, 0), min(cy + reach + 1, height))
        for row in rows:
            found = _seen_in(
                x, y, z, slope_x, slope_y, tolerance, starts[row * width + left],
                starts[row * width + right + 1], qx[i], qy[i], qz[i], squared, spread,
            )  # fmt: skip
            up += found[0]
            sides |= found[3]
        above[i] = up
        quadrants[i] = how_many(sides)
        if up == 0 or quadrants[i] < 4:
            continue
        least = np.inf
        sum_x = sum_y = 0
        for row in rows:
            lowest = _lowest_above(
                x, y, z, slope_x, slope_y, tolerance, starts[row * width + left],
                starts[row * width + right + 1], qx[i], qy[i], qz[i], squared, spread,
            )  # fmt: skip
            least = min(least, lowest[0])
            sum_x += lowest[1]
            sum_y += lowest[2]
        tilt_x, tilt_y = sum_x * 1e-6 / up, sum_y * 1e-6 / up
        same = down = any_kind = under = higher = 0
        for row in rows:
            on = _levels_in(
                x, y, z, starts[row * width + left], starts[row * width + right + 1],
                qx[i], qy[i], qz[i], squared, tilt_x, tilt_y, 0.3 * least, near * near,
            )  # fmt: skip
            same += on[0] - on[1]
            down += on[1]
            on = _levels_in(
                every_x, every_y, every_z,
                every_starts[row * width + left], every_starts[row * width + right + 1],
                qx[i], qy[i], qz[i], squared, tilt_x, tilt_y, 0.3 * least, near * near,
            )  # fmt: skip
            any_kind += on[0]
            under += on[1]
            higher += on[2]
        level[i], below[i], others[i], deeper[i], over[i] = same, down, any_kind - 1, under, higher


def ceilings(surface: Surface, radii: Sequence[float]) -> list[Floats]:
    """Return for each column how high a place in it may lie and still have surface above it on all sides.

    Parameters
    ----------
    surface : Surface
        The points.
    radii : sequence of float
        How far around surfaces are looked for, m; one grid is made for each.

    Returns
    -------
    list of ndarray of float64, shape (height, width)
        m; minus infinity where a quadrant is empty. Never too low: slopes may rise as far as they reach.
    """
    c = surface.columns
    tops = np.full((len(radii), c.height, c.width), -np.inf)
    _tops(c.starts, surface.x, surface.z, surface.slope_x, surface.slope_y, np.asarray(radii), tops)
    spans = np.empty((c.height, 2), np.int64)
    _spans(c.starts, c.width, spans)
    left, right = np.empty_like(tops[0]), np.empty_like(tops[0])
    for top, radius in zip(tops, radii, strict=True):
        _lower_all_round(top, int(np.ceil(radius / c.edge)), spans, left, right)
    return list(tops)


@njit(nogil=True, cache=True)
def _tops(
    starts: Integers, x: Floats, z: Floats, slope_x: Singles, slope_y: Singles, radii: Floats, tops: Floats
) -> None:
    """Write how high each column's surface may rise within each radius."""
    height, width = tops.shape[1:]
    for row in range(height):
        for column in range(width):
            at = row * width + column
            for i in range(starts[at], starts[at + 1]):
                if x[i] == _FAR:
                    continue
                steep = np.sqrt(np.float64(slope_x[i]) ** 2 + np.float64(slope_y[i]) ** 2)
                for r in range(radii.shape[0]):
                    tops[r, row, column] = max(tops[r, row, column], z[i] + radii[r] * steep)


def under(columns: Columns, z: Floats, depth: float, near: Floats, wide: Floats) -> tuple[Flags, Flags]:
    """Tell which points lie lower by a depth than the ceilings of their columns.

    Parameters
    ----------
    columns : Columns
        The points, column by column.
    z : ndarray of float64, shape (n,)
        Their heights, m.
    depth : float
        How far below, m.
    near, wide : ndarray of float64, shape (height, width)
        Two ceilings of every column, m.

    Returns
    -------
    near, wide : ndarray of bool, shape (n,)
        Which points lie under either.
    """
    lower_near, lower_wide = np.empty(len(z), np.bool_), np.empty(len(z), np.bool_)
    _compare(columns.starts, z, depth, near.ravel(), wide.ravel(), lower_near, lower_wide)
    return lower_near, lower_wide


@njit(nogil=True, cache=True)
def _compare(
    starts: Integers,
    z: Floats,
    depth: float,
    near: Floats,
    wide: Floats,
    lower_near: Flags,
    lower_wide: Flags,
) -> None:
    for c in range(near.shape[0]):
        for i in range(starts[c], starts[c + 1]):
            low = z[i] + depth
            lower_near[i] = low < near[c]
            lower_wide[i] = low < wide[c]


@njit(nogil=True, cache=True)
def _spans(starts: Integers, width: int, spans: Integers) -> None:
    """Write the first and the last column of each row that hold points; the width and -1 where none does."""
    for row in range(spans.shape[0]):
        spans[row, 0], spans[row, 1] = width, -1
        if starts[row * width] == starts[(row + 1) * width]:
            continue
        for column in range(width):
            if starts[row * width + column] < starts[row * width + column + 1]:
                spans[row, 0] = min(spans[row, 0], column)
                spans[row, 1] = column


@njit(nogil=True, cache=True)
def _span_around(spans: Integers, row: int, rows: int, reach: int, width: int) -> tuple[int, int]:
    """Return the columns, half-open, that lie within reach of points up to so many rows away."""
    first, last = width, -1
    for k in range(max(row - rows, 0), min(row + rows + 1, spans.shape[0])):
        first, last = min(first, spans[k, 0]), max(last, spans[k, 1])
    return max(first - reach, 0), min(last + reach + 1, width)


@njit(nogil=True, cache=True)
def _lower_all_round(top: Floats, reach: int, spans: Integers, left: Floats, right: Floats) -> None:
    """Set values to the lowest of the highest ones in the four quadrants, out to so many cells.

    A site may lie askew in its rectangle, so each row is looked at only where there are points around.
    """
    height, width = top.shape
    # Along rows first: the highest up to so many to the left and to the right.
    for row in range(height):
        first, last = _span_around(spans, row, 2 * reach, reach, width)
        for column in range(first, last):
            left[row, column] = right[row, column] = top[row, column]
        for k in range(1, reach + 1):
            for column in range(first, last - k):
                left[row, column + k] = max(left[row, column + k], top[row, column])
                right[row, column] = max(right[row, column], top[row, column + k])
    before, after = np.empty(width), np.empty(width)
    for row in range(height):
        first, last = _span_around(spans, row, reach, reach, width)
        for column in range(first, last):
            top[row, column] = np.inf
        for side in (left, right):
            before[first:last], after[first:last] = -np.inf, -np.inf
            for k in range(max(row - reach, 0), row + 1):
                for column in range(first, last):
                    before[column] = max(before[column], side[k, column])
            for k in range(row, min(row + reach + 1, height)):
                for column in range(first, last):
                    after[column] = max(after[column], side[k, column])
            for column in range(first, last):
                top[row, column] = min(top[row, column], before[column], after[column])
