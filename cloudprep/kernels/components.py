"""Exact single-linkage components: which points hang together by steps no longer than a gap.

Points are put into cubic cells so small that all points of a cell are within the gap of each other. Cells
within reach of one another are then linked where a pair of their points is close enough, and most pairs of
cells need no look at their points: they are linked already, or their boxes decide. The cells only organise
the work; the components do not depend on where they lie.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit, read_only
from cloudprep.kernels.components_cells import cell_figures
from cloudprep.kernels.components_pairs import (
    farthest_squared,
    fill_box,
    have_close_pair,
    nearest_squared,
)
from cloudprep.kernels.sorting import sorted_order

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.components_cells import CellFigures

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# A little less than 1 / sqrt(3): the diagonal of a cell stays below the gap whatever the rounding.
_EDGE = 0.577
# Cells within the gap differ by at most so many places along an axis (their edge is more than half the gap).
_REACH = 2
# Row offsets (dz, dy) to the cells next to one that follow in the order of the keys.
_NEXT_ROWS = np.array([(0, 0), (0, 1), (1, 0)], dtype=np.int64)
_KILOMETRE = 1000.0
_LARGEST_KEY = 2**62


class LinkedCells(NamedTuple):
    """Occupied cells of the lattice, in the order of (z, y, x), and what they belong to.

    Parameters
    ----------
    cell_of_point : ndarray of int32, shape (n,)
        Which occupied cell each point lies in.
    place : ndarray of int64, shape (m, 3)
        Where each occupied cell lies on the lattice: x, y, z in whole cells.
    component : ndarray of int32, shape (m,)
        Component of each occupied cell, numbered from 0 in the order of their first cells.
    total : int
        Number of components.
    starts : ndarray of int64, shape (m + 1,)
        Where cells start if points come cell by cell.
    by_column : ndarray of int32, shape (m,)
        The occupied cells column by column, from below.
    figures : CellFigures
        What lies in each.
    """

    cell_of_point: NDArray[np.int32]
    place: Integers
    component: NDArray[np.int32]
    total: int
    starts: Integers
    by_column: NDArray[np.int32]
    figures: CellFigures


def cell_edge(gap: float) -> float:
    """Return the edge (m) of the cells for a gap (m).

    For gaps up to 100 m it divides a kilometre, so that clouds moved by whole kilometres fall into the same
    cells.

    >>> 1000 / cell_edge(1.0)
    1734.0
    """
    edge = _EDGE * gap
    return _KILOMETRE / math.ceil(_KILOMETRE / edge) if gap <= 100 else edge


def connected_components(x: Floats, y: Floats, z: Floats, gap: float) -> tuple[NDArray[np.int32], int]:
    """Return which points are connected by steps of at most a gap.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m, finite.
    gap : float
        Longest step, m, > 0. Points exactly so far apart are connected.

    Returns
    -------
    component : ndarray of int32, shape (n,)
        Component of each point.
    count : int
        Number of components.

    Raises
    ------
    ValueError
        If the gap is not above 0, or coordinates are not finite or too far apart to count cells.

    References
    ----------
    Single linkage: R. Sibson, "SLINK: an optimally efficient algorithm for the single-link cluster method",
    The Computer Journal 16 (1973). Union-find: R. E. Tarjan, "Efficiency of a good but not linear set union
    algorithm", Journal of the ACM 22 (1975).

    Examples
    --------
    >>> import numpy as np
    >>> connected_components(np.array([0.0, 1.0, 2.5]), np.zeros(3), np.zeros(3), 1.0)
    (array([0, 0, 1], dtype=int32), 2)
    """
    cells = linked_cells(x, y, z, gap)
    return cells.component[cells.cell_of_point], cells.total


def linked_cells(
    x: Floats, y: Floats, z: Floats, gap: float, counted: NDArray[np.bool_] | None = None
) -> LinkedCells:
    """Return the occupied cells of the lattice of a gap, the components that they belong to, and figures.

    Parameters and errors are those of :func:`connected_components`; and

    Parameters
    ----------
    counted : ndarray of bool, shape (n,), optional
        The points that figures count; by default all.
    """
    if not gap > 0 or not math.isfinite(gap):
        raise ValueError(f"the gap must be above 0 m, got {gap}")
    n = len(x)
    counted = np.empty(0, np.bool_) if counted is None or counted.all() else counted
    if n == 0:
        none, nowhere = np.empty(0, np.int32), np.empty((0, 3), np.int64)
        figures = cell_figures(x, y, z, none, np.zeros(1, np.int64), counted, nowhere, 1.0)
        return LinkedCells(none, nowhere, none, 0, np.zeros(1, np.int64), none, figures)
    x, y, z = read_only(x), read_only(y), read_only(z)  # one kernel does for all
    edge = cell_edge(gap)
    per_metre = 1.0 / edge
    keys, width, rows = _row_major_keys(x, y, z, per_metre)
    order = sorted_order(keys)
    # Large arrays come from NumPy: see sorted_order.
    starts, cell_of_point = np.empty(n + 1, np.int64), np.empty(n, np.int32)
    sx, sy, sz = np.empty(n), np.empty(n), np.empty(n)
    starts = starts[: _sort_points(keys, order, x, y, z, starts, cell_of_point, sx, sy, sz) + 1].copy()
    first = order[starts[:-1]]
    boxes = np.empty((len(first), 6))
    own = keys[first]
    place = np.empty((len(first), 3), np.int64)
    _fill_places(x, y, z, first, per_metre, place)
    # Before points are put into another order within their cells.
    figures = cell_figures(sx, sy, sz, order, starts, counted, place, edge)
    column, level = np.empty(len(first), np.int64), np.empty(len(first), np.int64)
    _part_keys(own, width * rows, column, level)
    by_column = sorted_order(column)
    component, count = _link(
        own, width, rows, column[by_column], level[by_column], by_column, starts, sx, sy, sz, gap * gap,
        _NEXT_ROWS, boxes,
    )  # fmt: skip
    return LinkedCells(cell_of_point, place, component, count, starts, by_column, figures)


@njit(nogil=True, cache=True)
def _fill_places(
    x: Floats, y: Floats, z: Floats, first: NDArray[np.int32], per_metre: float, place: Integers
) -> None:
    """Write the whole-cell coordinates of some points."""
    for c in range(first.shape[0]):
        i = first[c]
        place[c, 0] = np.int64(np.floor(x[i] * per_metre))
        place[c, 1] = np.int64(np.floor(y[i] * per_metre))
        place[c, 2] = np.int64(np.floor(z[i] * per_metre))


def _places(values: Floats, per_metre: float) -> Integers:
    """Return whole-cell coordinates."""
    return np.floor(values * per_metre).astype(np.int64)


def _row_major_keys(x: Floats, y: Floats, z: Floats, per_metre: float) -> tuple[Integers, int, int]:
    """Return one key a point in the order of (z, y, x), the length of a row and the number of rows a layer.

    Rows and layers are padded, so that the key of a cell within reach is never that of a cell elsewhere.
    """
    extremes = [(float(v.min()), float(v.max())) for v in (x, y, z)]
    if not all(abs(value) * per_metre < _LARGEST_KEY for pair in extremes for value in pair):
        raise ValueError("coordinates must be finite and not too far from zero to count the cells up to them")
    (x0, x1), (y0, y1), (z0, z1) = (
        (math.floor(low * per_metre) - _REACH, math.floor(high * per_metre) + _REACH)
        for low, high in extremes
    )
    width, rows, layers = x1 - x0 + 1, y1 - y0 + 1, z1 - z0 + 1
    if width * rows * layers < _LARGEST_KEY:
        keys = np.empty(len(x), np.int64)
        _fill_keys(x, y, z, per_metre, x0, y0, z0, width, rows, keys)
        return keys, width, rows
    # Points at absurd distances: keep steps within reach, shorten all others.
    places = [_without_gaps(_places(v, per_metre)) for v in (x, y, z)]
    width, rows, layers = (int(v.max()) + 1 + 2 * _REACH for v in places)
    if width * rows * layers >= _LARGEST_KEY:
        raise ValueError("the points lie too far apart to count the cells between them")
    return ((places[2] + _REACH) * rows + places[1] + _REACH) * width + places[0] + _REACH, width, rows


@njit(nogil=True, cache=True)
def _fill_keys(
    x: Floats,
    y: Floats,
    z: Floats,
    per_metre: float,
    first_x: int,
    first_y: int,
    first_z: int,
    width: int,
    rows: int,
    keys: Integers,
) -> None:
    """Write one key a point, counted from a first place along each axis."""
    for i in range(x.shape[0]):
        px = np.int64(np.floor(x[i] * per_metre)) - first_x
        py = np.int64(np.floor(y[i] * per_metre)) - first_y
        pz = np.int64(np.floor(z[i] * per_metre)) - first_z
        keys[i] = (pz * rows + py) * width + px


def _without_gaps(places: Integers) -> Integers:
    """Return places along an axis with every empty stretch shortened to what is just out of reach."""
    occupied, inverse = np.unique(places, return_inverse=True)
    steps = np.minimum(np.diff(occupied, prepend=occupied[0]), _REACH + 1)
    return np.cumsum(steps)[inverse].astype(np.int64)


@njit(nogil=True, cache=True)
def _sort_points(
    keys: Integers,
    order: NDArray[np.int32],
    x: Floats,
    y: Floats,
    z: Floats,
    starts: Integers,
    run_of: NDArray[np.int32],
    sx: Floats,
    sy: Floats,
    sz: Floats,
) -> int:
    """Write coordinates in an order, where runs of equal keys start, and each point's; return how many."""
    n = keys.shape[0]
    runs = 0
    before = np.int64(-1)
    for t in range(n):
        i = order[t]
        sx[t], sy[t], sz[t] = x[i], y[i], z[i]
        key = keys[i]
        if t == 0 or key != before:
            starts[runs] = t
            runs += 1
            before = key
        run_of[i] = runs - 1
    starts[runs] = n
    return runs


@njit(nogil=True, cache=True)
def _root(parent: NDArray[np.int32], i: int) -> int:
    """Return the representative of a set, shortening the way to it."""
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(nogil=True, cache=True)
def _are_close(
    i: int, j: int, starts: Integers, x: Floats, y: Floats, z: Floats, boxes: Floats, squared_gap: float
) -> bool:
    """Tell whether two cells hold a close pair of points; mostly their first points or their boxes do."""
    p, q = starts[i], starts[j]
    dx, dy, dz = x[p] - x[q], y[p] - y[q], z[p] - z[q]
    if dx * dx + dy * dy + dz * dz <= squared_gap:
        return True
    if nearest_squared(boxes[i], boxes[j]) > squared_gap:
        return False
    return farthest_squared(boxes[i], boxes[j]) <= squared_gap or have_close_pair(
        x, y, z, starts[i], starts[i + 1], starts[j], starts[j + 1], squared_gap
    )


@njit(nogil=True, cache=True)
def _link_next(
    keys: Integers,
    steps: Integers,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    boxes: Floats,
    squared_gap: float,
    parent: NDArray[np.int32],
) -> None:
    """Link cells, in the order of their keys, to those next to them in the rows so many keys away.

    In the row of the cell itself only the one that follows it is looked at.
    """
    m = keys.shape[0]
    after = np.zeros(steps.shape[0], np.int64)
    for i in range(m):
        a = _root(parent, i)
        for r in range(steps.shape[0]):
            middle = keys[i] + steps[r]
            low = middle + 1 if steps[r] == 0 else middle - 1
            j = after[r]
            while j < m and keys[j] < low:
                j += 1
            after[r] = j
            while j < m and keys[j] <= middle + 1:
                b = _root(parent, j)
                if a != b and _are_close(i, j, starts, x, y, z, boxes, squared_gap):
                    parent[max(a, b)] = min(a, b)
                    a = min(a, b)
                j += 1


@njit(nogil=True, cache=True)
def _part_keys(keys: Integers, layer: int, column: Integers, level: Integers) -> None:
    """Write in which column of cells each key lies, numbered row by row, and how high in it."""
    for i in range(keys.shape[0]):
        level[i] = keys[i] // layer
        column[i] = keys[i] - level[i] * layer


@njit(nogil=True, cache=True)
def _any_other(labels: NDArray[np.int32], levels: Integers, first: int, last: int, place: int) -> bool:
    """Tell whether a run of cells holds any of another label than one, within reach up or down.

    Without a branch, so that the compiler makes vector instructions of it.
    """
    own, level = labels[place], levels[place]
    some = False
    at = np.uint64(first)
    for k in range(last - first):
        q = at + np.uint64(k)
        some |= (labels[q] != own) & (abs(levels[q] - level) <= _REACH)
    return some


@njit(nogil=True, cache=True)
def _link_run(
    cells: NDArray[np.int32],
    levels: Integers,
    first: int,
    last: int,
    place: int,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    boxes: Floats,
    squared_gap: float,
    parent: NDArray[np.int32],
) -> None:
    """Link a cell to those of a run of cells that lie within reach and hold a point that is close enough."""
    i = cells[place]
    a = _root(parent, i)
    for q in range(first, last):
        if abs(levels[q] - levels[place]) > _REACH:
            continue
        j = cells[q]
        b = _root(parent, j)
        if a != b and _are_close(i, j, starts, x, y, z, boxes, squared_gap):
            parent[max(a, b)] = min(a, b)
            a = min(a, b)


@njit(nogil=True, cache=True)
def _link_columns(
    columns: Integers,
    levels: Integers,
    cells: NDArray[np.int32],
    labels: NDArray[np.int32],
    width: int,
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    boxes: Floats,
    squared_gap: float,
    parent: NDArray[np.int32],
) -> None:
    """Link cells of different labels that lie within reach of each other; each pair is looked at once.

    Cells come column by column, row by row. So those that follow one within reach lie in a few runs of
    columns: in its own row, and in each row beyond; and the ends of these runs move on with the column.
    """
    starts_of, label_of = np.empty(columns.shape[0] + 1, np.int32), np.empty(columns.shape[0], np.int32)
    count = _label_columns(columns, labels, starts_of, label_of)
    # How far on columns are of one label: what is of one all around takes no look at the cells.
    alike = np.empty(count, np.int32)
    for c in range(count - 1, -1, -1):
        goes_on = c + 1 < count and label_of[c] == label_of[c + 1]
        alike[c] = alike[c + 1] if goes_on else c + 1
    begin, end = np.zeros(_REACH + 1, np.int64), np.zeros(_REACH + 1, np.int64)
    for c in range(count):
        own = columns[starts_of[c]]
        begin[0] = c
        for row in range(_REACH + 1):
            middle = own + row * width
            first, last = begin[row], end[row]
            if row > 0:
                while first < count and columns[starts_of[first]] < middle - _REACH:
                    first += 1
            last = max(first, last)
            while last < count and columns[starts_of[last]] <= middle + _REACH:
                last += 1
            begin[row], end[row] = first, last
            if first == last or (label_of[first] == label_of[c] >= 0 and alike[first] >= last):
                continue
            for place in range(starts_of[c], starts_of[c + 1]):
                start = place + 1 if row == 0 else starts_of[first]
                if _any_other(labels, levels, start, starts_of[last], place):
                    _link_run(
                        cells, levels, start, starts_of[last], place, starts, x, y, z, boxes, squared_gap,
                        parent,
                    )  # fmt: skip


@njit(nogil=True, cache=True)
def _label_columns(
    columns: Integers,
    labels: NDArray[np.int32],
    starts_of: NDArray[np.int32],
    label_of: NDArray[np.int32],
) -> int:
    """Write where columns of cells start and the label of each, -1 if there are several; return how many."""
    count = 0
    for place in range(columns.shape[0]):
        if place == 0 or columns[place] != columns[place - 1]:
            starts_of[count], label_of[count] = place, labels[place]
            count += 1
        elif labels[place] != label_of[count - 1]:
            label_of[count - 1] = -1
    starts_of[count] = columns.shape[0]
    return count


@njit(nogil=True, cache=True)
def _link(
    keys: Integers,
    width: int,
    rows: int,
    columns: Integers,
    levels: Integers,
    cells: NDArray[np.int32],
    starts: Integers,
    x: Floats,
    y: Floats,
    z: Floats,
    squared_gap: float,
    next_rows: Integers,
    boxes: Floats,
) -> tuple[NDArray[np.int32], int]:
    """Link cells that hold a close pair of points; return the component of each cell and their number.

    ``columns`` and ``levels`` say where the cells lie, column by column, and ``cells`` which ones they are.
    The coordinates come cell by cell and may be reordered inside a cell; ``boxes`` is room for six numbers a
    cell.
    """
    m = keys.shape[0]
    parent = np.arange(m).astype(np.int32)
    for i in range(m):
        fill_box(x, y, z, starts[i], starts[i + 1], boxes[i])
    steps = np.empty(next_rows.shape[0], np.int64)
    for r in range(steps.shape[0]):
        steps[r] = (next_rows[r, 0] * rows + next_rows[r, 1]) * width
    _link_next(keys, steps, starts, x, y, z, boxes, squared_gap, parent)
    # Most are of one component with all that is within reach by now, which takes a glance to see.
    labels = np.empty(m, np.int32)
    for place in range(m):
        labels[place] = _root(parent, cells[place])
    _link_columns(columns, levels, cells, labels, width, starts, x, y, z, boxes, squared_gap, parent)
    component = np.empty(m, np.int32)
    count = 0
    for i in range(m):
        root = _root(parent, i)
        if root == i:
            component[i] = count
            count += 1
        else:
            # Roots are the lowest members, so the root has its number already.
            component[i] = component[root]
    return component, count
