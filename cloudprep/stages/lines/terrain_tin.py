"""The terrain as few triangles."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.tin_refining import thinned_tin
from cloudprep.model.figures import Figure
from cloudprep.model.layer import TinSurface
from cloudprep.stages.base import Scope, Solution, Stage, StageParams, parameter

if TYPE_CHECKING:
    from cloudprep.model.site import SiteFacts


class TerrainTinParams(StageParams):
    """Parameters of :class:`TerrainTin`."""

    tolerance: float = parameter(
        0.1,
        ge=0,
        unit="m",
        meaning="the surface passes the centre of every cell of the terrain model within this height",
        source="common practice, no source",
    )


class TerrainTin(Stage):
    """Make a surface of triangles, ``terrain_tin``, of the terrain model: few where the ground is even.

    All lengths are metres. The vertices are cell centres of ``dtm``. At the centre of every cell the surface
    is within ``tolerance`` of the cell's height, which is measured at the end. It begins with the corners of
    the raster and the cells beside holes, and adds the worst cell of each triangle until all are good enough.
    Holes stay open; along them no vertex is left out. Cells of which no three lie together get no triangle.

    Figures: ``terrain_tin.vertices``, ``terrain_tin.triangles``, ``terrain_tin.largest_deviation`` (m),
    ``terrain_tin.vertex_share`` (of the cells with a height), ``terrain_tin.uncovered_cells``.
    """

    name = "terrain_tin"
    reports = (
        Figure("terrain_tin.vertices", "", "vertices of the triangles"),
        Figure("terrain_tin.triangles", "", "triangles"),
        Figure("terrain_tin.largest_deviation", "m", "largest deviation from a cell of the terrain grid"),
        Figure("terrain_tin.vertex_share", "", "vertices as a share of cells with a height"),
        Figure("terrain_tin.uncovered_cells", "", "cells with a height that no triangle covers"),
    )
    kind = "lines"
    Params = TerrainTinParams
    scope = Scope.RASTER
    needs = ()
    reads = ("dtm",)
    makes_surfaces = ("terrain_tin",)
    references = (
        "Fowler and Little 1979, Automatic extraction of irregular network digital terrain models, SIGGRAPH",
        "Garland and Heckbert 1995, Fast polygonal approximation of terrains, CMU-CS-95-181",
    )
    # Measured: less than 47 where 7 % of the cells are vertices; 155 where noise makes 61 % of them vertices.
    bytes_per_cell = 64

    params: TerrainTinParams

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Choose vertices and triangles."""
        del site
        grid = self.rasters["dtm"]
        window = grid.window
        cell = window.lattice.cell
        tin = thinned_tin(grid.values, self.params.tolerance, threads=self.threads)
        row, column = np.divmod(tin.cells, window.columns)
        vertices = np.column_stack(
            (
                window.left + (column + 0.5) * cell,
                window.bottom + (row + 0.5) * cell,
                grid.values.ravel()[tin.cells],
            )
        )
        known = int(np.count_nonzero(~np.isnan(grid.values)))
        figures = {
            "terrain_tin.vertices": len(vertices),
            "terrain_tin.triangles": len(tin.faces),
            "terrain_tin.largest_deviation": tin.worst,
            "terrain_tin.vertex_share": len(vertices) / max(known, 1),
            "terrain_tin.uncovered_cells": tin.uncovered,
        }
        meaning = (
            f"terrain; within {self.params.tolerance:g} m of the terrain model at the centre of every cell "
            f"of {cell:g} m (largest difference {tin.worst:.3f} m)"
        )
        warnings = () if len(tin.faces) else ("the terrain model has no three cells together: no triangles",)
        return Solution(
            figures=figures,
            warnings=warnings,
            surfaces=(TinSurface("terrain_tin", vertices, tin.faces, meaning),),
        )
