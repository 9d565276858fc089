"""Square cells that hold the points of a site, and how they are joined into blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.leaf_places import numbered, places_of
from cloudprep.kernels.sorting import sorted_order

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.model.grid import Lattice

    Places = NDArray[np.integer[Any]]


_LARGEST_KEY = 2**62
# Lattices of so many cells are counted, however few points there are.
_CELLS = 1_000_000


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


def cell_order(column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.integer[Any]]:
    """Return the order that sorts points by row, then column; equal ones stay in their order.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        Cell of each point; n >= 1.
    """
    columns = int(column.max()) - int(column.min()) + 1
    rows = int(row.max()) - int(row.min()) + 1
    if columns * rows > _LARGEST_KEY or len(row) > np.iinfo(np.int32).max:
        return np.lexsort((column, row))
    key = row - row.min()
    key *= columns
    key += column
    key -= column.min()
    return sorted_order(key)


def leaves_of(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    used: NDArray[np.bool_],
    lattice: Lattice,
    *,
    threads: int = 1,
) -> tuple[Leaves, Callable[[NDArray[np.int64]], Places]]:
    """Return the cells of a lattice that hold points, by row, then column; and how to order points by them.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Local coordinates, m.
    used : ndarray of bool, shape (n,)
        Which points count, at least one.
    lattice : Lattice
        The cells.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    leaves : Leaves
        The cells.
    places : callable
        Called once, with all leaves in any order: returns the place of each point where leaves follow one
        another in that order. Points of one leaf stay in their order, those left out come last.
    """
    if len(x) < 2**31:
        most = max(_CELLS, len(x))
        found = numbered(x, y, used, phase=lattice.phase, side=lattice.cell, most=most, threads=threads)
        if found is not None:
            totals = found.counts.sum(axis=0)[:-1]
            cells = np.flatnonzero(totals)
            row, column = np.divmod(cells, found.shape[1])
            column, row = column + (found.column + lattice.base[0]), row + (found.row + lattice.base[1])
            leaves = Leaves(column, row, np.ones(len(cells), np.int64), totals[cells])
            return leaves, lambda chosen: places_of(found, cells[chosen])
    return _sorted_leaves(x, y, used, lattice)


def _sorted_leaves(
    x: NDArray[np.float64], y: NDArray[np.float64], used: NDArray[np.bool_], lattice: Lattice
) -> tuple[Leaves, Callable[[NDArray[np.int64]], Places]]:
    """Return what :func:`leaves_of` does of points that lie too far apart for all cells to be counted."""
    points = np.flatnonzero(used)
    column, row = lattice.column_of(x[points]), lattice.row_of(y[points])
    order = cell_order(column, row)
    column, row = column[order], row[order]
    starts = np.flatnonzero(np.r_[True, (row[1:] != row[:-1]) | (column[1:] != column[:-1])])
    sizes = np.diff(np.r_[starts, len(order)])
    leaves = Leaves(column[starts], row[starts], np.ones(len(starts), np.int64), sizes)

    def places(chosen: NDArray[np.int64]) -> Places:
        rows = [points[order[starts[i] : starts[i] + sizes[i]]] for i in chosen.tolist()]
        by_leaf = np.concatenate([*rows, np.flatnonzero(~used)])
        small: type[np.integer[Any]] = np.int32 if len(x) < 2**31 else np.int64
        found = np.empty(len(x), small)
        found[by_leaf] = np.arange(len(x), dtype=small)
        return found

    return leaves, places


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
