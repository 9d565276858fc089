"""What surfaces lie above, on the level of and below points: the evidence for noise under the ground.

Surfaces are given as points with slopes; each is continued along its slope to where it is compared.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.columns_eight import (
    GATHERED,
    SLOPES_X,
    SLOPES_Y,
    eight_at_least,
    empty_out,
    in_plane,
    levels_in,
    look_at_run,
    lowest_gathered,
    sum_gathered,
)
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
# Heights and tolerances are rounded by less than this, m.
_HAIR = 1e-6


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

    def eight_at_least(self) -> Surface:
        """Return the surface with values behind those of its points, which no column holds, if it has few."""
        x, y, z, slope_x, slope_y, tolerance = (eight_at_least(values) for values in self[1:])
        return Surface(self.columns, x, y, z, slope_x, slope_y, tolerance)

    def without(self, points: Integers) -> Surface:
        """Return the surface with some of its points moved far away, which the ascending ``order`` names."""
        x = self.x.copy()
        x[np.searchsorted(self.columns.order, points)] = _FAR
        return self._replace(x=x)

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
    c, surface = surface.columns, surface.eight_at_least()

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


@njit(nogil=True, cache=True)
def how_many(sides: int) -> int:
    """Return how many of four quadrants are set in a bit mask."""
    return (sides & 1) + ((sides >> 1) & 1) + ((sides >> 2) & 1) + ((sides >> 3) & 1)


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
        sx, sy, close = np.float64(slope_x[i]), np.float64(slope_y[i]), np.float64(tolerance[i])
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
                count += in_plane(
                    x, y, z, starts[row * width + left], starts[row * width + right + 1],
                    x[i], y[i], z[i], sx, sy, close, squared, spread, least - count,
                )  # fmt: skip
            left, right = max(cx + middle + 1, 0), min(cx + reach, width - 1)
            if step == 1 and count < least and left <= right:
                count += in_plane(
                    x, y, z, starts[row * width + left], starts[row * width + right + 1],
                    x[i], y[i], z[i], sx, sy, close, squared, spread, least - count,
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
    c, surface = surface.columns, surface.eight_at_least()

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
    gathered = np.empty(GATHERED)
    for i in range(first, last):
        cx = int(np.floor(qx[i] / edge)) - first_x
        cy = int(np.floor(qy[i] / edge)) - first_y
        up = down = inside = 0
        sides = 0
        empty_out(gathered)
        left, right = max(cx - 1, 0), min(cx + 1, width - 1)
        for row in range(max(cy - 1, 0), min(cy + 2, height)):
            if left > right:
                continue
            found = look_at_run(
                x, y, z, slope_x, slope_y, tolerance, starts[row * width + left],
                starts[row * width + right + 1], qx[i], qy[i], qz[i], squared, 0.0, gathered,
            )  # fmt: skip
            up, down, inside = up + found[0], down + found[1], inside + found[2]
            sides |= found[3]
        same = inside - up - down
        above[i], level[i], below[i] = up, same, down
        quadrants[i] = how_many(sides)
        gap[i] = lowest_gathered(gathered)


def all_above(surface: Surface, x: Floats, y: Floats, z: Floats, radius: float, *, threads: int = 1) -> Flags:
    """Tell which queries have no surface points on their level or below them, within a radius in plan.

    As :func:`seen_around` counts them, which takes many times as long.

    Parameters
    ----------
    surface, x, y, z, radius, threads
        As there.

    Returns
    -------
    ndarray of bool, shape (n,)
        True also where there is no surface point at all.
    """
    found = np.empty(len(x), np.bool_)
    c = surface.columns

    def work(first: int, last: int) -> None:
        _look_for_level(
            c.edge, c.first_x, c.first_y, c.width, c.height, c.starts, *surface[1:], x, y, z,
            radius * radius, found, first, last,
        )  # fmt: skip

    in_threads(work, len(x), threads)
    return found


@njit(nogil=True, cache=True)
def _look_for_level(
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
    squared: float,
    found: Flags,
    first: int,
    last: int,
) -> None:
    for i in range(first, last):
        cx = int(np.floor(qx[i] / edge)) - first_x
        cy = int(np.floor(qy[i] / edge)) - first_y
        left, right = max(cx - 1, 0), min(cx + 1, width - 1)
        some = False
        # The own row first: on most places it holds one.
        for step in range(3):
            row = cy if step == 0 else (cy - 1 if step == 1 else cy + 1)
            if row < 0 or row >= height or some:
                continue
            for q in range(starts[row * width + left], starts[row * width + right + 1]):
                ex, ey = x[q] - qx[i], y[q] - qy[i]
                if ex * ex + ey * ey > squared:
                    continue
                rise = z[q] - qz[i] - slope_x[q] * ex - slope_y[q] * ey
                if not rise > tolerance[q]:
                    some = True
                    break
        found[i] = not some


def level_around(
    columns: Columns,
    x: Floats,
    y: Floats,
    z: Floats,
    chosen: Flags,
    rows: Integers,
    radius: float,
    step: float,
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return how many points lie level with some of them, within a radius in plan; each counts itself.

    Parameters
    ----------
    columns : Columns
        Where the points lie; ``starts`` counts their rows.
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, column by column.
    chosen : ndarray of bool, shape (n,)
        Points that are counted for themselves too.
    rows : ndarray of int64, shape (m,)
        The points asked about.
    radius : float
        How far around, m; no more than the side of a column.
    step : float
        What is no farther above or below is level, m.

    Returns
    -------
    some, every : ndarray of int32, shape (m,)
        Of the chosen points, and of all.
    """
    some, every = np.zeros(len(rows), np.int32), np.zeros(len(rows), np.int32)
    c = columns
    _count_level(
        c.edge, c.first_x, c.first_y, c.width, c.height, c.starts, x, y, z, chosen, rows, radius * radius,
        step, some, every,
    )  # fmt: skip
    return some, every


@njit(nogil=True, cache=True)
def _level_in(
    x: Floats,
    y: Floats,
    z: Floats,
    chosen: Flags,
    first: int,
    last: int,
    px: float,
    py: float,
    pz: float,
    squared: float,
    step: float,
) -> tuple[int, int]:
    """Return how many of a run of points are level with a place: chosen ones, and all."""
    some = every = 0
    at = np.uint64(first)
    for k in range(last - first):
        q = at + np.uint64(k)
        ex, ey = x[q] - px, y[q] - py
        level = (ex * ex + ey * ey <= squared) & (abs(z[q] - pz) <= step)
        every += level
        some += level & chosen[q]
    return some, every


@njit(nogil=True, cache=True)
def _count_level(
    edge: float,
    first_x: int,
    first_y: int,
    width: int,
    height: int,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    chosen: Flags,
    rows: Integers,
    squared: float,
    step: float,
    some: NDArray[np.int32],
    every: NDArray[np.int32],
) -> None:
    for k in range(rows.shape[0]):
        i = rows[k]
        cx = int(np.floor(x[i] / edge)) - first_x
        cy = int(np.floor(y[i] / edge)) - first_y
        left, right = max(cx - 1, 0), min(cx + 1, width - 1)
        for row in range(max(cy - 1, 0), min(cy + 2, height)):
            found = _level_in(
                x, y, z, chosen, starts[row * width + left], starts[row * width + right + 1],
                x[i], y[i], z[i], squared, step,
            )  # fmt: skip
            some[k] += found[0]
            every[k] += found[1]


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
    c, surface, every = surface.columns, surface.eight_at_least(), every.eight_at_least()

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
    gathered = np.empty(GATHERED)
    for i in range(first, last):
        reach = int(np.ceil(radius[i] / edge))
        squared = radius[i] * radius[i]
        cx = int(np.floor(qx[i] / edge)) - first_x
        cy = int(np.floor(qy[i] / edge)) - first_y
        left, right = max(cx - reach, 0), min(cx + reach, width - 1)
        if left > right:
            continue
        up = sides = 0
        empty_out(gathered)
        rows = range(max(cy - reach, 0), min(cy + reach + 1, height))
        for row in rows:
            found = look_at_run(
                x, y, z, slope_x, slope_y, tolerance, starts[row * width + left],
                starts[row * width + right + 1], qx[i], qy[i], qz[i], squared, spread, gathered,
            )  # fmt: skip
            up += found[0]
            sides |= found[3]
        above[i] = up
        quadrants[i] = how_many(sides)
        if up == 0 or quadrants[i] < 4:
            continue
        least = lowest_gathered(gathered)
        tilt_x, tilt_y = (
            sum_gathered(gathered, SLOPES_X) * 1e-6 / up,
            sum_gathered(gathered, SLOPES_Y) * 1e-6 / up,
        )
        same = down = any_kind = under = higher = 0
        for row in rows:
            on = levels_in(
                x, y, z, starts[row * width + left], starts[row * width + right + 1],
                qx[i], qy[i], qz[i], squared, tilt_x, tilt_y, 0.3 * least, near * near,
            )  # fmt: skip
            same += on[0] - on[1]
            down += on[1]
            on = levels_in(
                every_x, every_y, every_z,
                every_starts[row * width + left], every_starts[row * width + right + 1],
                qx[i], qy[i], qz[i], squared, tilt_x, tilt_y, 0.3 * least, near * near,
            )  # fmt: skip
            any_kind += on[0]
            under += on[1]
            higher += on[2]
        level[i], below[i], others[i], deeper[i], over[i] = same, down, any_kind - 1, under, higher


class Ceilings(NamedTuple):
    """How high a place in each column may lie and still have surface above it on all sides.

    A site may lie askew in its rectangle, so each row holds only columns around its points.

    Parameters
    ----------
    first : ndarray of int64, shape (height, 2)
        The columns of each row that are held: first and behind the last.
    limits : ndarray of float64, shape (radii, height, widest)
        Heights for each radius, m, row by row from its first column on; minus infinity where a quadrant is
        empty. Never too low: slopes may rise as far as they reach.
    """

    first: Integers
    limits: Floats


def ceilings(surface: Surface, radii: Sequence[float]) -> Ceilings:
    """Return for each column how high a place in it may lie and still have surface above it on all sides.

    Parameters
    ----------
    surface : Surface
        The points.
    radii : sequence of float
        How far around surfaces are looked for, m; ceilings are made for each.
    """
    c = surface.columns
    spans, held = np.empty((c.height, 2), np.int64), np.empty((c.height, 2), np.int64)
    reaches = [int(np.ceil(radius / c.edge)) for radius in radii]
    _spans(c.starts, c.width, spans)
    widest = _stretches(spans, max(reaches), c.width, held)
    tops = np.full((len(radii), c.height, widest), -np.inf)
    _tops(
        c.starts, c.width, spans, held, surface.x, surface.z, surface.slope_x, surface.slope_y,
        np.asarray(radii), tops,
    )  # fmt: skip
    left, right = np.empty_like(tops[0]), np.empty_like(tops[0])
    for top, reach in zip(tops, reaches, strict=True):
        _lower_all_round(top, reach, held, left, right)
    return Ceilings(held, tops)


@njit(nogil=True, cache=True)
def _tops(
    starts: Integers,
    width: int,
    spans: Integers,
    held: Integers,
    x: Floats,
    z: Floats,
    slope_x: Singles,
    slope_y: Singles,
    radii: Floats,
    tops: Floats,
) -> None:
    """Write how high each column's surface may rise within each radius."""
    for row in range(spans.shape[0]):
        for column in range(spans[row, 0], spans[row, 1] + 1):
            at, place = row * width + column, column - held[row, 0]
            for i in range(starts[at], starts[at + 1]):
                if x[i] == _FAR:
                    continue
                steep = np.sqrt(np.float64(slope_x[i]) ** 2 + np.float64(slope_y[i]) ** 2)
                for r in range(radii.shape[0]):
                    tops[r, row, place] = max(tops[r, row, place], z[i] + radii[r] * steep)


def under(columns: Columns, z: Floats, depth: float, limits: Ceilings) -> tuple[Flags, Flags, Flags]:
    """Tell which points lie lower by a depth than the ceilings of their columns.

    Parameters
    ----------
    columns : Columns
        The points, column by column.
    z : ndarray of float64, shape (n,)
        Their heights, m.
    depth : float
        How far below, m.
    limits : Ceilings
        Of the same columns, for two radii.

    Returns
    -------
    near, wide : ndarray of bool, shape (n,)
        Which points lie under either.
    nearly : ndarray of bool, shape (n,)
        Which lie under the first but for a hair: no others have surface higher by the depth on all sides,
        though heights and tolerances are rounded.
    """
    near, wide, nearly = np.empty((3, len(z)), np.bool_)
    _compare(columns.starts, columns.width, z, depth, *limits, near, wide, nearly)
    return near, wide, nearly


@njit(nogil=True, cache=True)
def _compare(
    starts: Integers,
    width: int,
    z: Floats,
    depth: float,
    held: Integers,
    limits: Floats,
    near: Flags,
    wide: Flags,
    nearly: Flags,
) -> None:
    less = depth * (1.0 - 1e-6) - _HAIR
    for row in range(held.shape[0]):
        first, last = held[row, 0], held[row, 1]
        for i in range(starts[row * width], starts[row * width + first]):
            near[i] = wide[i] = nearly[i] = False
        for column in range(first, last):
            top, wide_top = limits[0, row, column - first], limits[1, row, column - first]
            for i in range(starts[row * width + column], starts[row * width + column + 1]):
                low = z[i] + depth
                near[i] = low < top
                wide[i] = low < wide_top
                nearly[i] = z[i] + less < top
        for i in range(starts[row * width + last], starts[(row + 1) * width]):
            near[i] = wide[i] = nearly[i] = False


@njit(nogil=True, cache=True)
def _spans(starts: Integers, width: int, spans: Integers) -> None:
    """Write the first and the last column of each row that hold points; the width and -1 where none does."""
    for row in range(spans.shape[0]):
        spans[row, 0], spans[row, 1] = width, -1
        first, last = starts[row * width], starts[(row + 1) * width]
        if first == last:
            continue
        # The last column that starts where the row does is the first one with points, and likewise behind.
        low, high = row * width, (row + 1) * width
        while high - low > 1:
            middle = (low + high) // 2
            if starts[middle] > first:
                high = middle
            else:
                low = middle
        spans[row, 0] = low - row * width
        low, high = row * width, (row + 1) * width
        while high - low > 1:
            middle = (low + high) // 2
            if starts[middle] < last:
                low = middle
            else:
                high = middle
        spans[row, 1] = low - row * width


@njit(nogil=True, cache=True)
def _stretches(spans: Integers, reach: int, width: int, held: Integers) -> int:
    """Write the columns, half-open, that lie within reach of points up to twice as many rows away.

    Returns
    -------
    int
        The most columns of a row.
    """
    widest = 0
    for row in range(spans.shape[0]):
        first, last = width, -1
        for k in range(max(row - 2 * reach, 0), min(row + 2 * reach + 1, spans.shape[0])):
            first, last = min(first, spans[k, 0]), max(last, spans[k, 1])
        # Without any points around, nothing.
        held[row, 0] = max(first - reach, 0) if last >= 0 else 0
        held[row, 1] = min(last + reach + 1, width) if last >= 0 else 0
        widest = max(widest, held[row, 1] - held[row, 0])
    return widest


@njit(nogil=True, cache=True)
def _raise(values: Floats, others: Floats) -> None:
    for i in range(values.shape[0]):
        values[i] = max(values[i], others[i])


@njit(nogil=True, cache=True)
def _lower_all_round(top: Floats, reach: int, held: Integers, left: Floats, right: Floats) -> None:
    """Set values to the lowest of the highest ones in the four quadrants, out to so many cells.

    Rows hold the columns from ``held`` on.
    """
    height, width = top.shape
    # Along rows first: the highest up to so many to the left and to the right.
    for row in range(height):
        count = held[row, 1] - held[row, 0]
        for column in range(count):
            left[row, column] = right[row, column] = top[row, column]
        for k in range(1, reach + 1):
            for column in range(count - k):
                left[row, column + k] = max(left[row, column + k], top[row, column])
                right[row, column] = max(right[row, column], top[row, column + k])
    before, after = np.empty(width), np.empty(width)
    for row in range(height):
        first, last = held[row, 0], held[row, 1]
        count = last - first
        for column in range(count):
            top[row, column] = np.inf
        for side in (left, right):
            before[:count], after[:count] = -np.inf, -np.inf
            for k in range(max(row - reach, 0), min(row + reach + 1, height)):
                # What another row holds less of is empty there.
                start, stop = max(first, held[k, 0]), min(last, held[k, 1])
                if start >= stop:
                    continue
                values = side[k, start - held[k, 0] : stop - held[k, 0]]
                if k <= row:
                    _raise(before[start - first : stop - first], values)
                if k >= row:
                    _raise(after[start - first : stop - first], values)
            for column in range(count):
                top[row, column] = min(top[row, column], before[column], after[column])
