"""What lies on and below the plane that surfaces around a point continue: shallow pits in sparse clouds."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.columns_above import how_many, in_threads
from cloudprep.kernels.columns_eight import depths_in
from cloudprep.kernels.compiling import njit
from cloudprep.kernels.few_sorted import median_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.columns_above import Surface

    Floats = NDArray[np.float64]
    Singles = NDArray[np.float32]
    Integers = NDArray[np.int64]
    Counts = NDArray[np.int32]

# On the plane is what lies no farther off it than this share of the query's depth; below it, at least this.
_ON = 0.3
_BELOW = 0.5


class Hollows(NamedTuple):
    """What lies around each query; counts of points.

    Parameters
    ----------
    depth : ndarray of float64, shape (n,)
        How far the query lies below the middling height that the surface points around continue to, m; minus
        infinity where there are fewer than asked for, or it is outside what is asked for.
    agreeing : ndarray of float64, shape (n,)
        Share of the surface points that agree on that height.
    sides : ndarray of uint8, shape (n,)
        In how many quadrants there are some that do.
    aside : ndarray of float64, shape (n,)
        How far away, in plan, the middle of the points of any kind lies that are near by and on the plane, m;
        infinite if there are none.
    length, width : ndarray of float64, shape (n,)
        Standard deviation, in plan, of what lies below the plane, along and across its longer axis, m.
    on, below : ndarray of int32, shape (n,)
        Points of any kind on the plane, and below it, the query itself left out.
    """

    depth: Floats
    agreeing: Floats
    sides: NDArray[np.uint8]
    aside: Floats
    length: Floats
    width: Floats
    on: Counts
    below: Counts


def under_planes(
    surface: Surface,
    every: Surface,
    x: Floats,
    y: Floats,
    z: Floats,
    radius: float,
    near: float,
    *,
    least: int,
    depths: tuple[float, float],
    threads: int = 1,
) -> Hollows:
    """Return what lies on and below the plane that the surfaces around queries continue.

    Each surface point is continued along its slope to the query; the median of these heights, and the mean
    slope of those that agree with it, are the plane. Those agree that differ by at most 0.3 of the query's
    depth below it; points of any kind lie on the plane within as much, and below it from half the depth.

    Parameters
    ----------
    surface, every : Surface
        Points of surfaces, and of any kind (slopes and tolerances of these play no role).
    x, y, z : ndarray of float64, shape (n,)
        Queries, m.
    radius : float
        How far around, m, in plan.
    near : float
        How far around is near by, m, in plan.
    least : int
        So many surface points must be there.
    depths : tuple of float
        Only what lies deeper than the first, m, and no deeper than the second, is looked at further, and only
        where surface points agree in all four quadrants; elsewhere what would be told then is 0 or infinite.
    threads : int
        Threads to use.

    Returns
    -------
    Hollows
        What lies around each query.
    """
    n = len(x)
    depth, agreeing = np.full(n, -np.inf), np.zeros(n)
    sides, aside = np.zeros(n, np.uint8), np.full(n, np.inf)
    length, width = np.zeros(n), np.zeros(n)
    on, below = np.zeros(n, np.int32), np.zeros(n, np.int32)
    c, surface = surface.columns, surface.eight_at_least()

    def work(first: int, last: int) -> None:
        _look(
            c.edge, c.first_x, c.first_y, c.width, c.height, c.starts,
            surface.x, surface.y, surface.z, surface.slope_x, surface.slope_y,
            every.columns.starts, every.x, every.y, every.z,
            x, y, z, radius, near, least, depths, depth, agreeing, sides, aside, length, width,
            on, below, first, last,
        )  # fmt: skip

    in_threads(work, n, threads)
    return Hollows(depth, agreeing, sides, aside, length, width, on, below)


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
    every_starts: Integers,
    every_x: Floats,
    every_y: Floats,
    every_z: Floats,
    qx: Floats,
    qy: Floats,
    qz: Floats,
    radius: float,
    near: float,
    least: int,
    depths: tuple[float, float],
    depth: Floats,
    agreeing: Floats,
    sides: NDArray[np.uint8],
    aside: Floats,
    length: Floats,
    breadth: Floats,
    on: Counts,
    below: Counts,
    first: int,
    last: int,
) -> None:
    reach = int(np.ceil(radius / edge))
    squared, squared_near = radius * radius, near * near
    room = np.empty(64)
    for i in range(first, last):
        cx = int(np.floor(qx[i] / edge)) - first_x
        cy = int(np.floor(qy[i] / edge)) - first_y
        left, right = max(cx - reach, 0), min(cx + reach, width - 1)
        if left > right:
            continue
        rows = range(max(cy - reach, 0), min(cy + reach + 1, height))
        most = 0
        for row in rows:
            most += starts[row * width + right + 1] - starts[row * width + left]
        # Counting tells of most where the middle lies, and from the own row outwards of many before the end.
        count = deeper = 0
        ahead = most
        for step in range(2 * reach + 1):
            row = cy + (step + 1) // 2 * (1 if step % 2 else -1)
            if row < rows.start or row >= rows.stop:
                continue
            start, stop = starts[row * width + left], starts[row * width + right + 1]
            some = depths_in(x, y, z, slope_x, slope_y, start, stop, qx[i], qy[i], qz[i], squared, depths[0])
            count, deeper, ahead = count + some[0], deeper + some[1], ahead - (stop - start)
            if 2 * (deeper + ahead) < count + ahead:
                break
        if count + ahead < max(least, 1) or 2 * (deeper + ahead) < count + ahead:
            continue
        deeper = 0
        for row in rows:
            start, stop = starts[row * width + left], starts[row * width + right + 1]
            deeper += depths_in(
                x, y, z, slope_x, slope_y, start, stop, qx[i], qy[i], qz[i], squared, depths[1]
            )[1]
        if 2 * deeper > count:
            continue
        if most > len(room):
            room = np.empty(2 * most)
        rises = room
        count = 0
        for row in rows:
            for q in range(starts[row * width + left], starts[row * width + right + 1]):
                ex, ey = x[q] - qx[i], y[q] - qy[i]
                if ex * ex + ey * ey <= squared:
                    rises[count] = z[q] - qz[i] - slope_x[q] * ex - slope_y[q] * ey
                    count += 1
        middle = median_of(rises, np.int64(count))
        if not depths[0] < middle <= depths[1]:
            continue
        depth[i] = middle
        agreed = around = 0
        # Sums are of whole steps of a millionth, so that their order does not matter.
        sum_x = sum_y = 0
        for row in rows:
            for q in range(starts[row * width + left], starts[row * width + right + 1]):
                ex, ey = x[q] - qx[i], y[q] - qy[i]
                if ex * ex + ey * ey > squared:
                    continue
                rise = z[q] - qz[i] - slope_x[q] * ex - slope_y[q] * ey
                if abs(rise - middle) <= _ON * middle:
                    agreed += 1
                    sum_x += int(np.rint(slope_x[q] * 1e6))
                    sum_y += int(np.rint(slope_y[q] * 1e6))
                    around |= (8 if ex > 0.0 else 4) if ey > 0.0 else (2 if ex > 0.0 else 1)
        agreeing[i], sides[i] = agreed / count, how_many(around)
        if sides[i] < 4:
            continue
        tilt_x, tilt_y = sum_x * 1e-6 / agreed, sum_y * 1e-6 / agreed
        level = under = over = 0
        east = north = sum_x = sum_y = sum_xx = sum_yy = sum_xy = 0
        for row in rows:
            for q in range(every_starts[row * width + left], every_starts[row * width + right + 1]):
                ex, ey = every_x[q] - qx[i], every_y[q] - qy[i]
                d = ex * ex + ey * ey
                if d > squared:
                    continue
                off = every_z[q] - qz[i] - middle - tilt_x * ex - tilt_y * ey
                if off < -_BELOW * middle:
                    under += 1
                    sum_x += int(np.rint(ex * 1e6))
                    sum_y += int(np.rint(ey * 1e6))
                    sum_xx += int(np.rint(ex * ex * 1e6))
                    sum_yy += int(np.rint(ey * ey * 1e6))
                    sum_xy += int(np.rint(ex * ey * 1e6))
                elif abs(off) <= _ON * middle:
                    level += 1
                    if d <= squared_near:
                        over += 1
                        east += int(np.rint(ex * 1e6))
                        north += int(np.rint(ey * 1e6))
        on[i], below[i] = level, under - 1
        if under > 1:
            mean_x, mean_y = 1e-6 * sum_x / under, 1e-6 * sum_y / under
            xx = 1e-6 * sum_xx / under - mean_x * mean_x
            yy = 1e-6 * sum_yy / under - mean_y * mean_y
            xy = 1e-6 * sum_xy / under - mean_x * mean_y
            half, root = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
            length[i] = np.sqrt(max(half + root, 0.0))
            breadth[i] = np.sqrt(max(half - root, 0.0))
        if over > 0:
            aside[i] = 1e-6 * np.hypot(east / over, north / over)
