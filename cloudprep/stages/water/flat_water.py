"""Flat water in the terrain model: level ponds, rivers that fall, islands and banks that stay."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep.kernels.flat_water import close_rims, raise_rims
from cloudprep.model.figures import Figure
from cloudprep.model.layer import Layer
from cloudprep.stages.base import SiteBytes, Solution
from cloudprep.stages.surface._cells import MOST_CELLS, derived_cell
from cloudprep.stages.water._banks import OnWater
from cloudprep.stages.water._features import WaterParams
from cloudprep.stages.water._painting import (
    MUCH,
    ROWS_AT_A_TIME,
    WATER_SOURCE,
    fill,
    flown_area,
    raised_cells,
)

if TYPE_CHECKING:
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.water._levels import Level, WaterLevels

_INTERPOLATED = 2
# Empty cells between line and ground are at most this many point spacings wide.
_LOST = 1.5


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
    - A cell is water if its centre lies in the polygon, and within the convex hull of the terrain's cells:
      what lies outside was never flown. Empty cells between the line and the ground, whose points the line
      replaces, get heights between both. Cells beside water that lie below it are raised to
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
    reports = (
        Figure("water.ponds", "", "areas of standing water"),
        Figure("water.rivers", "", "areas of flowing water"),
        Figure("water.cells", "", "cells that were set to a water level"),
        Figure("water.raised_cells", "", "cells beside water that were raised to its level"),
        Figure("water.most_raised", "m", "by how much at most"),
    )
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
        flown = flown_area(before.values, before.window)
        cells = fill(heights, codes, found, before.window, flown)
        reach = math.ceil(_LOST * site.spacing / before.window.lattice.cell) if cells else 0
        row, column, between = close_rims(heights, codes, WATER_SOURCE, reach)
        inside = (column >= flown.first[row]) & (column < flown.beyond[row])
        row, column = row[inside], column[inside]
        heights[row, column], codes[row, column] = between[inside], _INTERPOLATED
        for first in range(0, len(heights), ROWS_AT_A_TIME):
            raise_rims(heights, codes, WATER_SOURCE, first, min(first + ROWS_AT_A_TIME, len(heights)))
        raised = raised_cells(before.values, heights, codes)
        if raised.most > MUCH:
            lines.append(
                f"{raised.much} cells beside the water lie more than {MUCH} m below it (up to "
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
            layers=(_layer(found, before.window.lattice.cell, flown.hull),),
        )


def _layer(found: WaterLevels, cell: float, flown: Any) -> Layer:
    """Return the flown part of the polygons with the level at every corner; rivers get more corners."""
    polygons = [_within(v.water.polygon, flown) for v in found.levels]
    levels = [v for v, polygon in zip(found.levels, polygons, strict=True) if not polygon.is_empty]
    polygons = [polygon for polygon in polygons if not polygon.is_empty]
    geometries = np.empty(len(levels), object)
    for i, (level, polygon) in enumerate(zip(levels, polygons, strict=True)):
        geometries[i] = _with_levels(level, polygon, max(4 * cell, level.water.width / 4))
    return Layer(
        "water",
        "polygon",
        geometries,
        {
            "polygon": np.array([v.water.number + 1 for v in levels], np.int64),
            "kind": np.array([v.water.kind for v in levels], object),
            "highest": np.array([v.levels.max() for v in levels], np.float64),
            "lowest": np.array([v.levels.min() for v in levels], np.float64),
            "area_m2": np.array([p.area for p in polygons], np.float64),
            "bank_points": np.array([v.points for v in levels], np.int64),
        },
        "Water as it was laid flat in the terrain; the height of a corner is the level there",
        heights=("highest", "lowest"),
    )


def _within(polygon: Any, flown: Any) -> Any:
    """Return the part of a polygon that was flown, without the lines and points that cutting may leave."""
    parts = shapely.get_parts(shapely.intersection(polygon, flown))
    return shapely.union_all([p for p in parts if p.geom_type == "Polygon"])


def _with_levels(level: Level, polygon: Any, apart: float) -> Any:
    """Return a polygon with the level at every corner."""
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
