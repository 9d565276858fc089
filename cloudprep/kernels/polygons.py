"""Many points against many polygons: in which one a point lies, and how near it is to their lines.

Polygons come as edges sorted by feature; all rings of a feature count together, by the even-odd rule, so that
holes are outside. A point on an edge belongs to the side that a half-open rule gives it: polygons that share
an edge share no point and leave none out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

_MOST_BANDS = 1 << 16
_MOST_BINS_ALONG = 2048
# A bin is wider than the distance that is looked for, so that few lines stand in many bins.
_BIN_REACHES = 4.0


class Edges(NamedTuple):
    """The edges of polygons, in order of their features.

    Parameters
    ----------
    x0, y0, x1, y1 : ndarray of float64, shape (n,)
        From where to where, m.
    feature : ndarray of int64, shape (n,)
        Which feature each belongs to; never decreasing.
    """

    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    feature: Indices

    def __len__(self) -> int:
        return len(self.x0)


class Bands(NamedTuple):
    """Edges by the horizontal bands that they cross.

    Parameters
    ----------
    edges : Edges
        All of them.
    bottom, height : float
        Where the first band starts, and how high one is, m.
    start : ndarray of int64, shape (bands + 1,)
        Where the edges of each band start in ``order``.
    order : ndarray of int64
        Edges of each band, in order of their features.
    """

    edges: Edges
    bottom: float
    height: float
    start: Indices
    order: Indices


def banded(edges: Edges) -> Bands:
    """Return edges sorted into bands; about as many bands as edges."""
    if len(edges) == 0:
        return Bands(edges, 0.0, 1.0, np.zeros(2, np.int64), np.empty(0, np.int64))
    low, high = np.minimum(edges.y0, edges.y1), np.maximum(edges.y0, edges.y1)
    bottom, top = float(low.min()), float(high.max())
    count = int(min(max(len(edges), 1), _MOST_BANDS))
    height = max((top - bottom) / count, np.finfo(np.float64).tiny ** 0.5)
    start, order = _in_bands(low, high, bottom, height, count)
    return Bands(edges, bottom, height, start, order)


@njit(nogil=True, cache=True)
def _in_bands(low, high, bottom, height, count):  # type: ignore[no-untyped-def]
    start = np.zeros(count + 1, np.int64)
    for i in range(len(low)):
        first = min(int((low[i] - bottom) / height), count - 1)
        last = min(int((high[i] - bottom) / height), count - 1)
        for b in range(first, last + 1):
            start[b + 1] += 1
    for b in range(count):
        start[b + 1] += start[b]
    order = np.empty(start[count], np.int64)
    filled = start[:count].copy()
    for i in range(len(low)):
        first = min(int((low[i] - bottom) / height), count - 1)
        last = min(int((high[i] - bottom) / height), count - 1)
        for b in range(first, last + 1):
            order[filled[b]] = i
            filled[b] += 1
    return start, order


def features_at(x: Floats, y: Floats, bands: Bands) -> NDArray[np.int64]:
    """Return the feature in which each point lies; the first where they overlap, -1 where none does.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Points, m.
    bands : Bands
        Of the features.

    Returns
    -------
    ndarray of int64, shape (n,)
        Even-odd rule: Shimrat 1962, Algorithm 112, Comm. ACM 5(8):434, with Hacker's correction.
    """
    found: NDArray[np.int64] = _features_at(
        np.ascontiguousarray(x, np.float64), np.ascontiguousarray(y, np.float64), *bands.edges, *bands[1:]
    )
    return found


@njit(nogil=True, cache=True)
def _features_at(x, y, ex0, ey0, ex1, ey1, feature, bottom, height, start, order):  # type: ignore[no-untyped-def]
    n = len(x)
    found = np.full(n, -1, np.int64)
    count = len(start) - 1
    if len(order) == 0:
        return found
    for i in range(n):
        up = y[i] - bottom
        if up < 0.0:
            continue
        band = int(min(up / height, 1e15))
        if band > count:
            continue
        band = min(band, count - 1)
        current, odd = np.int64(-1), False
        for j in range(start[band], start[band + 1]):
            e = order[j]
            if feature[e] != current:
                if odd:
                    break
                current = feature[e]
            if (ey0[e] <= y[i]) == (ey1[e] <= y[i]) or x[i] >= max(ex0[e], ex1[e]):
                continue
            # Most edges lie wholly to one side: no need to reckon where they are crossed.
            if x[i] < min(ex0[e], ex1[e]) or x[i] < _crossing(ex0[e], ey0[e], ex1[e], ey1[e], y[i]):
                odd = not odd
        if odd:
            found[i] = current
    return found


@njit(nogil=True, cache=True)
def _crossing(x0, y0, x1, y1, y):  # type: ignore[no-untyped-def]
    """Return where an edge crosses a height, the same from both of its ends, and not beside it."""
    if y0 > y1:
        x0, y0, x1, y1 = x1, y1, x0, y0
    return min(max(x0 + (y - y0) / (y1 - y0) * (x1 - x0), min(x0, x1)), max(x0, x1))


class CellRuns(NamedTuple):
    """Cells whose centres lie in features, as runs along rows.

    Parameters
    ----------
    feature, row, first, beyond : ndarray of int64, shape (n,)
        Each run's feature, row, first column, and the column behind its last; in order of rows, then of
        features. Rows and columns count from the corner of the raster.
    """

    feature: Indices
    row: Indices
    first: Indices
    beyond: Indices


def cell_runs(bands: Bands, left: float, bottom: float, cell: float, shape: tuple[int, int]) -> CellRuns:
    """Return the cells of a raster whose centres lie in features; the rule is that of :func:`features_at`.

    Parameters
    ----------
    bands : Bands
        Of the features.
    left, bottom : float
        Edges of the raster, m.
    cell : float
        Cell size, m.
    shape : tuple of int
        Rows and columns; row 0 is the southernmost.
    """
    return CellRuns(*_cell_runs(*bands.edges, *bands[1:], left, bottom, cell, shape[0], shape[1]))


@njit(nogil=True, cache=True)
def _first_centre(x, left, cell, columns):  # type: ignore[no-untyped-def]
    """Return the first column whose centre isn't west of a place."""
    column = int(min(max((x - left) / cell - 0.5, -1.0), columns + 1.0))
    column = min(max(column, 0), columns)
    while column > 0 and left + (column - 1 + 0.5) * cell >= x:
        column -= 1
    while column < columns and left + (column + 0.5) * cell < x:
        column += 1
    return column


@njit(nogil=True, cache=True)
def _cell_runs(  # type: ignore[no-untyped-def]
    ex0, ey0, ex1, ey1, feature, bands_bottom, height, start, order, left, bottom, cell, rows, columns
):
    count = len(start) - 1
    capacity = 1024
    runs = np.empty((capacity, 4), np.int64)
    number = 0
    crossings = np.empty(256, np.float64)
    for row in range(rows if len(order) else 0):
        y = bottom + (row + 0.5) * cell
        up = y - bands_bottom
        if up < 0.0 or up / height > count:
            continue
        band = min(int(up / height), count - 1)
        j = start[band]
        while j < start[band + 1]:
            current = feature[order[j]]
            found = 0
            while j < start[band + 1] and feature[order[j]] == current:
                e = order[j]
                j += 1
                if (ey0[e] <= y) != (ey1[e] <= y):
                    if found == len(crossings):
                        wider = np.empty(2 * len(crossings), np.float64)
                        wider[:found] = crossings
                        crossings = wider
                    crossings[found] = _crossing(ex0[e], ey0[e], ex1[e], ey1[e], y)
                    found += 1
            crossings[:found].sort()
            for k in range(0, found - 1, 2):
                first = _first_centre(crossings[k], left, cell, columns)
                beyond = _first_centre(crossings[k + 1], left, cell, columns)
                if first < beyond:
                    if number == capacity:
                        more = np.empty((2 * capacity, 4), np.int64)
                        more[:number] = runs
                        runs = more
                        capacity *= 2
                    runs[number, 0] = current
                    runs[number, 1] = row
                    runs[number, 2] = first
                    runs[number, 3] = beyond
                    number += 1
    return (
        runs[:number, 0].copy(),
        runs[:number, 1].copy(),
        runs[:number, 2].copy(),
        runs[:number, 3].copy(),
    )


def nearest_edges(
    x: Floats, y: Floats, edges: Edges, reach: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return for each point the feature whose line is nearest, and how far that is.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Points, m.
    edges : Edges
        Of the features.
    reach : float
        Lines farther away than this don't count, m.

    Returns
    -------
    feature : ndarray of int64, shape (n,)
        -1 where no line is within reach; the first of those that are equally near.
    distance : ndarray of float64, shape (n,)
        m; infinite where no line is within reach.
    """
    x, y = np.ascontiguousarray(x, np.float64), np.ascontiguousarray(y, np.float64)
    if len(edges) == 0 or len(x) == 0:
        return np.full(len(x), -1, np.int64), np.full(len(x), np.inf)
    low_x = float(min(edges.x0.min(), edges.x1.min())) - reach
    low_y = float(min(edges.y0.min(), edges.y1.min())) - reach
    wide = float(max(edges.x0.max(), edges.x1.max())) + reach - low_x
    high = float(max(edges.y0.max(), edges.y1.max())) + reach - low_y
    side = max(_BIN_REACHES * reach, max(wide, high) / _MOST_BINS_ALONG, 1e-6)
    columns, rows = int(wide / side) + 1, int(high / side) + 1
    start, order = _in_bins(*edges[:4], low_x, low_y, side, columns, rows, reach)
    feature, distance = _nearest(x, y, *edges, low_x, low_y, side, columns, rows, start, order, reach)
    return feature, distance


@njit(nogil=True, cache=True)
def _in_bins(ex0, ey0, ex1, ey1, low_x, low_y, side, columns, rows, reach):  # type: ignore[no-untyped-def]
    """Put edges, widened by the reach, into bins, piece by piece; a bin may hold an edge twice."""
    start = np.zeros(columns * rows + 1, np.int64)
    filled = np.empty(0, np.int64)
    order = np.empty(0, np.int64)
    for turn in range(2):
        if turn:
            for b in range(columns * rows):
                start[b + 1] += start[b]
            filled = start[:-1].copy()
            order = np.empty(start[-1], np.int64)
        for e in range(len(ex0)):
            pieces = int(max(abs(ex1[e] - ex0[e]), abs(ey1[e] - ey0[e])) / side) + 1
            for p in range(pieces):
                ax = ex0[e] + (ex1[e] - ex0[e]) * (p / pieces)
                bx = ex0[e] + (ex1[e] - ex0[e]) * ((p + 1) / pieces)
                ay = ey0[e] + (ey1[e] - ey0[e]) * (p / pieces)
                by = ey0[e] + (ey1[e] - ey0[e]) * ((p + 1) / pieces)
                # A hair wider than the reach: pieces are rounded.
                wide = reach * 1.001 + 1e-6
                c0 = max(int((min(ax, bx) - wide - low_x) / side), 0)
                c1 = min(int((max(ax, bx) + wide - low_x) / side), columns - 1)
                r0 = max(int((min(ay, by) - wide - low_y) / side), 0)
                r1 = min(int((max(ay, by) + wide - low_y) / side), rows - 1)
                for r in range(r0, r1 + 1):
                    for c in range(c0, c1 + 1):
                        b = r * columns + c
                        if turn:
                            order[filled[b]] = e
                            filled[b] += 1
                        else:
                            start[b + 1] += 1
    return start, order


@njit(nogil=True, cache=True)
def _nearest(x, y, ex0, ey0, ex1, ey1, feature, low_x, low_y, side, columns, rows, start, order, reach):  # type: ignore[no-untyped-def]
    n = len(x)
    found = np.full(n, -1, np.int64)
    distance = np.full(n, np.inf)
    for i in range(n):
        if x[i] < low_x or y[i] < low_y or x[i] > low_x + columns * side or y[i] > low_y + rows * side:
            continue
        b = min(int((y[i] - low_y) / side), rows - 1) * columns + min(int((x[i] - low_x) / side), columns - 1)
        best, owner = reach * reach, np.int64(-1)
        for j in range(start[b], start[b + 1]):
            e = order[j]
            square = _square_to_edge(x[i], y[i], ex0[e], ey0[e], ex1[e], ey1[e])
            if square < best or (square == best and (owner < 0 or feature[e] < owner)):
                best, owner = square, feature[e]
        if owner >= 0:
            found[i] = owner
            distance[i] = np.sqrt(best)
    return found, distance


@njit(nogil=True, cache=True)
def _square_to_edge(x, y, x0, y0, x1, y1):  # type: ignore[no-untyped-def]
    dx, dy = x1 - x0, y1 - y0
    square = dx * dx + dy * dy
    t = 0.0
    if square > 0.0:
        t = min(max(((x - x0) * dx + (y - y0) * dy) / square, 0.0), 1.0)
    ax, ay = x - x0 - t * dx, y - y0 - t * dy
    return ax * ax + ay * ay
