"""Where one flight line saw empty space that another saw points in: counts in columns and in balls."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.columns_above import how_many, in_threads
from cloudprep.kernels.columns_eight import counted, eight_at_least, sides_of
from cloudprep.kernels.compiling import njit, read_only
from cloudprep.kernels.simd import (
    WIDTH,
    below,
    bits_set,
    load,
    load_single,
    minus,
    pick_set,
    plus,
    smaller,
    spread,
    squared,
    store,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.columns_sorted import Columns

    Floats = NDArray[np.float64]
    Singles = NDArray[np.float32]
    Integers = NDArray[np.int64]
    Counts = NDArray[np.int32]
    Flags = NDArray[np.bool_]
    Lines = NDArray[np.uint16]

# What lies higher than this above a point (m) says nothing of it: other lines may see a bridge or a crown.
OVERHEAD = 2.0


def in_order(
    x: Floats, y: Floats, z: Floats, line: Lines, rows: Integers
) -> tuple[Floats, Floats, Floats, Lines]:
    """Return coordinates and flight lines of some points, in one pass over them.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    line : ndarray of uint16, shape (n,)
        Flight lines.
    rows : ndarray of int64, shape (m,)
        The points.
    """
    m = len(rows)
    px, py, pz, lines = np.empty(m), np.empty(m), np.empty(m), np.empty(m, np.uint16)
    _put_in_order(read_only(x), read_only(y), read_only(z), read_only(line), rows, px, py, pz, lines)
    return px, py, pz, lines


@njit(nogil=True, cache=True)
def _put_in_order(
    x: Floats,
    y: Floats,
    z: Floats,
    line: Lines,
    rows: Integers,
    px: Floats,
    py: Floats,
    pz: Floats,
    lines: Lines,
) -> None:
    for j in range(rows.shape[0]):
        i = rows[j]
        px[j], py[j], pz[j], lines[j] = x[i], y[i], z[i], line[i]


def seen_past(
    columns: Columns, x: Floats, y: Floats, z: Floats, line: Lines, *, clear: float, threads: int = 1
) -> tuple[Counts, NDArray[np.uint8], Singles]:
    """Return how many points of other lines lie clearly below each point, and in how many quadrants.

    Parameters
    ----------
    columns : Columns
        Where the points lie; ``starts`` counts their rows. The side of a column is how far around is looked.
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, column by column.
    line : ndarray of uint16, shape (n,)
        The flight line of each point.
    clear : float
        How far below counts as clearly, m.
    threads : int
        Threads to use.

    Returns
    -------
    lower : ndarray of int32, shape (n,)
        Number of points; -1 where another line has a point at the same height or up to 2 m above it.
    quadrants : ndarray of uint8, shape (n,)
        In how many quadrants around there are some.
    gap : ndarray of float32, shape (n,)
        How far below the lowest of them lies, m; infinite without any.
    """
    gap = np.full(len(x), np.inf, np.float32)
    lower = np.zeros(len(x), np.int32)
    quadrants = np.zeros(len(x), np.uint8)
    c = columns

    lines = np.empty((2, c.width * c.height), np.uint16)
    _range_of_lines(c.starts, line, lines)

    # Whole numbers of flight lines are compared in lanes, as single precision.
    x, y, z, single = (eight_at_least(values) for values in (x, y, z, line.astype(np.float32)))

    def work(first: int, last: int) -> None:
        _look_past(
            c.width, c.starts, x, y, z, single, lines, c.edge, clear, lower, quadrants, gap, first, last
        )

    # The first and the last row of columns are empty.
    in_threads(work, c.width * c.height, threads)
    return lower, quadrants, gap


@njit(nogil=True, cache=True)
def _range_of_lines(starts: Integers, line: Lines, lines: NDArray[np.uint16]) -> None:
    """Write the lowest and the highest line of each column; of an empty one nothing like a range."""
    for c in range(lines.shape[1]):
        lines[0, c], lines[1, c] = 0xFFFF, 0
        for q in range(starts[c], starts[c + 1]):
            lines[0, c] = min(lines[0, c], line[q])
            lines[1, c] = max(lines[1, c], line[q])


@njit(nogil=True, cache=True)
def _past_in(
    x: Floats,
    y: Floats,
    z: Floats,
    line: Singles,
    first: int,
    last: int,
    px: float,
    py: float,
    pz: float,
    own: float,
    squared_radius: float,
    clear: float,
    lows: Floats,
) -> tuple[int, int]:
    """Return how many points of a run that are of other lines lie clearly below a place, and on which sides.

    -1 if one lies on its level. ``lows`` gets the lowest of them, of eight lanes each.
    """
    count = sides = 0
    qx, qy, qz, mine = spread(px), spread(py), spread(pz), spread(own)
    most = spread(squared_radius)
    for at in range(first, last, WIDTH):
        start = min(at, x.shape[0] - WIDTH)
        ex, ey, rise = minus(load(x, start), qx), minus(load(y, start), qy), minus(load(z, start), qz)
        lines = load_single(line, start)
        near = counted(start, at, last) & (below(lines, mine) | below(mine, lines))
        near &= ~(below(most, plus(squared(ex), squared(ey))) | below(spread(OVERHEAD), rise))
        if near == 0:
            continue
        if near & ~below(rise, spread(-clear)) != 0:
            return -1, 0
        count += bits_set(near)
        sides |= sides_of(near, ex, ey)
        store(lows, 0, smaller(load(lows, 0), pick_set(near, rise, spread(np.inf))))
    return count, sides


@njit(nogil=True, cache=True)
def _look_past(
    width: int,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    line: Singles,
    lines: NDArray[np.uint16],
    edge: float,
    clear: float,
    lower: Counts,
    quadrants: NDArray[np.uint8],
    gap: Singles,
    first: int,
    last: int,
) -> None:
    """Look around the points of some columns; among points of one line there is nothing to look for."""
    squared_radius = edge * edge
    lows = np.empty(WIDTH)
    for c in range(first, last):
        if starts[c] == starts[c + 1]:
            continue
        low, high = lines[0, c], lines[1, c]
        for row in (c - width, c, c + width):
            for near in range(row - 1, row + 2):
                low, high = min(low, lines[0, near]), max(high, lines[1, near])
        if low == high:
            continue
        for i in range(starts[c], starts[c + 1]):
            count = sides = 0
            store(lows, 0, spread(np.inf))
            # The own row first: on the ground it ends the search at once. One column all around is empty.
            for row in (c, c - width, c + width):
                found = _past_in(
                    x, y, z, line, starts[row - 1], starts[row + 2], x[i], y[i], z[i], np.float64(line[i]),
                    squared_radius, clear, lows,
                )  # fmt: skip
                if found[0] < 0:
                    count = -1
                    break
                count += found[0]
                sides |= found[1]
            lower[i] = count
            if count > 0:
                lowest = np.inf
                for k in range(WIDTH):
                    lowest = min(lowest, lows[k])
                gap[i] = -lowest
                quadrants[i] = how_many(sides)


class Company(NamedTuple):
    """What lies around each of some points, in a ball.

    Parameters
    ----------
    fellows : ndarray of int32, shape (m,)
        Contradicted points of the same line, the point itself included if it is one.
    smooth : ndarray of int32, shape (m,)
        Those of them that lie smoothly.
    standing : ndarray of int32, shape (m,)
        Other points of the same line that don't lie clearly lower, unless they are doubtful.
    others : ndarray of int32, shape (m,)
        Points of other lines that don't lie clearly lower, unless they are contradicted themselves.
    width, height : ndarray of float64, shape (m,)
        Extent of the fellows along x or y, whichever is larger, and upwards, m.
    """

    fellows: Counts
    smooth: Counts
    standing: Counts
    others: Counts
    width: Floats
    height: Floats


def company(
    columns: Columns,
    x: Floats,
    y: Floats,
    z: Floats,
    line: Lines,
    contradicted: Flags,
    doubtful: Flags,
    smooth: Flags,
    rows: Integers,
    *,
    clear: float,
    threads: int = 1,
) -> Company:
    """Return what lies around contradicted points.

    Parameters
    ----------
    columns : Columns
        As for :func:`seen_past`; the side of a column is the radius of the balls.
    x, y, z, line : ndarray, shape (n,)
        As for :func:`seen_past`.
    contradicted, doubtful, smooth : ndarray of bool, shape (n,)
        Which points other lines contradict, which they may, and which lie smoothly among their neighbours.
    rows : ndarray of int64, shape (m,)
        The points asked for.
    clear : float
        How far below counts as clearly, m.
    threads : int
        Threads to use.
    """
    counts = np.zeros((4, len(rows)), np.int32)
    extents = np.zeros((2, len(rows)))
    c = columns

    def work(first: int, last: int) -> None:
        _count_company(
            c.edge, c.first_x, c.first_y, c.width, c.starts, x, y, z, line, contradicted, doubtful, smooth,
            rows, clear, counts, extents, first, last,
        )  # fmt: skip

    in_threads(work, len(rows), threads)
    return Company(*counts, *extents)


@njit(nogil=True, cache=True)
def _count_company(
    edge: float,
    first_x: int,
    first_y: int,
    width: int,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    line: Lines,
    contradicted: Flags,
    doubtful: Flags,
    smooth: Flags,
    rows: Integers,
    clear: float,
    counts: NDArray[np.int32],
    extents: Floats,
    first: int,
    last: int,
) -> None:
    most = edge * edge
    for k in range(first, last):
        i = rows[k]
        cx = int(np.floor(x[i] / edge)) - first_x
        cy = int(np.floor(y[i] / edge)) - first_y
        fellows = even = standing = others = 0
        low_x = high_x = x[i]
        low_y = high_y = y[i]
        low_z = high_z = z[i]
        for row in range(cy - 1, cy + 2):
            for q in range(starts[row * width + cx - 1], starts[row * width + cx + 2]):
                rise = z[q] - z[i]
                mine = line[q] == line[i]
                if rise < -clear and not (mine and contradicted[q]):
                    continue
                ex, ey = x[q] - x[i], y[q] - y[i]
                if ex * ex + ey * ey + rise * rise > most:
                    continue
                if contradicted[q]:
                    if mine:
                        fellows += 1
                        even += smooth[q]
                        low_x, high_x = min(low_x, x[q]), max(high_x, x[q])
                        low_y, high_y = min(low_y, y[q]), max(high_y, y[q])
                        low_z, high_z = min(low_z, z[q]), max(high_z, z[q])
                elif mine:
                    standing += not doubtful[q]
                else:
                    others += 1
        counts[0, k], counts[1, k], counts[2, k], counts[3, k] = fellows, even, standing, others
        extents[0, k] = max(high_x - low_x, high_y - low_y)
        extents[1, k] = high_z - low_z
