"""Contours of some rows of a raster: one pass over the cells, no line crosses another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.chains import lines_through
from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

# How near a crossing may come to a cell centre, as a share of the cell: lines through a centre that is at the
# very level pass it by, so that they can't touch.
_NEAREST = 1e-6


@dataclass(frozen=True)
class Pieces:
    """Lines of a strip, higher ground on the left.

    Parameters
    ----------
    places : ndarray of float64, shape (n, 2)
        Column and row of each vertex, as numbers of cell centres; a ring's first vertex isn't repeated.
    starts : ndarray of int64, shape (m + 1,)
        Where each line begins in ``places``, and the end of the last.
    levels : ndarray of int64, shape (m,)
        Which multiple of the interval each line has.
    ends : ndarray of int64, shape (m, 2)
        Numbers of the raster's edges on which it begins and ends: neighbouring strips give the same ones.
    closed : ndarray of bool, shape (m,)
        Which are rings.
    """

    places: NDArray[np.float64]
    starts: NDArray[np.int64]
    levels: NDArray[np.int64]
    ends: NDArray[np.int64]
    closed: NDArray[np.bool_]


def contour_pieces(heights: NDArray[np.float64], interval: float, first_row: int) -> Pieces:
    """Return the contours between the cell centres of a strip of rows.

    A centre at the very level counts as above it. In a cell between four centres of which two opposite ones
    are above, the lines go as the bilinear surface does (its saddle is above the level, or not). Lines end
    where one of the four centres has no height.

    Parameters
    ----------
    heights : ndarray of float64, shape (rows, columns)
        Rows ``first_row`` and so on of the raster; the last one is the first one of the next strip.
    interval : float
        Difference between levels, which are its whole multiples.
    first_row : int
        Row of the raster.

    Returns
    -------
    Pieces
        Lines within the strip.

    Notes
    -----
    Marching squares; Nielson and Hamann 1991, "The asymptotic decider". Within a cell the ends of lines of
    different levels come in the order of the levels along each edge, so the straight pieces can't cross; the
    two of one level lie in opposite quadrants about the saddle.

    Examples
    --------
    >>> pieces = contour_pieces(np.array([[0.0, 2.0], [0.0, 2.0]]), 1.0, 0)
    >>> pieces.levels.tolist(), pieces.places.round(2).tolist()
    ([1, 2], [[0.5, 1.0], [0.5, 0.0], [1.0, 1.0], [1.0, 0.0]])
    """
    steps = np.empty(heights.shape, np.int64)
    _level_below(heights, interval, steps)
    offsets = np.empty(2 * heights.size + 1, np.int64)
    count = _count(heights, steps, offsets)
    places = np.empty((count, 2))
    edges = np.empty(count, np.int64)
    following = np.full(count, -1, np.int64)
    entered = np.zeros(count, np.bool_)
    _cross(heights, steps, interval, first_row, offsets, places, edges)
    _link(heights, steps, interval, offsets, following, entered)
    order, starts, closed = lines_through(following, entered, lone=False)
    first, last = order[starts[:-1]], order[starts[1:] - 1]
    shift = 2 * first_row * heights.shape[1]
    ends = np.stack([edges[first], edges[last]], axis=1) + shift
    levels = _levels_of(first, edges, offsets, steps.ravel(), heights.shape[1])
    return Pieces(places[order], starts, levels, ends, closed)


@njit(nogil=True, cache=True)
def _level_below(z, interval, steps):  # type: ignore[no-untyped-def]
    """Return the largest k with k * interval <= z, as the product is rounded."""
    rows, columns = z.shape
    for r in range(rows):
        for c in range(columns):
            value = z[r, c]
            if np.isnan(value):
                steps[r, c] = 0
                continue
            k = np.int64(np.floor(value / interval))
            while (k + 1) * interval <= value:
                k += 1
            while k * interval > value:
                k -= 1
            steps[r, c] = k


@njit(nogil=True, cache=True)
def _count(z, steps, offsets):  # type: ignore[no-untyped-def]
    """Put numbers to the crossings: edge 2 i leads from centre i to the east, 2 i + 1 to the north."""
    rows, columns = z.shape
    total = 0
    for r in range(rows):
        for c in range(columns):
            i = 2 * (r * columns + c)
            offsets[i] = total
            if not np.isnan(z[r, c]):
                if c + 1 < columns and not np.isnan(z[r, c + 1]):
                    total += abs(steps[r, c + 1] - steps[r, c])
                offsets[i + 1] = total
                if r + 1 < rows and not np.isnan(z[r + 1, c]):
                    total += abs(steps[r + 1, c] - steps[r, c])
            else:
                offsets[i + 1] = total
    offsets[2 * rows * columns] = total
    return total


@njit(nogil=True, cache=True)
def _cross(z, steps, interval, first_row, offsets, places, edges):  # type: ignore[no-untyped-def]
    rows, columns = z.shape
    for r in range(rows):
        for c in range(columns):
            for north in range(2):
                edge = 2 * (r * columns + c) + north
                count = offsets[edge + 1] - offsets[edge]
                if count == 0:
                    continue
                a = z[r, c]
                b = z[r + 1, c] if north else z[r, c + 1]
                low = min(steps[r, c], steps[r + 1, c] if north else steps[r, c + 1])
                for j in range(count):
                    share = ((low + 1 + j) * interval - a) / (b - a)
                    share = min(max(share, _NEAREST), 1 - _NEAREST)
                    at = offsets[edge] + j
                    places[at, 0] = c if north else c + share
                    places[at, 1] = first_row + r + share if north else first_row + r
                    edges[at] = edge


@njit(nogil=True, cache=True)
def _link(z, steps, interval, offsets, following, entered):  # type: ignore[no-untyped-def]
    """Say for each crossing which one comes after it.

    Along a cell's rim, counterclockwise, a line leaves where the ground falls below its level, and arrives
    where it rises above.
    """
    rows, columns = z.shape
    start = np.empty(2, np.int64)
    end = np.empty(2, np.int64)
    for r in range(rows - 1):
        for c in range(columns - 1):
            za, zb, zc, zd = z[r, c], z[r, c + 1], z[r + 1, c + 1], z[r + 1, c]
            if np.isnan(za + zb + zc + zd):
                continue
            a, b, d, e = steps[r, c], steps[r, c + 1], steps[r + 1, c + 1], steps[r + 1, c]
            low = min(a, b, d, e)
            high = max(a, b, d, e)
            if low == high:
                continue
            south = 2 * (r * columns + c)
            west = south + 1
            east = south + 3
            north = south + 2 * columns
            for k in range(low + 1, high + 1):
                at_south = offsets[south] + k - min(a, b) - 1
                at_east = offsets[east] + k - min(b, d) - 1
                at_north = offsets[north] + k - min(e, d) - 1
                at_west = offsets[west] + k - min(a, e) - 1
                up_a, up_b, up_c, up_d = a >= k, b >= k, d >= k, e >= k
                n_start = 0
                n_end = 0
                if up_a != up_b:
                    if up_a:
                        start[n_start] = at_south
                        n_start += 1
                    else:
                        end[n_end] = at_south
                        n_end += 1
                if up_b != up_c:
                    if up_b:
                        start[n_start] = at_east
                        n_start += 1
                    else:
                        end[n_end] = at_east
                        n_end += 1
                if up_c != up_d:
                    if up_c:
                        start[n_start] = at_north
                        n_start += 1
                    else:
                        end[n_end] = at_north
                        n_end += 1
                if up_d != up_a:
                    if up_d:
                        start[n_start] = at_west
                        n_start += 1
                    else:
                        end[n_end] = at_west
                        n_end += 1
                if n_start == 1:
                    following[start[0]] = end[0]
                    entered[end[0]] = True
                    continue
                level = k * interval
                across = (za - level) * (zc - level) - (zb - level) * (zd - level)
                if up_a:  # starts south and north, ends east and west
                    joined = across > 0
                    first = end[0] if joined else end[1]
                    second = end[1] if joined else end[0]
                else:  # starts east and west, ends south and north
                    joined = across < 0
                    first = end[1] if joined else end[0]
                    second = end[0] if joined else end[1]
                following[start[0]] = first
                following[start[1]] = second
                entered[first] = True
                entered[second] = True


@njit(nogil=True, cache=True)
def _levels_of(crossings, edges, offsets, steps, columns):  # type: ignore[no-untyped-def]
    levels = np.empty(len(crossings), np.int64)
    for i in range(len(crossings)):
        edge = edges[crossings[i]]
        centre = edge // 2
        other = centre + columns if edge % 2 else centre + 1
        levels[i] = min(steps[centre], steps[other]) + 1 + crossings[i] - offsets[edge]
    return levels
