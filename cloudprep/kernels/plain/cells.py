"""The lowest point of every cell, by sorting."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]


def lowest_index(column: Integers, row: Integers, x: Floats, y: Floats, z: Floats, index: Integers) -> int:
    """Set ``index`` to each cell's lowest point, ties by x, then y; return how many points fall in none."""
    rows, columns = index.shape
    inside = (column >= 0) & (row >= 0) & (column < columns) & (row < rows)
    points = np.flatnonzero(inside)
    cell = row[points] * columns + column[points]
    order = np.lexsort((y[points], x[points], z[points], cell))
    cells, first = np.unique(cell[order], return_index=True)
    index.ravel()[cells] = points[order[first]]
    return len(inside) - len(points)


def lowest_heights(column: Integers, row: Integers, z: Floats, lowest: Floats) -> int:
    """Lower ``lowest`` (NaN: empty) to the heights in its cells; return how many points fall in none."""
    rows, columns = lowest.shape
    inside = (column >= 0) & (row >= 0) & (column < columns) & (row < rows)
    np.fmin.at(lowest, (row[inside], column[inside]), z[inside])
    return int(np.count_nonzero(~inside))
