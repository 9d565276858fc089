"""The intensity image: how strongly the surface returned the pulses, as a raster."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np

from cloudprep.kernels.cell_points import means_in_cells, medians_in_cells
from cloudprep.kernels.tin_points import SUBSTEPS, substeps
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


class IntensityGridParams(StageParams):
    """Parameters of :class:`IntensityGrid`."""

    cell: float | None = cell_parameter()
    statistic: Literal["mean", "median"] = parameter(
        "mean",
        meaning="what of a cell's intensities is taken: mean, or median (glints and wires count less)",
        source="common practice, no source",
    )
    returns: Returns = returns_parameter("count")
    left_out: ClassCodes = left_out_parameter()
    widest_gap: float | None = gap_parameter("a value")


class IntensityGrid(BridgesGaps):
    """Turn the intensities of first returns into an image (``intensity``), on the cells of the other rasters.

    Lengths are metres; intensities are without a unit and as the flights carry them: nothing is levelled
    between flight lines. A cell holds the mean (or median) of its points. Small gaps between cells are
    bridged as those of the surface model are: linearly within the Delaunay triangles of the centres of cells
    around, if no disc wider than ``widest_gap`` fits into the gap; what is wider stays empty.

    Figures: ``intensity.cell`` (m), ``intensity.points``, ``intensity.mean`` (of the points), and the
    shares of all cells ``intensity.measured_share``, ``intensity.empty_share``.
    """

    name = "intensity_grid"
    reports = (
        Figure("intensity.cell", "m", "cell of the intensity raster"),
        Figure("intensity.points", "", "points that count for the intensity raster"),
        Figure("intensity.mean", "", "mean intensity of these points"),
        Figure("intensity.measured_share", "", "share of cells with a point in them"),
        Figure("intensity.empty_share", "", "share of cells without an intensity"),
    )
    kind = "surface"
    Params = IntensityGridParams
    scope = Scope.NEIGHBOURHOOD
    needs = ("x", "y", "z", "intensity", "classification")
    uses = ("withheld", "return_number")
    grids = ("intensity",)
    draws = True
    references = (
        "ASPRS LAS 1.4-R15, Intensity: the integer representation of the pulse return magnitude",
        "Edelsbrunner, Kirkpatrick and Seidel 1983, On the shape of a set of points in the plane",
    )
    bytes_per_point = 32

    params: IntensityGridParams

    def canvas(self, site: SiteFacts) -> tuple[Canvas, ...]:
        """Return the raster.

        Raises
        ------
        UsageError
            If the grid would have more than 400 million cells.
        """
        window = raster_window(self.name, site, cast("float", self.params.cell))
        which = "first returns" if self.params.returns == "first" else "all returns"
        meaning = f"{self.params.statistic} intensity of {which}, as recorded"
        return (Canvas("intensity", window, np.float32, np.nan, meaning, ""),)

    def draw(self, points: Points, context: Context, solution: Solution | None = None) -> Drawing:
        """Return the intensities of the cells of the block.

        The share holds the number of the block's points that count, how many of its cells hold points, and
        the sum of the intensities of the points.
        """
        del solution
        site, params = context.site, self.params
        window = self.canvas(site)[0].window
        gap = cast("float", params.widest_gap)
        part = Part.of(cells_of_block(window, context.block, site.bounds), window, gap, site)
        used = counting(points, params.returns, params.left_out)
        averages = means_in_cells if params.statistic == "mean" else medians_in_cells
        found = averages(points["x"], points["y"], points["intensity"], used, part.cells())
        cell, frame, outer = window.lattice.cell, part.frame, part.outer
        columns = substeps(frame, outer.left + cell / 2, cell, outer.columns, along=0) // SUBSTEPS
        rows = substeps(frame, outer.bottom + cell / 2, cell, outer.rows, along=1) // SUBSTEPS

        def places_of(some: slice) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
            x, y = np.meshgrid(columns.astype(np.int32), rows[some].astype(np.int32))
            return np.ascontiguousarray(x), np.ascontiguousarray(y)

        values = np.full(part.inner.shape, np.nan, np.float32)
        part.bridged(lambda some: found[some].astype(np.float64), places_of, values, context.threads)
        own = used & context.core
        row, column = part.inner.row - outer.row, part.inner.column - outer.column
        inner = found[row : row + part.inner.rows, column : column + part.inner.columns]
        measured = int(np.count_nonzero(~np.isnan(inner)))
        total = int(points["intensity"][own].sum(dtype=np.int64))
        return Drawing(part.inner, (values,), (int(np.count_nonzero(own)), measured, total))

    def finish(
        self,
        grids: Mapping[str, NDArray[Any]],
        shares: Sequence[tuple[int, int, int]],
        site: SiteFacts,
    ) -> Solution:
        """Count, and warn of flights that carry no intensities."""
        values = grids["intensity"]
        count, measured, total = (sum(share[k] for share in shares) for k in range(3))
        empty = sum(int(np.count_nonzero(np.isnan(row))) for row in values)
        figures: dict[str, float | int] = {
            "intensity.cell": cast("float", self.params.cell),
            "intensity.points": count,
            "intensity.mean": total / count if count else 0.0,
            "intensity.measured_share": measured / values.size,
            "intensity.empty_share": empty / values.size,
        }
        warnings: tuple[str, ...] = ()
        if count == 0:
            warnings = ("no points that count: the intensity grid is empty",)
        elif total == 0:
            warnings = ("every intensity is 0: the flights carry none",)
        return Solution(None, (self.canvas(site)[0].grid(values),), figures, warnings)
