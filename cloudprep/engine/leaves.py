"""Square cells that hold the points of a site, and how they are joined into blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.sorting import counted_order, sorted_order

if TYPE_CHECKING:
    from numpy.typing import NDArray


_LARGEST_KEY = 2**62
# Up to so many cells points are put in order by counting them.
_COUNTED_CELLS = 1 << 16


class Rectangle(NamedTuple):
    """Half-open, in units of the finest cells of the lattice."""

    column: int
    row: int
    end_column: int
    end_row: int


class Leaves(NamedTuple):
    """Square cells without overlap: each as many units wide as a power of two, and lying on multiples of it.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        South-western unit of each.
    size : ndarray of int64, shape (n,)
        Units along a side.
    points : ndarray of int64, shape (n,)
        Points in each, at least one.
    """

    column: NDArray[np.int64]
    row: NDArray[np.int64]
    size: NDArray[np.int64]
    points: NDArray[np.int64]


class Group(NamedTuple):
    """A block in the making: a rectangle, and which leaves lie in it."""

    rectangle: Rectangle
    leaves: NDArray[np.int64]


class CellOrder(NamedTuple):
    """Points in the order of their cells, and the cells that hold any, by row, then column.

    Parameters
    ----------
    order : ndarray of int, shape (n,)
        Which point comes where; those of a cell stay in their order.
    column, row : ndarray of int64, shape (cells,)
        Of each cell that holds points.
    starts : ndarray of int64, shape (cells,)
        Where its points start.
    sizes : ndarray of int64, shape (cells,)
        How many they are.
    """

    order: NDArray[np.integer[Any]]
    column: NDArray[np.int64]
    row: NDArray[np.int64]
    starts: NDArray[np.int64]
    sizes: NDArray[np.int64]


def in_cells(column: NDArray[np.int64], row: NDArray[np.int64], *, threads: int = 1) -> CellOrder:
    """Put points into the order of their cells.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        Cell of each point; n >= 1.
    threads : int
        Threads to use.

    Returns
    -------
    CellOrder
        The same for any number of threads.
    """
    west, south = int(column.min()), int(row.min())
    columns, rows = int(column.max()) - west + 1, int(row.max()) - south + 1
    if columns * rows <= _COUNTED_CELLS:
        order, starts = counted_order(column, row, columns, rows, threads=threads)
        sizes = np.diff(starts)
        cells = np.flatnonzero(sizes)
        return CellOrder(order, cells % columns + west, cells // columns + south, starts[cells], sizes[cells])
    by_cell = cell_order(column, row)
    column, row = column[by_cell], row[by_cell]
    starts = np.flatnonzero(np.r_[True, (row[1:] != row[:-1]) | (column[1:] != column[:-1])])
    return CellOrder(by_cell, column[starts], row[starts], starts, np.diff(np.r_[starts, len(by_cell)]))


def cell_order(column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.integer[Any]]:
    """Return the order that sorts points by row, then column; equal ones stay in their order.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        Cell of each point; n >= 1.
    """
    columns = int(column.max()) - int(column.min()) + 1
    rows = int(row.max()) - int(row.min()) + 1
    if columns * rows > _LARGEST_KEY:
        return np.lexsort((column, row))
    key = row - row.min()
    key *= columns
    key += column
    key -= column.min()
    if columns * rows <= np.iinfo(np.uint16).max:
        # Short numbers are sorted by their digits, in a fraction of the time.
        return np.argsort(key.astype(np.uint16), kind="stable")
    return sorted_order(key)


def grouped(leaves: Leaves, most: int) -> list[Group]:
    """Cut the ground of the leaves into rectangles that hold no more points than told, where leaves allow it.

    The rectangles cover the leaves' bounding rectangle without gap or overlap, also where no points lie; they
    are cut in halves of about as many points, again and again, and never through a leaf.

    Parameters
    ----------
    leaves : Leaves
        At least one.
    most : int
        Points in a rectangle, unless a single leaf holds more.

    Returns
    -------
    list of Group
        In a fixed order.
    """
    whole = Rectangle(
        int(leaves.column.min()),
        int(leaves.row.min()),
        int((leaves.column + leaves.size).max()),
        int((leaves.row + leaves.size).max()),
    )
    done: list[Group] = []
    waiting = [Group(whole, np.arange(len(leaves.points)))]
    while waiting:
        group = waiting.pop()
        if len(group.leaves) == 1 or int(leaves.points[group.leaves].sum()) <= most:
            done.append(group)
        else:
            waiting.extend(reversed(_halves(group, leaves)))
    return done


def _halves(group: Group, leaves: Leaves) -> tuple[Group, Group]:
    box, chosen = group
    size = int(leaves.size[chosen].max())
    wide = box.end_column - box.column >= box.end_row - box.row
    for place, across in ((leaves.column, True), (leaves.row, False))[:: 1 if wide else -1]:
        # No multiple of the largest leaf's size cuts a leaf.
        steps, which = np.unique(place[chosen] // size, return_inverse=True)
        if len(steps) == 1:
            continue
        below = np.cumsum(np.bincount(which, weights=leaves.points[chosen]))[:-1]
        k = int(np.abs(below - leaves.points[chosen].sum() / 2).argmin())
        line = (int(steps[k]) + 1) * size
        first = which <= k
        if across:
            boxes = box._replace(end_column=line), box._replace(column=line)
        else:
            boxes = box._replace(end_row=line), box._replace(row=line)
        return Group(boxes[0], chosen[first]), Group(boxes[1], chosen[~first])
    raise AssertionError("two leaves without overlap lie in different columns or rows of the largest size")
