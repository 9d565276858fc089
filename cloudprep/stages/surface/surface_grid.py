"""The surface model: the top of what stands on the ground, as a raster of heights."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from cloudprep.kernels.cell_points import NOTHING, highest_in_cells, ranked_in_cells
from cloudprep.model.figures import Figure
from cloudprep.model.grid import Canvas, Drawing
from cloudprep.stages.base import (
    ClassCodes,
    Scope,
    Solution,
    StageParams,
    cells_of_block,
    parameter,
)
from cloudprep.stages.surface._bridging import BridgesGaps
from cloudprep.stages.surface._cell_parts import (
    Part,
    Returns,
    counting,
    gap_parameter,
    left_out_parameter,
    returns_parameter,
)
from cloudprep.stages.surface._cells import cell_parameter, raster_window

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points


class SurfaceSource(IntEnum):
    """Codes of the companion raster."""

    EMPTY = 0
    MEASURED = 1
    INTERPOLATED = 2


LEGEND = {
    int(SurfaceSource.EMPTY): "empty",
    int(SurfaceSource.MEASURED): "measured: at least one point in the cell",
    int(SurfaceSource.INTERPOLATED): "interpolated across a small gap",
}


class SurfaceGridParams(StageParams):
    """Parameters of :class:`SurfaceGrid`."""

    cell: float | None = cell_parameter()
    returns: Returns = returns_parameter("make the surface")
    left_out: ClassCodes = left_out_parameter()
    quantile: float = parameter(
        1.0,
        gt=0,
        le=1,
        meaning="which point of a cell gives its height, as a share of the cell's points that lie no higher: "
        "1 is the highest; 0.95, say, passes over a few that stick out where cells hold dozens",
        source="common practice, no source: a surface model holds the highest point of each cell",
    )
    widest_gap: float | None = gap_parameter("a height")


class SurfaceGrid(BridgesGaps):
    """Turn the first returns into a surface model (``dsm``) and a raster that says where heights come from.

    All lengths are metres. A cell's height is that of its highest point: the top of what a pulse met there,
    be it a roof, a crown or the ground. Noise (classes 7 and 18) and withheld points are passed over. The
    cells are those of the terrain model.

    Small gaps are bridged: a cell without points whose centre lies in a Delaunay triangle of the cells' tops
    gets its height from there, linearly, if no disc wider than ``widest_gap`` fits into the gap (no point
    within the triangle's circle, and the circle no wider). So nothing is drawn beyond the rim of the flight,
    and lakes and shadows stay empty. ``dsm_source`` tells cells apart: 0 empty, 1 measured, 2 interpolated.

    Figures: ``surface.cell`` (m), ``surface.cells``, ``surface.points``, and the shares of all cells
    ``surface.measured_share``, ``surface.interpolated_share``, ``surface.empty_share``.
    """

    name = "surface_grid"
    reports = (
        Figure("surface.cell", "m", "cell of the surface grid"),
        Figure("surface.cells", "", "cells of the surface grid"),
        Figure("surface.points", "", "points that count for the surface grid"),
        Figure("surface.empty_share", "", "share of cells without a height"),
        Figure("surface.measured_share", "", "share of cells with a point in them"),
        Figure("surface.interpolated_share", "", "share of cells between points"),
    )
    kind = "surface"
    Params = SurfaceGridParams
    scope = Scope.NEIGHBOURHOOD
    needs = ("x", "y", "z", "classification")
    uses = ("withheld", "return_number")
    grids = ("dsm", "dsm_source")
    draws = True
    references = (
        "Delaunay 1934, Sur la sphere vide, Izv. Akad. Nauk SSSR 7:793-800",
        "Edelsbrunner, Kirkpatrick and Seidel 1983, On the shape of a set of points in the plane",
        "Hyndman and Fan 1996, Sample quantiles in statistical packages, Am. Stat. 50:361-365",
    )
    bytes_per_point = 32

    params: SurfaceGridParams

    def canvas(self, site: SiteFacts) -> tuple[Canvas, ...]:
        """Return the two rasters.

        Raises
        ------
        UsageError
            If the grid would have more than 400 million cells.
        """
        window = raster_window(self.name, site, cast("float", self.params.cell))
        meaning = "height of the highest point in the cell"
        if self.params.quantile < 1:
            meaning = f"height that {self.params.quantile:g} of the points in the cell don't exceed"
        return (
            Canvas("dsm", window, np.float64, np.nan, meaning, "m", shaded=True),
            Canvas("dsm_source", window, np.uint8, 0, "where the surface height comes from", "", LEGEND),
        )

    def draw(self, points: Points, context: Context, solution: Solution | None = None) -> Drawing:
        """Return heights and where they come from, for the cells of the block.

        The share is the number of the block's points that count.
        """
        del solution
        site, params = context.site, self.params
        window = self.canvas(site)[0].window
        gap = cast("float", params.widest_gap)
        part = Part.of(cells_of_block(window, context.block, site.bounds), window, gap, site)
        x, y, z = points["x"], points["y"], points["z"]
        used = counting(points, params.returns, params.left_out)
        if params.quantile == 1:
            tops = highest_in_cells(x, y, z, used, part.cells())
        else:
            tops = ranked_in_cells(x, y, z, used, part.cells(), params.quantile)
        count = int(np.count_nonzero(used & context.core))
        return Drawing(part.inner, self._bridged(part, tops, points, context.threads), count)

    @staticmethod
    def _bridged(
        part: Part, tops: NDArray[np.int32], points: Points, threads: int
    ) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        x, y, z, frame = points["x"], points["y"], points["z"], part.frame

        def heights_of(rows: slice) -> NDArray[np.float64]:
            top = tops[rows]
            return np.where(top == NOTHING, np.nan, z[top]) if len(z) else np.full(top.shape, np.nan)

        def places_of(rows: slice) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
            top = tops[rows]
            if len(z) == 0:
                return np.zeros(top.shape, np.int32), np.zeros(top.shape, np.int32)
            return (
                np.rint((x[top] - frame.left) / frame.step).astype(np.int32),
                np.rint((y[top] - frame.bottom) / frame.step).astype(np.int32),
            )

        heights = np.full(part.inner.shape, np.nan)
        part.bridged(heights_of, places_of, heights, threads)
        source = np.where(np.isnan(heights), SurfaceSource.EMPTY, SurfaceSource.INTERPOLATED).astype(np.uint8)
        row, column = part.inner.row - part.outer.row, part.inner.column - part.outer.column
        inner = tops[row : row + part.inner.rows, column : column + part.inner.columns]
        source[inner != NOTHING] = SurfaceSource.MEASURED
        return heights, source

    def finish(self, grids: Mapping[str, NDArray[Any]], shares: Sequence[int], site: SiteFacts) -> Solution:
        """Count where heights come from."""
        source, count = grids["dsm_source"], sum(shares)
        figures: dict[str, float | int] = {
            "surface.cell": cast("float", self.params.cell),
            "surface.cells": source.size,
            "surface.points": count,
        }
        numbers = np.bincount(source.ravel(), minlength=len(SurfaceSource))
        for code in SurfaceSource:
            figures[f"surface.{code.name.lower()}_share"] = float(numbers[code] / source.size)
        made = tuple(canvas.grid(grids[canvas.name]) for canvas in self.canvas(site))
        warnings = () if count else ("no points that count: the surface grid is empty",)
        return Solution(None, made, figures, warnings)
