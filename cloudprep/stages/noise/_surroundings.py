"""What lies around places: coarse columns of what is trusted to be real."""

from __future__ import annotations

from itertools import starmap
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.neighbours_search import nearest_distances, rows_within
from cloudprep.kernels.neighbours_tree import build_tree

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.stages.noise._clusters import Columns

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Mask = NDArray[np.bool_]

# The column itself and the eight around it.
_NEAR = [(dx, dy) for dy in (-1, 0, 1) for dx in (-1, 0, 1)]
# The four sides of a column, two columns deep; together they are all 24 columns around it.
_SIDES = (
    [(0, 1), (0, 2), (1, 1), (1, 2), (2, 1), (2, 2)],
    [(1, 0), (2, 0), (1, -1), (2, -1), (1, -2), (2, -2)],
    [(0, -1), (0, -2), (-1, -1), (-1, -2), (-2, -1), (-2, -2)],
    [(-1, 0), (-2, 0), (-1, 1), (-2, 1), (-1, 2), (-2, 2)],
)

# Columns around others are looked for no farther away than so many.
_DEEPEST = 2
# A table of all places is made where it has no more than so many for each column, or no more than this: four
# bytes a place, and a corridor askew in its rectangle leaves most of it empty.
_DENSE = 64
_DENSE_LEAST = 1_000_000


class Surroundings(NamedTuple):
    """What lies around each of some columns; heights in m.

    Parameters
    ----------
    ground : ndarray of float64, shape (m,)
        Lowest point of the 3 x 3 columns, or of the nearest ones there are; infinite where there is nothing.
    away : ndarray of float64, shape (m,)
        How far away those nearest ones are, m; 0 within the 3 x 3 columns.
    density : ndarray of float64, shape (m,)
        Points per square metre in the middling one of the 3 x 3 columns; 0 where there is none.
    """

    ground: Floats
    away: Floats
    density: Floats


class Lookup:
    """Finds columns by their place.

    Parameters
    ----------
    columns : Columns
        In the order of (y, x).
    width : float
        Width of a column, m.
    """

    def __init__(self, columns: Columns, width: float) -> None:
        self._columns = columns
        self._width = width
        some = len(columns.x) > 0
        self._x0, self._y0 = (int(columns.x.min()), int(columns.y.min())) if some else (0, 0)
        spans = (int(columns.y.max()) - self._y0 + 1, int(columns.x.max()) - self._x0 + 1) if some else (0, 0)
        self._spans = spans
        self._keys = (columns.y - self._y0) * spans[1] + (columns.x - self._x0)
        self._table: NDArray[np.int32] | None = None
        self._lowest = np.append(columns.lowest, np.inf)
        self._points = np.append(columns.points, np.nan)
        if spans[0] * spans[1] <= max(_DENSE * len(columns.x), _DENSE_LEAST):
            # So wide a margin that whatever lies outside has nothing around it.
            more = 2 * _DEEPEST + 1
            self._table = np.full((spans[0] + 2 * more, spans[1] + 2 * more), -1, np.int32)
            self._table[columns.y - self._y0 + more, columns.x - self._x0 + more] = np.arange(len(columns.x))

    def _finder(self, x: Integers, y: Integers) -> Callable[[int, int], NDArray[np.signedinteger[Any]]]:
        """Return what tells which column lies so many columns east and north of each place; -1 for none."""
        height, width = self._spans
        table = self._table
        if table is not None:
            more = 2 * _DEEPEST + 1
            row, column = (
                np.clip(v, -_DEEPEST - 1, size + _DEEPEST) + more
                for v, size in ((y - self._y0, height), (x - self._x0, width))
            )
            places = row * table.shape[1] + column
            return lambda dx, dy: table.take(places + (dy * table.shape[1] + dx))

        def search(dx: int, dy: int) -> NDArray[np.signedinteger[Any]]:
            east, north = x + dx, y + dy
            keys = (north - self._y0) * width + (east - self._x0)
            rows = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
            found = (east >= self._x0) & (east < self._x0 + width) & (self._keys[rows] == keys)
            return np.where(found, rows, -1)

        return search

    def lowest(self, x: Integers, y: Integers) -> Floats:
        """Return the lowest point at each place, infinity where there is none."""
        # Row -1 is the last one, of what there is none.
        found: Floats = self._lowest[self._finder(x, y)(0, 0)]
        return found

    def highest(self, x: Integers, y: Integers) -> Floats:
        """Return the highest point at each place, minus infinity where there is none."""
        found: Floats = np.append(self._columns.highest, -np.inf)[self._finder(x, y)(0, 0)]
        return found

    def around(self, x: Integers, y: Integers) -> Surroundings:
        """Return what lies around columns."""
        rows = np.stack([*starmap(self._finder(x, y), _NEAR)])
        ground = self._lowest[rows].min(axis=0)
        away = np.zeros(len(x))
        lost = np.isinf(ground)
        density = _middle(self._points[rows]) / self._width**2
        if lost.any() and len(self._keys):
            ground[lost], away[lost] = self._nearest(x[lost], y[lost])
        return Surroundings(ground, away, density)

    def walled_in(self, x: Integers, y: Integers, height: Floats) -> Mask:
        """Tell where everything lies higher: in the column itself and in all within two columns around it.

        There must be something in the column, and on three sides at least.
        """
        rows = self._finder(x, y)
        own = self._lowest[rows(0, 0)]
        closed = np.isfinite(own) & (own > height)
        sides = np.zeros(len(x))
        for side in _SIDES:
            lowest = np.minimum.reduce([self._lowest[rows(dx, dy)] for dx, dy in side])
            closed &= lowest > height
            sides += np.isfinite(lowest)
        walled: Mask = closed & (sides >= 3)
        return walled

    def _nearest(self, x: Integers, y: Integers) -> tuple[Floats, Floats]:
        """Return the lowest point of the columns nearest to places, and how far away (m) they are."""
        flat = np.zeros(len(self._keys))
        tree = build_tree(self._columns.x.astype(np.float64), self._columns.y.astype(np.float64), flat)
        at = x.astype(np.float64), y.astype(np.float64), np.zeros(len(x))
        away = np.sqrt(nearest_distances(tree, *at, 1)[:, 0])
        starts, rows = rows_within(tree, *at, (away + 1.5) ** 2)
        ground = np.minimum.reduceat(self._columns.lowest[rows], starts[:-1])
        return ground, away * self._width


def _middle(values: Floats) -> Floats:
    """Return the median of each column of values, those that are NaN left out; 0 where all are."""
    ranked = np.sort(values, axis=0)  # NaN come last
    count = np.isfinite(ranked).sum(axis=0)
    at = np.arange(values.shape[1])
    last = np.maximum(count - 1, 0)
    middle: Floats = 0.5 * (ranked[last // 2, at] + ranked[np.minimum(count // 2, last), at])
    return np.where(count > 0, middle, 0.0)
