"""Convex hulls of the points in wide cells: where the site has points, in little memory."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.few_sorted import sort_few

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.tin_bins import Bins


class Hulls(NamedTuple):
    """Convex hulls, each of some points of the site; every point lies in one.

    Attributes
    ----------
    x, y : ndarray of float64, shape (v,)
        Corners in whole steps, one hull after the other, counterclockwise.
    starts : ndarray of int64, shape (h + 1,)
        Where each hull starts.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    starts: NDArray[np.int64]

    def boxes(self) -> NDArray[np.float64]:
        """Return least x and y, greatest x and y of each hull, shape (h, 4)."""
        if len(self.starts) == 1:
            return np.empty((0, 4))
        first = self.starts[:-1]
        low = (np.minimum.reduceat(values, first) for values in (self.x, self.y))
        high = (np.maximum.reduceat(values, first) for values in (self.x, self.y))
        return np.column_stack((*low, *high))


NO_HULLS = Hulls(np.empty(0), np.empty(0), np.zeros(1, np.int64))


def hulls_of(bins: Bins, threads: int = 1) -> Hulls:
    """Return the convex hull of the points in each bin that holds any.

    Parameters
    ----------
    bins : Bins
        The points.
    threads : int
        Threads to use.

    Returns
    -------
    Hulls
        The hulls, in the order of the bins.

    Notes
    -----
    Points within the octagon of the eight outermost ones are passed over (Akl and Toussaint 1978, "A fast
    convex hull algorithm"); the others go through the monotone chain (Andrew 1979).
    """
    counts = np.diff(bins.starts)
    if not counts.any():
        return NO_HULLS
    most = int(counts.max())

    def hulls_of_some(some: NDArray[np.int64]) -> Hulls:
        return Hulls(*_hulls(bins.columns, bins.rows, some, most))

    if threads == 1:
        return hulls_of_some(bins.starts)
    limits = np.linspace(0, len(counts), threads + 1).astype(np.int64)
    with ThreadPoolExecutor(threads) as pool:
        parts = list(pool.map(hulls_of_some, [bins.starts[a : b + 1] for a, b in pairwise(limits.tolist())]))
    ends = np.concatenate([np.diff(part.starts) for part in parts])
    x, y = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    return Hulls(x, y, np.r_[0, np.cumsum(ends)])


def joined(parts: Sequence[Hulls]) -> Hulls:
    """Return the hulls of several parts in an order that depends on them alone."""
    parts = [part for part in parts if len(part.x)]
    if not parts:
        return NO_HULLS
    x = np.concatenate([part.x for part in parts])
    y = np.concatenate([part.y for part in parts])
    sizes = np.concatenate([np.diff(part.starts) for part in parts])
    first = np.cumsum(sizes) - sizes
    order = np.lexsort((sizes, y[first], x[first]))
    sizes = sizes[order]
    starts = np.r_[0, np.cumsum(sizes)]
    rows = np.repeat(first[order] - starts[:-1], sizes) + np.arange(len(x))
    return Hulls(x[rows], y[rows], starts.astype(np.int64))


def outline_of(hulls: Hulls) -> NDArray[np.float64]:
    """Return the corners of the convex hull of everything, counterclockwise, shape (c, 2), steps."""
    if len(hulls.x) == 0:
        return np.empty((0, 2))
    order = np.lexsort((hulls.y, hulls.x))
    x, y = hulls.x[order], hulls.y[order]
    another = np.r_[True, (np.diff(x) != 0) | (np.diff(y) != 0)]
    x, y = x[another], y[another]
    chain = np.empty(2 * len(x) + 2, np.int64)
    corners = chain[: _chain(x, y, len(x), chain)]
    return np.column_stack((x[corners], y[corners]))


@njit(nogil=True, cache=True)
def mark_outside(
    outline: NDArray[np.float64],
    columns: NDArray[np.float64],
    rows: NDArray[np.float64],
    marks: NDArray[np.uint8],
    mark: int,
) -> None:
    """Mark grid positions that lie more than a step outside a convex outline.

    Parameters
    ----------
    outline : ndarray of float64, shape (c, 2)
        Its corners in turn, steps.
    columns, rows : ndarray of float64, shapes (c,) and (r,)
        Positions in x and y, steps.
    marks : ndarray of uint8, shape (r, c)
        Changed in place.
    mark : int
        What is put there.
    """
    n = len(outline)
    for r in range(len(rows)):
        y = rows[r]
        low, high = np.inf, -np.inf
        for i in range(n):
            x0, y0 = outline[i - 1, 0], outline[i - 1, 1]
            x1, y1 = outline[i, 0], outline[i, 1]
            if abs(y - y1) <= 1.0:
                low, high = min(low, x1), max(high, x1)
            if min(y0, y1) <= y <= max(y0, y1) and y0 != y1:
                x = x0 + (y - y0) / (y1 - y0) * (x1 - x0)
                low, high = min(low, x), max(high, x)
        for c in range(len(columns)):
            if columns[c] < low - 1.0 or columns[c] > high + 1.0:
                marks[r, c] = mark


@njit(nogil=True, cache=True)
def _turn(x, y, a, b, c):  # type: ignore[no-untyped-def]
    return (x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a])


@njit(nogil=True, cache=True)
def _chain(x, y, n, chain):  # type: ignore[no-untyped-def]
    """Put the corners of the hull of n sorted distinct points into ``chain``, anticlockwise; count them."""
    size = 0
    for i in range(n):
        while size > 1 and _turn(x, y, chain[size - 2], chain[size - 1], i) <= 0:
            size -= 1
        chain[size] = i
        size += 1
    lower = size + 1
    for i in range(n - 2, -1, -1):
        while size >= lower and _turn(x, y, chain[size - 2], chain[size - 1], i) <= 0:
            size -= 1
        chain[size] = i
        size += 1
    # The first point came again.
    return size - 1 if n > 1 else size


@njit(nogil=True, cache=True)
def _hulls(columns, rows, starts, most):  # type: ignore[no-untyped-def]
    """Return corners and starts of the hulls of all bins that hold points."""
    found_x = np.empty(1024, np.float64)
    found_y = np.empty(1024, np.float64)
    ends = np.empty(len(starts), np.int64)
    ends[0] = 0
    n_hulls = 0
    n_found = 0
    keys = np.empty(most, np.int64)
    x = np.empty(most, np.float64)
    y = np.empty(most, np.float64)
    chain = np.empty(2 * most + 2, np.int64)
    outer = np.empty(9, np.int64)
    for cell in range(len(starts) - 1):
        first, last = starts[cell], starts[cell + 1]
        if first == last:
            continue
        outer[:] = first
        for i in range(first, last):
            px, py = np.int64(columns[i]), np.int64(rows[i])
            # Anticlockwise from the south.
            if py < rows[outer[0]]:
                outer[0] = i
            if px - py > np.int64(columns[outer[1]]) - rows[outer[1]]:
                outer[1] = i
            if px > columns[outer[2]]:
                outer[2] = i
            if px + py > np.int64(columns[outer[3]]) + rows[outer[3]]:
                outer[3] = i
            if py > rows[outer[4]]:
                outer[4] = i
            if py - px > np.int64(rows[outer[5]]) - columns[outer[5]]:
                outer[5] = i
            if px < columns[outer[6]]:
                outer[6] = i
            if px + py < np.int64(columns[outer[7]]) + rows[outer[7]]:
                outer[7] = i
        outer[8] = outer[0]
        n = 0
        for i in range(first, last):
            px, py = np.int64(columns[i]), np.int64(rows[i])
            inside = True
            for side in range(8):
                a, b = outer[side], outer[side + 1]
                ex, ey = np.int64(columns[b]) - columns[a], np.int64(rows[b]) - rows[a]
                # Two outermost points may be one: such a side shuts nothing out.
                if (ex != 0 or ey != 0) and ex * (py - rows[a]) - ey * (px - columns[a]) <= 0:
                    inside = False
                    break
            if not inside:
                keys[n] = px << 32 | py
                n += 1
        # Where all eight are one point it is the only place.
        if n == 0:
            keys[0] = np.int64(columns[first]) << 32 | np.int64(rows[first])
            n = 1
        sort_few(keys, np.int64(n))
        distinct = 0
        for i in range(n):
            if i == 0 or keys[i] != keys[i - 1]:
                x[distinct] = np.float64(keys[i] >> 32)
                y[distinct] = np.float64(keys[i] & 0xFFFFFFFF)
                distinct += 1
        n = distinct
        size = _chain(x, y, np.int64(n), chain)  # else it is compiled for the constant 1 as well
        while n_found + size > len(found_x):
            found_x = np.concatenate((found_x, found_x))
            found_y = np.concatenate((found_y, found_y))
        for i in range(size):
            found_x[n_found] = x[chain[i]]
            found_y[n_found] = y[chain[i]]
            n_found += 1
        n_hulls += 1
        ends[n_hulls] = n_found
    return found_x[:n_found].copy(), found_y[:n_found].copy(), ends[: n_hulls + 1].copy()
