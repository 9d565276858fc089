"""A kd-tree of small leaves in plain arrays: what the neighbour searches walk over.

The points are ordered so that the leaves are consecutive runs of eight and every subtree is a consecutive run
of leaves: level by level, eight boxes have one parent, so the tree has no pointers. A parent's points are cut
where the middle of their widest extent lies, at the next whole child: what lies far from the others comes
into a child of its own, and doesn't have the others sliced. Where that cut would slice a sheet (ground with
points far above and below it), they are cut along another axis: both halves of a sheet would have to be
searched around each of its points. Points of equal coordinates split anywhere; searches are exact whatever
the split.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.simd import (
    exchange_four,
    larger,
    largest,
    load,
    pick_below,
    plus,
    spread,
    store,
    where_below,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

LEAF = 8
FAN = 8
# Records that are looked at, at least, to see how far a run of them extends and where it is to be cut.
_LOOKED_AT = 64
# Larger runs are looked at for sheets. A cut slices one where the points looked at lie so many times as dense
# around it as around a cut along another axis; so many of them, on either side, tell. (Chosen on clouds of a
# dense spot, thin air and level ground, and on rolling ground with 10 % of points far off it. A factor of 4
# leaves half as much again to search in the latter; 8 to 32 are alike.)
_SHEET_RUNS = 512
_SLICED = 16.0
_BESIDE = 4
# Records that are sorted without comparing one after the other.
_FEW = 16
# Parts of the scratch of a sort: pivots or keys, how many are lower, next free places; and the records.
_LOWER, _FREE, _ROOM, _SCRATCH = 16, 32, 64, 128
# Runs that threads order side by side.
_RUNS = 32


class Tree(NamedTuple):
    """Points in tree order, and the boxes around them.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (leaves * 8,)
        Coordinates in tree order, padded with infinity.
    row : ndarray of int64, shape (n,)
        For each place in the tree, the row of the point in the input.
    boxes : ndarray of float64, shape (6, m)
        Lowest x, y, z and highest x, y, z of every box, level after level from the leaves up; each level is
        padded to a multiple of eight with boxes at infinity.
    levels : ndarray of int64, shape (l + 1,)
        Where each level starts in ``boxes``.
    """

    x: Floats
    y: Floats
    z: Floats
    row: Integers
    boxes: Floats
    levels: Integers

    def points(self) -> Floats:
        """Return the points in the order of the input, shape (n, 3)."""
        points = np.empty((len(self.row), 3))
        points[self.row] = np.stack([self.x, self.y, self.z], axis=1)[: len(self.row)]
        return points


def build_tree(x: Floats, y: Floats, z: Floats, *, threads: int = 1) -> Tree:
    """Return the tree of a cloud.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, finite; at least one point.
    threads : int
        Threads to build with. The searches' results do not depend on it.

    Raises
    ------
    ValueError
        If there is no point, or a coordinate is not finite.
    """
    n = len(x)
    if n == 0:
        raise ValueError("a tree needs at least one point")
    x, y, z = (np.ascontiguousarray(values, np.float64) for values in (x, y, z))  # one kernel does for all
    # Large arrays come from NumPy: see sorted_order.
    records = np.empty((n, 4))
    if not COMPILED or not _fill_records(x, y, z, records):
        for axis, values in zip("xyz", (x, y, z), strict=True):
            if not np.isfinite(values).all():
                raise ValueError(f"coordinates must be finite, but {axis} is not")
    if not COMPILED:  # the searches are SciPy's then, in a tree of its own
        return Tree(x.copy(), y.copy(), z.copy(), np.arange(n), np.empty((6, 0)), np.zeros(1, np.int64))
    _order(records, threads)
    counts = [-(-n // LEAF)]
    while counts[-1] > 1:
        counts.append(-(-counts[-1] // FAN))
    levels = np.concatenate([[0], np.cumsum([-(-count // FAN) * FAN for count in counts])]).astype(np.int64)
    boxes = np.empty((6, levels[-1]))
    tx, ty, tz = (np.empty(counts[0] * LEAF) for _ in range(3))
    row = np.empty(n, np.int64)
    _unpack(records, tx, ty, tz, row, boxes, levels[1])
    boxes[:3, levels[1] :], boxes[3:, levels[1] :] = np.inf, -np.inf
    for level, count in enumerate(counts[1:]):
        _parent_boxes(boxes, levels[level], levels[level + 1], count)
    return Tree(tx, ty, tz, row, boxes, levels)


@njit(nogil=True, cache=True)
def _fill_records(x: Floats, y: Floats, z: Floats, records: Floats) -> bool:
    """Write x, y, z and row of each point into a record; tell whether all are finite."""
    # Without a branch: what isn't finite, times 0, is not a number.
    odd = 0.0
    for i in range(x.shape[0]):
        records[i, 0], records[i, 1], records[i, 2], records[i, 3] = x[i], y[i], z[i], i
        odd += 0.0 * x[i] + 0.0 * y[i] + 0.0 * z[i]
    return not np.isnan(odd)


def _order(records: Floats, threads: int) -> None:
    """Bring records into the tree's order: the first cuts one after the other, then runs side by side."""
    runs = [(0, len(records))]
    with ThreadPoolExecutor(threads) as pool:
        while threads > 1 and 0 < len(runs) < _RUNS:
            middles = list(pool.map(lambda run: _cut(records, run[0], run[1], np.empty(_SCRATCH)), runs))
            halves = [
                half
                for (first, last), middle in zip(runs, middles, strict=True)
                for half in ((first, middle), (middle, last))
            ]
            runs = [(first, last) for first, last in halves if last - first > LEAF]
        list(pool.map(lambda run: _split(records, *run), runs))


@njit(nogil=True, cache=True)
def _split(records: Floats, start: int, stop: int) -> None:
    """Order a run of records down to the leaves."""
    scratch = np.empty(_SCRATCH)
    todo = np.empty((256, 2), np.int64)
    todo[0, 0] = start
    todo[0, 1] = stop
    top = 1
    while top > 0:
        top -= 1
        first = todo[top, 0]
        last = todo[top, 1]
        while last - first > LEAF:
            middle = _cut(records, first, last, scratch)
            todo[top, 0] = middle
            todo[top, 1] = last
            top += 1
            last = middle


@njit(nogil=True, cache=True)
def _cut(records: Floats, first: int, last: int, scratch: Floats) -> int:
    """Part a run of records along its widest axis into whole children of a box; return where.

    The first part gets as many children as come nearest to what lies below the middle of the extent, at
    least one; the second one gets the rest. A sample tells the extent.
    """
    n = last - first
    if n <= LEAF:
        return last
    child = LEAF
    while child * FAN < n:
        child *= FAN
    step = max(1, n // _LOOKED_AT)
    begin = first + (step >> 1)
    x0 = x1 = records[begin, 0]
    y0 = y1 = records[begin, 1]
    z0 = z1 = records[begin, 2]
    for i in range(begin + step, last, step):
        x0 = min(x0, records[i, 0])
        x1 = max(x1, records[i, 0])
        y0 = min(y0, records[i, 1])
        y1 = max(y1, records[i, 1])
        z0 = min(z0, records[i, 2])
        z1 = max(z1, records[i, 2])
    axis, middle = 2, 0.5 * (z0 + z1)
    if x1 - x0 >= y1 - y0 and x1 - x0 >= z1 - z0:
        axis, middle = 0, 0.5 * (x0 + x1)
    elif y1 - y0 >= z1 - z0:
        axis, middle = 1, 0.5 * (y0 + y1)
    if n > _SHEET_RUNS:
        lowest, highest = (x0, y0, z0), (x1, y1, z1)
        axis = _axis_off_sheets(records, begin, step, n, child, lowest, highest, axis, scratch)
        middle = 0.5 * (lowest[axis] + highest[axis])
    if n <= _FEW:  # two leaves, the first one full
        _sort_few(records, first, last, axis, scratch)
        return first + LEAF
    border = _partition(records, first, last, axis, middle)
    # Where all points looked at are in one place, nothing tells: half of them.
    lower = border - first if border > first else n >> 1
    children = min(max((lower + (child >> 1)) // child, 1), (n - 1) // child)
    cut = first + children * child
    if cut < border:
        _select(records, first, border, cut, axis, scratch)
    elif cut > border:
        _select(records, border, last, cut, axis, scratch)
    return cut


@njit(nogil=True, cache=True)
def _axis_off_sheets(
    records: Floats,
    begin: int,
    step: int,
    n: int,
    child: int,
    lowest: tuple[float, float, float],
    highest: tuple[float, float, float],
    widest: int,
    scratch: Floats,
) -> int:
    """Return the widest axis along which a run's cut doesn't slice a sheet."""
    clear = _clearance(records, begin, step, n, child, lowest, highest, widest, scratch)
    other = 0.0
    for axis in range(3):
        if axis != widest:
            other = max(other, highest[axis] - lowest[axis])
    if clear * _SLICED >= other:  # no other cut has more room around it than its axis is long
        return widest
    most = clear
    for axis in range(3):
        if axis != widest:
            most = max(most, _clearance(records, begin, step, n, child, lowest, highest, axis, scratch))
    found, extent = widest, -1.0
    for axis in range(3):
        room = _clearance(records, begin, step, n, child, lowest, highest, axis, scratch)
        if room * _SLICED >= most and highest[axis] - lowest[axis] > extent:
            found, extent = axis, highest[axis] - lowest[axis]
    return found


@njit(nogil=True, cache=True)
def _clearance(
    records: Floats,
    begin: int,
    step: int,
    n: int,
    child: int,
    lowest: tuple[float, float, float],
    highest: tuple[float, float, float],
    axis: int,
    scratch: Floats,
) -> float:
    """Return how far those of a sample extend that lie next to where a run would be cut along an axis."""
    middle = 0.5 * (lowest[axis] + highest[axis])
    lower = 0
    for i in range(_LOOKED_AT):
        value = records[begin + i * step, axis]
        scratch[i] = value
        lower += value < middle
    children = min(max((lower * n // _LOOKED_AT + (child >> 1)) // child, 1), (n - 1) // child)
    place = children * child * _LOOKED_AT // n
    # The value of a place among the sorted ones is the largest of those that have no more below them.
    first, last = spread(max(place - _BESIDE, 0) + 0.5), spread(place + _BESIDE + 0.5)
    nothing = spread(-np.inf)
    least = most = nothing
    for block in range(0, _LOOKED_AT, 16):
        keys, more_keys = load(scratch, block), load(scratch, block + 8)
        below_keys = more_below = spread(0.0)
        for i in range(_LOOKED_AT):
            key = spread(scratch[i])
            below_keys = plus(below_keys, where_below(key, keys, spread(1.0)))
            more_below = plus(more_below, where_below(key, more_keys, spread(1.0)))
        least = larger(least, pick_below(below_keys, first, keys, nothing))
        least = larger(least, pick_below(more_below, first, more_keys, nothing))
        most = larger(most, pick_below(below_keys, last, keys, nothing))
        most = larger(most, pick_below(more_below, last, more_keys, nothing))
    return largest(most) - largest(least)


@njit(nogil=True, cache=True)
def _select(records: Floats, first: int, last: int, middle: int, axis: int, sample: Floats) -> None:
    """Order a run of records so that those before ``middle`` are the lowest along an axis."""
    while last - first > 1:
        n = last - first
        if n <= _FEW:
            _sort_few(records, first, last, axis, sample)
            return
        taken = 3 if n < 40 else (7 if n < 400 else (15 if n < 5000 else 63))
        stride = n // taken
        for i in range(taken):
            value = records[first + i * stride + (stride >> 1), axis]
            j = i - 1
            while j >= 0 and sample[j] > value:
                sample[j + 1] = sample[j]
                j -= 1
            sample[j + 1] = value
        pivot = sample[min((middle - first) * taken // n, taken - 1)]
        border = _partition(records, first, last, axis, pivot)
        if middle < border:
            last = border
        elif border > first:
            first = border
        else:
            # The pivot is the lowest value there is: set aside all that equal it.
            border = _partition(records, first, last, axis, np.nextafter(pivot, np.inf))
            if middle < border:
                return
            first = border


@njit(nogil=True, cache=True)
def _partition(records: Floats, first: int, last: int, axis: int, pivot: float) -> int:
    """Move records below a pivot to the front; return where they end. No branch depends on the values."""
    border = first
    for i in range(first, last):
        value = records[i, axis]
        exchange_four(records, 4 * i, 4 * border)
        border += value < pivot
    return border


@njit(nogil=True, cache=True)
def _sort_few(records: Floats, first: int, last: int, axis: int, scratch: Floats) -> None:
    """Sort a run of at most ``_FEW`` records along an axis: one has its place by how many are lower."""
    n = last - first
    for i in range(_FEW):
        scratch[i] = records[first + i, axis] if i < n else np.inf
        scratch[_FREE + i] = i
    keys, more_keys = load(scratch, 0), load(scratch, 8)
    lower = more_lower = spread(0.0)
    for i in range(n):
        key = spread(scratch[i])
        lower = plus(lower, where_below(key, keys, spread(1.0)))
        more_lower = plus(more_lower, where_below(key, more_keys, spread(1.0)))
    store(scratch, _LOWER, lower)
    store(scratch, _LOWER + 8, more_lower)
    for i in range(n):
        free = _FREE + np.int64(scratch[_LOWER + i])
        place = _ROOM + 4 * np.int64(scratch[free])
        scratch[free] += 1.0  # for the next one of the same key
        for c in range(4):
            scratch[place + c] = records[first + i, c]
    for i in range(n):
        for c in range(4):
            records[first + i, c] = scratch[_ROOM + 4 * i + c]


@njit(nogil=True, cache=True)
def _unpack(
    records: Floats, x: Floats, y: Floats, z: Floats, row: Integers, boxes: Floats, stop: int
) -> None:
    """Write the ordered points, padded, and the boxes of the leaves, padded up to ``stop``."""
    n = records.shape[0]
    for leaf in range(stop):
        first = leaf * LEAF
        x0 = y0 = z0 = np.inf
        x1 = y1 = z1 = -np.inf
        for i in range(first, min(first + LEAF, n)):
            px, py, pz = records[i, 0], records[i, 1], records[i, 2]
            x[i], y[i], z[i], row[i] = px, py, pz, np.int64(records[i, 3])
            x0, x1 = min(x0, px), max(x1, px)
            y0, y1 = min(y0, py), max(y1, py)
            z0, z1 = min(z0, pz), max(z1, pz)
        boxes[0, leaf], boxes[1, leaf], boxes[2, leaf] = x0, y0, z0
        boxes[3, leaf], boxes[4, leaf], boxes[5, leaf] = x1, y1, z1
    x[n:], y[n:], z[n:] = np.inf, np.inf, np.inf


@njit(nogil=True, cache=True)
def _parent_boxes(boxes: Floats, children: int, parents: int, count: int) -> None:
    """Fill in the boxes of a level from those of the level below (padding boxes change nothing)."""
    for p in range(count):
        for c in range(children + p * FAN, children + p * FAN + FAN):
            for axis in range(3):
                boxes[axis, parents + p] = min(boxes[axis, parents + p], boxes[axis, c])
                boxes[axis + 3, parents + p] = max(boxes[axis + 3, parents + p], boxes[axis + 3, c])
