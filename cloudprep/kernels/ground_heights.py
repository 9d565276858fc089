"""Heights over a surface, counted cell by cell, and what lies between two limits of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import ndimage

from cloudprep.kernels.bilinear import Corners, corners_of, read_corners
from cloudprep.kernels.cell_summary import span
from cloudprep.kernels.compiling import njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Counts = NDArray[np.uint16]

# Heights over the coarse surface are counted in bins of 2 cm, from 64 cm below to 96 cm above.
BIN = 0.02
LOWEST = -0.64
BINS = 80
_FULL = np.iinfo(np.uint16).max
_AT_ONCE = 256


@njit(nogil=True, cache=True, error_model="numpy")
def _count_over(
    points: tuple[Floats, Floats, Floats],
    level: float,
    used: NDArray[np.bool_],
    lattice: tuple[float, float, float],
    surface: NDArray[np.float32],
    corner: tuple[int, int],
    side: int,
    first: tuple[int, int],
    counts: Counts,
) -> int:
    x, y, z = points
    fine, east, north = lattice
    rows, columns = surface.shape
    missed = 0
    # A few points at a time, step by step: most steps then are vector instructions.
    row, column = np.empty(_AT_ONCE, np.int64), np.empty(_AT_ONCE, np.int64)
    own_row, own_column = np.empty(_AT_ONCE, np.int64), np.empty(_AT_ONCE, np.int64)
    aside, above, place = np.empty(_AT_ONCE), np.empty(_AT_ONCE), np.empty(_AT_ONCE)
    for start in range(0, len(z), _AT_ONCE):
        count = min(_AT_ONCE, len(z) - start)
        for k in range(count):
            across, up = (x[start + k] + east) / fine, (y[start + k] + north) / fine
            own_row[k], own_column[k] = int(np.floor(up / side)), int(np.floor(across / side))
            at = corners_of(rows, columns, across - corner[0], up - corner[1])
            row[k], column[k], aside[k], above[k] = at.row, at.column, at.across, at.up
        for k in range(count):
            r, c = row[k], column[k]
            at = Corners(r, min(r + 1, rows - 1), c, min(c + 1, columns - 1), aside[k], above[k])
            place[k] = read_corners(surface, at)
        for k in range(count):
            place[k] = (((z[start + k] - level) - place[k]) - LOWEST) / BIN
        for k in range(count):
            if not used[start + k]:
                continue
            r, c = own_row[k] - first[1], own_column[k] - first[0]
            if c < 0 or r < 0 or c >= counts.shape[1] or r >= counts.shape[0]:
                missed += 1
            # Compared as numbers first: what is no number or too large for an index never becomes one.
            elif 0 <= place[k] < BINS:
                own = counts[r, c, int(place[k])]
                counts[r, c, int(place[k])] = own + np.uint16(own < _FULL)
    return missed


def count_over(
    x: Floats,
    y: Floats,
    z: Floats,
    used: NDArray[np.bool_],
    *,
    level: float = 0.0,
    lattice: tuple[float, float, float],
    surface: NDArray[np.float32],
    corner: tuple[int, int],
    side: int,
) -> tuple[int, int, NDArray[np.uint16]]:
    """Count points by their height over a surface, cell by cell, in one pass.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    used : ndarray of bool, shape (n,)
        Which points count, at least one.
    level : float
        Height from which those of the surface are counted, m.
    lattice : tuple of float
        Side of the surface's cells, and what is added to x and y before they are divided by it, m.
    surface : ndarray of float32, shape (any)
        Heights at the cells' centres, m; no NaN.
    corner : tuple of int
        Column and row of its first cell.
    side : int
        Cells of the surface along a side of those that are counted in.

    Returns
    -------
    column, row : int
        First cell of the counts.
    counts : ndarray of uint16, shape (rows, columns, 80)
        Counts in bins of 2 cm from -0.64 m; what lies beyond isn't counted; full at 65,535.
    """
    fine, east, north = lattice
    left, right, lower, upper = span(x, y, used)
    column, row = (math.floor(v / side) for v in ((left + east) / fine, (lower + north) / fine))
    columns = math.floor((right + east) / fine / side) - column + 1
    rows = math.floor((upper + north) / fine / side) - row + 1
    counts = np.zeros((rows, columns, BINS), np.uint16)
    if _count_over((x, y, z), level, used, lattice, surface, corner, side, (column, row), counts):
        raise ValueError("points lie outside the raster")
    return column, row, counts


class Heights(NamedTuple):
    """Counts of heights without the empty bins, which nearly all are.

    Parameters
    ----------
    start : ndarray of int64, shape (rows, columns + 1)
        Where each cell's bins begin; in each row, the next cell's start is the end.
    bins : ndarray of uint8, shape (n,)
        Bins that hold points, from the lowest on.
    counts : ndarray of uint16, shape (n,)
        How many.
    """

    start: NDArray[np.int64]
    bins: NDArray[np.uint8]
    counts: NDArray[np.uint16]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.start.shape[0], self.start.shape[1] - 1


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def _middle(k: int) -> float:
    """Return the height in the middle of a bin."""
    return LOWEST + (k + 0.5) * BIN


@njit(nogil=True, cache=True, error_model="numpy")
def _pack(
    counts: Counts,
    words: NDArray[np.uint64],
    start: NDArray[np.int64],
    bins: NDArray[np.uint8],
    number: NDArray[np.uint16],
) -> None:
    rows, columns, each = words.shape
    at = 0
    for r in range(rows):
        for c in range(columns):
            start[r, c] = at
            for w in range(each):
                if words[r, c, w] == 0:  # four empty bins
                    continue
                for k in range(4 * w, 4 * w + 4):
                    if counts[r, c, k] > 0:
                        bins[at], number[at] = k, counts[r, c, k]
                        at += 1
        start[r, columns] = at


def packed(counts: NDArray[np.uint16]) -> Heights:
    """Return counts of :func:`count_over` without the empty bins."""
    rows, columns = counts.shape[:2]
    filled = int(np.count_nonzero(counts))
    heights = Heights(
        np.empty((rows, columns + 1), np.int64), np.empty(filled, np.uint8), np.empty(filled, np.uint16)
    )
    _pack(counts, counts.view(np.uint64), *heights)
    return heights


@njit(nogil=True, cache=True, error_model="numpy")
def _add(heights: Heights, down: int, left: int, counts: Counts) -> None:
    rows, columns = heights.start.shape[0], heights.start.shape[1] - 1
    for r in range(max(0, -down), min(rows, counts.shape[0] - down)):
        for c in range(max(0, -left), min(columns, counts.shape[1] - left)):
            cell = counts[r + down, c + left]
            for i in range(heights.start[r, c], heights.start[r, c + 1]):
                k = int(heights.bins[i])
                cell[k] = min(int(cell[k]) + int(heights.counts[i]), 65_535)


def summed(
    parts: Sequence[tuple[int, int, Heights]],
    first: tuple[int, int],
    shape: tuple[int, int],
    *,
    threads: int = 1,
) -> Heights:
    """Add up the counts of several rectangles.

    Parameters
    ----------
    parts : sequence of (column, row, Heights)
        First cell of each rectangle, and its counts.
    first : tuple of int
        First column and row of the cells wanted.
    shape : tuple of int
        Rows and columns of the cells wanted.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    Heights
        Of the cells wanted; a bin is full at 65,535.
    """
    if len(parts) == 1 and parts[0][:2] == first and parts[0][2].shape == shape:
        return parts[0][2]
    found: dict[int, Heights] = {}

    def add(rows: slice) -> None:
        counts = np.zeros((rows.stop - rows.start, shape[1], BINS), np.uint16)
        for column, row, heights in parts:
            _add(heights, row - first[1] - rows.start, column - first[0], counts)
        found[rows.start] = packed(counts)

    # Strip by strip: with all their empty bins, the counts would take ten times as much.
    in_strips(add, shape, threads)
    strips = [found[row] for row in sorted(found)]
    before = np.cumsum([0, *(len(strip.bins) for strip in strips[:-1])])
    return Heights(
        np.concatenate([strip.start + done for strip, done in zip(strips, before, strict=True)]),
        np.concatenate([strip.bins for strip in strips]),
        np.concatenate([strip.counts for strip in strips]),
    )


@njit(nogil=True, cache=True, error_model="numpy")
def _between(heights: Heights, low: Floats, high: Floats, sums: tuple[Floats, Floats, Floats]) -> None:
    rows, columns = low.shape
    start, bins, counts = heights
    # The middles of the bins, and what is made of them for each point in one.
    middles = np.empty(BINS)
    for k in range(BINS):
        middles[k] = _middle(k)
    firsts, lasts = np.empty(columns, np.int64), np.empty(columns, np.int64)
    for r in range(rows):
        for c in range(columns):
            firsts[c] = int(np.ceil((low[r, c] - LOWEST) / BIN - 0.5))
            lasts[c] = int(np.floor((high[r, c] - LOWEST) / BIN - 0.5))
        for c in range(columns):
            i, end = start[r, c], start[r, c + 1]
            while i < end and bins[i] < firsts[c]:
                i += 1
            n = total = square = 0.0
            while i < end and bins[i] <= lasts[c]:
                m, v = float(counts[i]), middles[bins[i]]
                n += m
                total += m * v
                square += m * v * v
                i += 1
            sums[0][r, c], sums[1][r, c], sums[2][r, c] = n, total, square


def sums_between(heights: Heights, low: Floats, high: Floats, *, threads: int = 1) -> Floats:
    """Return number, sum and sum of squares of the heights between two limits, cell by cell.

    Parameters
    ----------
    heights : Heights
        Counts.
    low, high : ndarray of float64, shape (rows, columns)
        Limits, m; a bin counts whole, by its middle.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of float64, shape (3, rows, columns)
        Number, sum (m) and sum of squares (m2).
    """
    sums = np.empty((3, *low.shape))

    def part(rows: slice) -> None:
        into = sums[0, rows], sums[1, rows], sums[2, rows]
        _between(heights._replace(start=heights.start[rows]), low[rows], high[rows], into)

    in_strips(part, heights.shape, threads)
    return sums


@njit(nogil=True, cache=True, error_model="numpy")
def _lowest(heights: Heights, lowest: Floats) -> None:
    rows, columns = lowest.shape
    for r in range(rows):
        for c in range(columns):
            at = heights.start[r, c]
            lowest[r, c] = _middle(heights.bins[at]) if at < heights.start[r, c + 1] else np.nan


def lowest_heights(heights: Heights) -> Floats:
    """Return the lowest counted height of each cell, m, shape (rows, columns); NaN where there is none."""
    lowest = np.empty(heights.shape)
    _lowest(heights, lowest)
    return lowest


@njit(nogil=True, cache=True, error_model="numpy")
def _median_around(lowest: Floats, row: int, column: int, box: int, counted: NDArray[np.int64]) -> float:
    """Return the median of a box; no number counts as 0, and the raster is mirrored outside."""
    rows, columns = lowest.shape
    counted[:] = 0
    for i in range(row - box // 2, row - box // 2 + box):
        r = i % (2 * rows)
        r = min(r, 2 * rows - 1 - r)
        for k in range(column - box // 2, column - box // 2 + box):
            c = k % (2 * columns)
            c = min(c, 2 * columns - 1 - c)
            # Zero lies between two bins: twice as many places, of which bins have the odd ones.
            v = lowest[r, c]
            counted[int(np.rint(2 * ((0.0 if np.isnan(v) else v) - LOWEST) / BIN))] += 1
    left = box * box // 2
    for place in range(len(counted)):
        left -= counted[place]
        if left < 0:
            return _middle(place // 2) if place % 2 else 0.0
    return np.inf


@njit(nogil=True, cache=True, error_model="numpy")
def _median_may_exceed(lowest: Floats, row: int, column: int, box: int, level: float) -> bool:
    """Tell whether the median of a box may lie over a level, far quicker than the median is found."""
    rows, columns = lowest.shape
    needed = box * box - box * box // 2
    first, left = row - box // 2, column - box // 2
    if first < 0 or left < 0 or first + box > rows or left + box > columns:
        return True
    above = 0
    for i in range(box):
        for k in range(left, left + box):
            v = lowest[first + i, k]
            above += int((0.0 if np.isnan(v) else v) > level)
        if above >= needed:
            return True
        if above + (box - 1 - i) * box < needed:
            return False
    return False


@njit(nogil=True, cache=True, error_model="numpy")
def _keep(heights: Heights, lowest: Floats, highest: Floats, depth: Floats, box: int, kept: Heights) -> int:
    rows, columns = lowest.shape
    counted = np.empty(2 * BINS + 1, np.int64)
    to = 0
    for r in range(rows):
        for c in range(columns):
            kept.start[r, c] = to
            limit = -np.inf
            # The median is at most the highest; and where it isn't over the lowest by more than the depth
            # (a micrometre spared for rounding), all is kept.
            if lowest[r, c] < highest[r, c] - depth[r, c] and _median_may_exceed(
                lowest, r, c, box, lowest[r, c] + depth[r, c] - 1e-6
            ):
                limit = _median_around(lowest, r, c, box, counted) - depth[r, c]
            for i in range(heights.start[r, c], heights.start[r, c + 1]):
                if _middle(heights.bins[i]) >= limit:
                    kept.bins[to], kept.counts[to] = heights.bins[i], heights.counts[i]
                    to += 1
        kept.start[r, columns] = to
    return to


def without_low_groups(heights: Heights, depth: Floats, box: int) -> Heights:
    """Leave out heights that lie far below the lowest ones around.

    Parameters
    ----------
    heights : Heights
        Counts.
    depth : ndarray of float64, shape (rows, columns)
        How far below the median of the lowest heights around a height may lie, m. A cell without any counts
        as one whose lowest height is 0.
    box : int
        Side of the square around, cells.

    Returns
    -------
    Heights
        What is left.
    """
    lowest = lowest_heights(heights)
    highest = ndimage.maximum_filter(np.where(np.isnan(lowest), 0.0, lowest), box)
    kept = Heights(np.empty_like(heights.start), np.empty_like(heights.bins), np.empty_like(heights.counts))
    count = _keep(heights, lowest, highest, depth, box, kept)
    return Heights(kept.start, kept.bins[:count], kept.counts[:count])
