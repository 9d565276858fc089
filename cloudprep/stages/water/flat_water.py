"""Flat water in the terrain model: level ponds, rivers that fall, islands and banks that stay."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from cloudprep.kernels.flat_water import raise_rims
from cloudprep.kernels.polygons import cell_runs
from cloudprep.model.layer import Layer
from cloudprep.stages.base import SiteBytes, Solution
from cloudprep.stages.surface._cells import MOST_CELLS, derived_cell
from cloudprep.stages.water._banks import OnWater
from cloudprep.stages.water._features import WaterParams

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.kernels.polygons import CellRuns
    from cloudprep.model.grid import Window
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.water._levels import Level, WaterLevels

WATER_SOURCE = 4
"""The code of water in ``dtm_source``."""
_CELLS_AT_A_TIME = 1_000_000
_ROWS_AT_A_TIME = 256
# A cell beside water that is raised by more than this is worth a look, m.
_MUCH = 0.5


class FlatWaterParams(WaterParams):
    """Parameters of :class:`FlatWater`."""


class FlatWater(OnWater):
    """Lay given waters flat in the terrain model: ponds level, rivers level from bank to bank and falling.

    All lengths are metres. Levels come from the ground points (classes 2 and 20) within ``bank_width``
    outside the lines; ``water_points``, put before ``terrain_grid``, keeps points on the water from shaping
    the terrain.

    - A pond stands at one level: the ``bank_quantile`` of its bank's heights. Ponds that share a line are
      one.
    - A river's centre line is the medial axis of its polygon, smoothed over its width, islands ignored. At
      stations half a width apart the ``bank_quantile`` of both banks is taken, then the nearest heights
      that never rise downstream; the direction is the one in which less has to be changed. Every cell takes
      the level of the nearest place of the centre line, so the water is level across. A river that runs into
      another water is nowhere lower than that, one that comes from a pond nowhere higher.
    - Ponds smaller than ``pond_area``, rivers narrower than ``river_width`` are left as they are, which is
      said; islands smaller than ``island_area`` are covered.
    - A cell is water if its centre lies in the polygon. Cells beside water that lie below it are raised to
      its level, so that banks are never below water; how many, and by how much, is told.

    ``dtm_source`` gets the code 4 for water. The layer ``water`` holds the polygons as they were flattened,
    with the level at every corner of their lines.

    What it doesn't do: a river with a long side arm is levelled as one along its longest way (give the arm as
    a polygon of its own); a lake that is cut into long strips looks like rivers by its shape (say what it is
    in ``kind_attribute``).

    Figures: ``water.ponds``, ``water.rivers``, ``water.cells``, ``water.raised_cells``, ``water.most_raised``
    (m).
    """

    name = "flat_water"
    Params = FlatWaterParams
    reads = ("dtm", "dtm_source")
    grids = ("dtm", "dtm_source")
    makes_layers = ("water",)
    references = (
        (
            "USGS Lidar Base Specification, hydro-flattening: ponds of 2 acres, rivers of 100 feet, "
            "islands of 1 acre; level, monotonic downstream, at or below the ground around"
        ),
        "Attali and Montanvert 1997, Continuous skeletons, Comput. Vis. Image Underst. 67:261-273",
        "Ayer, Brunk, Ewing, Reid and Silverman 1955, Ann. Math. Stat. 26:641-647",
        "Robertson and Waltman 1968, On estimating monotone parameters, Ann. Math. Stat. 39:1030-1039",
    )
    # Heights and codes of the result, and what the runs of cells take at a time.
    bytes_per_cell = 8

    params: FlatWaterParams

    def site_bytes(self, site: SiteFacts) -> SiteBytes:
        """Return the memory (bytes) of the rasters that are made, where the terrain has the usual cell."""
        cells = site.bounds.width * site.bounds.height / derived_cell(site)[0] ** 2
        return SiteBytes(0, int(min(cells, MOST_CELLS)) * self.bytes_per_cell)

    def solve(self, merged: Any, site: SiteFacts) -> Solution:
        """Return the terrain with water in it, and the polygons with their levels."""
        found, lines = self.levels(merged, site)
        before, source = self.rasters["dtm"], self.rasters["dtm_source"]
        heights, codes = before.values.copy(), source.values.copy()
        cells = _fill(heights, codes, found, before.window)
        for row in range(0, len(heights), _ROWS_AT_A_TIME):
            raise_rims(heights, codes, WATER_SOURCE, row, min(row + _ROWS_AT_A_TIME, len(heights)))
        raised = _raised(before.values, heights, codes)
        if raised.most > _MUCH:
            lines.append(
                f"{raised.much} cells beside the water lie more than {_MUCH} m below it (up to "
                f"{raised.most:.1f} m) and were raised to its level: look at polygons and outlets there"
            )
        ponds = sum(level.water.course is None for level in found.levels)
        return Solution(
            found,
            grids=(
                replace(before, values=heights),
                replace(source, values=codes, legend={**source.legend, WATER_SOURCE: "water"}),
            ),
            figures={
                "water.ponds": ponds,
                "water.rivers": len(found.levels) - ponds,
                "water.cells": cells,
                "water.raised_cells": raised.cells,
                "water.most_raised": raised.most,
            },
            warnings=tuple(lines),
            layers=(_layer(found, before.window.lattice.cell),),
        )


def _fill(heights: NDArray[Any], codes: NDArray[np.uint8], found: WaterLevels, window: Window) -> int:
    """Put levels and codes into rasters; return how many cells are water."""
    cell = window.lattice.cell
    runs = cell_runs(found.bands(), window.left, window.bottom, cell, window.shape)
    number = 0
    for cells in _cells(runs):
        place = cells.row * window.columns + cells.column
        # Of waters that overlap the first counts; runs of one row may lie in the same portion, too.
        fresh = np.zeros(len(place), bool)
        fresh[np.unique(place, return_index=True)[1]] = True
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


class _Raised(NamedTuple):
    cells: int
    much: int
    most: float


def _raised(before: NDArray[Any], after: NDArray[Any], codes: NDArray[np.uint8]) -> _Raised:
    """Return how many dry cells were raised, how many by much, and by how much at most (m)."""
    cells = much = 0
    most = 0.0
    for row in range(0, len(before), _ROWS_AT_A_TIME):
        rows = slice(row, row + _ROWS_AT_A_TIME)
        up = np.where(codes[rows] == WATER_SOURCE, 0.0, after[rows] - before[rows])
        up = up[up > 0]
        cells += len(up)
        much += int(np.count_nonzero(up > _MUCH))
        most = max(most, float(up.max(initial=0.0)))
    return _Raised(cells, much, most)


def _layer(found: WaterLevels, cell: float) -> Layer:
    """Return the polygons with the level at every corner; along rivers a corner a few cells apart."""
    levels = found.levels
    geometries = np.empty(len(levels), object)
    for i, level in enumerate(levels):
        geometries[i] = _with_levels(level, max(4 * cell, level.water.width / 4))
    return Layer(
        "water",
        "polygon",
        geometries,
        {
            "polygon": np.array([v.water.number + 1 for v in levels], np.int64),
            "kind": np.array([v.water.kind for v in levels], object),
            "highest": np.array([v.levels.max() for v in levels], np.float64),
            "lowest": np.array([v.levels.min() for v in levels], np.float64),
            "area_m2": np.array([v.water.polygon.area for v in levels], np.float64),
            "bank_points": np.array([v.points for v in levels], np.int64),
        },
        "Water as it was laid flat in the terrain; the height of a corner is the level there",
        heights=("highest", "lowest"),
    )


def _with_levels(level: Level, apart: float) -> Any:
    polygon = level.water.polygon
    if level.water.course is not None:
        polygon = shapely.segmentize(polygon, apart)
    parts = []
    for part in shapely.get_parts(polygon):
        rings = []
        for ring in shapely.get_rings(part):
            xy = shapely.get_coordinates(ring)
            rings.append(np.c_[xy, level.at(xy[:, 0], xy[:, 1])])
        parts.append(shapely.Polygon(rings[0], rings[1:]))
    return shapely.MultiPolygon(parts) if len(parts) > 1 else parts[0]
