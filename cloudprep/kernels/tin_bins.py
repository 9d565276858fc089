"""Points on the whole steps of a site, binned by place: 12 bytes a point, any rectangle at hand."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.tin_points import Frame

# Starts of bins then take an eighth of a byte a point.
_POINTS_A_BIN = 64
# From so many bins on those at the rim of a rectangle hardly count.
_BINS_ACROSS = 16


@dataclass(frozen=True)
class Bins:
    """Points, bin after bin; bins in rows from the south.

    Parameters
    ----------
    columns, rows : ndarray of int32, shape (n,)
        Whole steps of the frame.
    index : ndarray of int32, shape (n,)
        Which of the points given each one is.
    starts : ndarray of int64, shape (bins + 1,)
        Where each bin starts.
    column, row : int
        Step at the south-western corner of the first bin.
    edge : int
        Edge of a bin, steps.
    across : int
        Bins in a row.
    """

    columns: NDArray[np.int32]
    rows: NDArray[np.int32]
    index: NDArray[np.int32]
    starts: NDArray[np.int64]
    column: int
    row: int
    edge: int
    across: int

    def within(
        self, x0: float, y0: float, x1: float, y1: float
    ) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
        """Return columns, rows, index of all points within ``x0 <= x <= x1``, ``y0 <= y <= y1`` (steps)."""
        if len(self.index) == 0:
            empty = np.empty(0, np.int32)
            return empty, empty, empty
        shape = (self.column, self.row, self.edge, self.across)
        # What is infinite lies outside too.
        low, high = -(1 << 30), 1 << 30
        sides = (int(max(x0, low)), int(max(y0, low)), int(min(x1, high)), int(min(y1, high)))
        n = _count(self.columns, self.rows, self.starts, shape, sides)
        found = (np.empty(n, np.int32), np.empty(n, np.int32), np.empty(n, np.int32))
        _take(self.columns, self.rows, self.index, self.starts, shape, sides, *found)
        return found

    def number(self, x0: float, y0: float, x1: float, y1: float) -> int:
        """Return how many points lie within a rectangle (steps), or somewhat more where they are many."""
        about = self.about(x0, y0, x1, y1)
        if about == 0 or min(x1 - x0, y1 - y0) > _BINS_ACROSS * self.edge:
            return about
        shape = (self.column, self.row, self.edge, self.across)
        sides = (math.ceil(x0), math.ceil(y0), math.floor(x1), math.floor(y1))
        return int(_count(self.columns, self.rows, self.starts, shape, sides))

    def about(self, x0: float, y0: float, x1: float, y1: float) -> int:
        """Return how many points the bins hold that a rectangle (steps) touches."""
        up = (len(self.starts) - 1) // self.across
        c0 = max(math.floor((x0 - self.column) / self.edge), 0)
        r0 = max(math.floor((y0 - self.row) / self.edge), 0)
        c1 = min(math.floor((x1 - self.column) / self.edge), self.across - 1)
        r1 = min(math.floor((y1 - self.row) / self.edge), up - 1)
        if c0 > c1 or r0 > r1:
            return 0
        rows = np.arange(r0, r1 + 1) * self.across
        return int((self.starts[rows + c1 + 1] - self.starts[rows + c0]).sum())


def usable(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    z: NDArray[np.float64],
    used: NDArray[np.bool_],
    frame: Frame,
) -> int:
    """Take points beyond the frame's bounds, and heights that are no numbers, out of a mask; count the rest.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    used : ndarray of bool, shape (n,)
        Changed in place.
    frame : Frame
        The site's.

    Returns
    -------
    int
        How many stay.
    """
    return int(_leave_out(x, y, z, used, *frame.bounds))


def binned(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    used: NDArray[np.bool_],
    count: int,
    frame: Frame,
    edge: int | None = None,
    threads: int = 1,
) -> Bins:
    """Return some of the points in bins.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Coordinates, m.
    used : ndarray of bool, shape (n,)
        Which of them; all within the frame.
    count : int
        How many they are.
    frame : Frame
        The site's steps.
    edge : int, optional
        Edge of a bin, steps, of a lattice from step 0; by default such that bins hold some dozens of points.
    threads : int
        Threads to use; the order of points in a bin is theirs in the input for any number.

    Returns
    -------
    Bins
        The points.
    """
    found = (np.empty(count, np.int32), np.empty(count, np.int32), np.empty(count, np.int32))
    if count == 0:
        return Bins(*found, np.zeros(2, np.int64), 0, 0, 1, 1)
    steps = (frame.left, frame.bottom, frame.step)
    c0, r0, c1, r1 = (int(v) for v in _extent(x, y, used, *steps))
    if edge is None:
        area = float(c1 - c0 + 1) * float(r1 - r0 + 1)
        edge = max(1, int(np.sqrt(area * _POINTS_A_BIN / count)))
        # All on one line: no more bins than points.
        edge = max(edge, (c1 - c0) // count + 1, (r1 - r0) // count + 1)
    else:
        c0, r0 = c0 // edge * edge, r0 // edge * edge
    across, up = (c1 - c0) // edge + 1, (r1 - r0) // edge + 1
    shape = (c0, r0, edge, across)
    # One row a share of the points: first how many it has in each bin, then where its next one goes.
    limits = np.linspace(0, len(used), threads + 1).astype(np.int64).tolist()
    shares = list(pairwise(limits))
    places = np.zeros((threads, across * up), np.int64)

    def count_share(k: int) -> None:
        _count_in_bins(x, y, used, *shares[k], *steps, shape, places[k])

    def put_share(k: int) -> None:
        _put_in_bins(x, y, used, *shares[k], *steps, shape, places[k], *found)

    if threads == 1:
        count_share(0)
        starts = _places_of_shares(places)
        put_share(0)
    else:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(count_share, range(threads)))
            starts = _places_of_shares(places)
            list(pool.map(put_share, range(threads)))
    return Bins(*found, starts, c0, r0, edge, across)


@njit(nogil=True, cache=True)
def _leave_out(x, y, z, used, x0, y0, x1, y1):  # type: ignore[no-untyped-def]
    n = 0
    for i in range(len(used)):
        kept = used[i] and x[i] >= x0 and x[i] < x1 and y[i] >= y0 and y[i] < y1 and np.isfinite(z[i])
        used[i] = kept
        n += kept
    return n


@njit(nogil=True, cache=True)
def _extent(x, y, used, left, bottom, step):  # type: ignore[no-untyped-def]
    c0, r0, c1, r1 = np.inf, np.inf, -np.inf, -np.inf
    for i in range(len(used)):
        if used[i]:
            c0, c1 = min(c0, x[i]), max(c1, x[i])
            r0, r1 = min(r0, y[i]), max(r1, y[i])
    return (
        np.rint((c0 - left) / step),
        np.rint((r0 - bottom) / step),
        np.rint((c1 - left) / step),
        np.rint((r1 - bottom) / step),
    )


@njit(nogil=True, cache=True)
def _count_in_bins(x, y, used, first, last, left, bottom, step, shape, counts):  # type: ignore[no-untyped-def]
    column, row, edge, across = shape
    for i in range(first, last):
        if used[i]:
            c = np.int64(np.rint((x[i] - left) / step))
            r = np.int64(np.rint((y[i] - bottom) / step))
            counts[(r - row) // edge * across + (c - column) // edge] += 1


@njit(nogil=True, cache=True)
def _places_of_shares(counts):  # type: ignore[no-untyped-def]
    """Turn numbers of points (by share and bin) into where the first ones go; return the starts of bins."""
    starts = np.empty(counts.shape[1] + 1, np.int64)
    total = 0
    for cell in range(counts.shape[1]):
        starts[cell] = total
        for k in range(counts.shape[0]):
            own = counts[k, cell]
            counts[k, cell] = total
            total += own
    starts[-1] = total
    return starts


@njit(nogil=True, cache=True)
def _put_in_bins(x, y, used, first, last, left, bottom, step, shape, places, columns, rows, index):  # type: ignore[no-untyped-def]
    column, row, edge, across = shape
    for i in range(first, last):
        if used[i]:
            c = np.int64(np.rint((x[i] - left) / step))
            r = np.int64(np.rint((y[i] - bottom) / step))
            cell = (r - row) // edge * across + (c - column) // edge
            place = places[cell]
            places[cell] = place + 1
            columns[place] = c
            rows[place] = r
            index[place] = i


@njit(nogil=True, cache=True)
def _bin_rows(starts, shape, sides):  # type: ignore[no-untyped-def]
    """Return the first and last bin column and row that a rectangle touches; none if the first is greater."""
    column, row, edge, across = shape
    up = (len(starts) - 1) // across
    c0 = max((sides[0] - column) // edge, 0)
    r0 = max((sides[1] - row) // edge, 0)
    c1 = min((sides[2] - column) // edge, across - 1)
    r1 = min((sides[3] - row) // edge, up - 1)
    return c0, r0, c1, r1


@njit(nogil=True, cache=True)
def _count(columns, rows, starts, shape, sides):  # type: ignore[no-untyped-def]
    across = shape[3]
    c0, r0, c1, r1 = _bin_rows(starts, shape, sides)
    x0, y0, x1, y1 = sides
    n = 0
    if c0 > c1:
        return n
    for r in range(r0, r1 + 1):
        for i in range(starts[r * across + c0], starts[r * across + c1 + 1]):
            n += (columns[i] >= x0) & (columns[i] <= x1) & (rows[i] >= y0) & (rows[i] <= y1)
    return n


@njit(nogil=True, cache=True)
def _take(columns, rows, index, starts, shape, sides, to_columns, to_rows, to_index):  # type: ignore[no-untyped-def]
    across = shape[3]
    c0, r0, c1, r1 = _bin_rows(starts, shape, sides)
    x0, y0, x1, y1 = sides
    n = 0
    if c0 > c1:
        return
    for r in range(r0, r1 + 1):
        for i in range(starts[r * across + c0], starts[r * across + c1 + 1]):
            if (columns[i] >= x0) & (columns[i] <= x1) & (rows[i] >= y0) & (rows[i] <= y1):
                to_columns[n] = columns[i]
                to_rows[n] = rows[i]
                to_index[n] = index[i]
                n += 1
