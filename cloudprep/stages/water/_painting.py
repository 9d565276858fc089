"""Water painted into rasters: which cells it takes, and what it did to those beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from cloudprep.kernels.polygons import banded, cell_runs
from cloudprep.stages.water._features import edges_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.kernels.polygons import CellRuns
    from cloudprep.model.grid import Window
    from cloudprep.stages.water._levels import WaterLevels

WATER_SOURCE = 4
"""The code of water in ``dtm_source``."""
ROWS_AT_A_TIME = 256
_CELLS_AT_A_TIME = 1_000_000
# A cell beside water that is raised by more than this is worth a look, m.
MUCH = 0.5


class Flown(NamedTuple):
    """The convex hull of a terrain's cells: what lies outside was never flown.

    Parameters
    ----------
    hull : shapely.Geometry
        In local metres; empty where the terrain is.
    first, beyond : ndarray of int64, shape (rows,)
        The columns of each row that lie in it.
    """

    hull: shapely.Geometry
    first: NDArray[np.int64]
    beyond: NDArray[np.int64]


def flown_area(heights: NDArray[Any], window: Window) -> Flown:
    """Return where a terrain has cells, without its gaps."""
    rows, columns = heights.shape
    first, beyond = np.zeros((2, rows), np.int64)
    cell = window.lattice.cell
    corners = []
    for row in range(rows):
        there = np.flatnonzero(~np.isnan(heights[row]))
        if len(there):
            low, high = float(there[0]), float(there[-1] + 1)
            corners += [(x, y) for x in (low, high) for y in (float(row), row + 1.0)]
    if not corners:
        return Flown(shapely.Polygon(), first, beyond)
    hull = shapely.convex_hull(shapely.multipoints(corners))
    runs = cell_runs(banded(edges_of(np.array([hull], object), [0])), 0.0, 0.0, 1.0, (rows, columns))
    first[runs.row], beyond[runs.row] = runs.first, runs.beyond
    corner = np.array([window.left, window.bottom])
    return Flown(shapely.transform(hull, lambda c: corner + c * cell), first, beyond)


def fill(
    heights: NDArray[Any], codes: NDArray[np.uint8], found: WaterLevels, window: Window, flown: Flown
) -> int:
    """Put levels and codes into rasters, within the flown area; return how many cells are water."""
    cell = window.lattice.cell
    runs = cell_runs(found.bands(), window.left, window.bottom, cell, window.shape)
    number = 0
    for cells in _cells(runs):
        place = cells.row * window.columns + cells.column
        # Of waters that overlap the first counts; runs of one row may lie in the same portion, too.
        fresh = np.zeros(len(place), bool)
        fresh[np.unique(place, return_index=True)[1]] = True
        fresh &= (cells.column >= flown.first[cells.row]) & (cells.column < flown.beyond[cells.row])
        fresh &= codes[cells.row, cells.column] != WATER_SOURCE
        which, row, column = (v[fresh] for v in cells)
        x = window.left + (column + 0.5) * cell
        y = window.bottom + (row + 0.5) * cell
        heights[row, column] = found.heights(which, x.astype(np.float64), y.astype(np.float64))
        codes[row, column] = WATER_SOURCE
        number += len(row)
    return number


class _Portion(NamedTuple):
    which: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]


def _cells(runs: CellRuns) -> Iterator[_Portion]:
    """Give the cells of runs in portions."""
    size = runs.beyond - runs.first
    ends = np.cumsum(size)
    first = 0
    while first < len(size):
        done = ends[first - 1] if first else 0
        beyond = max(first + 1, int(np.searchsorted(ends, done + _CELLS_AT_A_TIME, side="right")))
        part = slice(first, beyond)
        counts = size[part]
        starts = np.repeat(np.cumsum(counts) - counts, counts)
        column = np.repeat(runs.first[part], counts) + np.arange(int(counts.sum())) - starts
        yield _Portion(np.repeat(runs.feature[part], counts), np.repeat(runs.row[part], counts), column)
        first = beyond


class Raised(NamedTuple):
    cells: int
    much: int
    most: float


def raised_cells(before: NDArray[Any], after: NDArray[Any], codes: NDArray[np.uint8]) -> Raised:
    """Return how many dry cells were raised, how many by much, and by how much at most (m)."""
    cells = much = 0
    most = 0.0
    for row in range(0, len(before), ROWS_AT_A_TIME):
        rows = slice(row, row + ROWS_AT_A_TIME)
        up = np.where(codes[rows] == WATER_SOURCE, 0.0, after[rows] - before[rows])
        up = up[up > 0]
        cells += len(up)
        much += int(np.count_nonzero(up > MUCH))
        most = max(most, float(up.max(initial=0.0)))
    return Raised(cells, much, most)
