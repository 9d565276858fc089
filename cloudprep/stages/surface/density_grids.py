"""How densely a site was measured: first returns and ground points to the square metre, as rasters."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from cloudprep.kernels.cell_points import numbers_in_cells
from cloudprep.model.classes import ClassCode
from cloudprep.model.figures import Figure
from cloudprep.model.grid import Canvas, Drawing
from cloudprep.stages.base import (
    ClassCodes,
    Scope,
    Solution,
    Stage,
    StageParams,
    cells_of_block,
    parameter,
)
from cloudprep.stages.surface._cell_parts import (
    Returns,
    counting,
    kernel_cells,
    left_out_parameter,
    returns_parameter,
)
from cloudprep.stages.surface._cells import derived_cell, raster_window

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

_MULTIPLES = (1, 2, 4, 5, 10, 20, 40, 50, 100)
_POINTS = 25


class DensityGridsParams(StageParams):
    """Parameters of :class:`DensityGrids`."""

    cell: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="cell size; cell edges lie on whole multiples of it",
        derived="1, 2, 4, 5, 10 ... times the cell of the other rasters, the first that holds 25 points on "
        "average",
        source="Poisson: chance alone moves a count of 25 by a fifth",
    )
    returns: Returns = returns_parameter("count for point_density")
    left_out: ClassCodes = left_out_parameter()
    classes: ClassCodes = parameter(
        (int(ClassCode.GROUND),),
        meaning="class codes that count as ground",
        source="ASPRS LAS 1.4, table 17",
    )


class DensityGrids(Stage):
    """Count points to the square metre: ``point_density``, and ``ground_density`` of the ground points.

    ``point_density`` counts first returns (single ones too), which is one a pulse: the density that
    specifications ask for. ``ground_density`` counts ground points of any return, which is what a terrain
    model can be finer by. Noise and withheld points count in neither. Cells are wider than those of the other
    rasters, so that a cell holds enough points to tell a thin place from chance; a cell that the rim of the
    site cuts counts as a whole one, and so looks thinner than it is. A cell without points has 0.

    Figures: ``density.cell`` (m), ``density.points_per_m2`` and ``density.ground_per_m2`` (over the cells
    that hold points that count), and ``density.without_ground_share``, the share of these cells that hold no
    ground point.
    """

    name = "density_grids"
    reports = (
        Figure("density.cell", "m", "cell of the density rasters"),
        Figure("density.points_per_m2", "per m2", "points over cells that hold any"),
        Figure("density.ground_per_m2", "per m2", "ground points over cells that hold any points"),
        Figure("density.without_ground_share", "", "share of cells with points that have no ground point"),
    )
    kind = "surface"
    Params = DensityGridsParams
    scope = Scope.NEIGHBOURHOOD
    needs = ("x", "y", "z", "classification")
    uses = ("withheld", "return_number")
    grids = ("point_density", "ground_density")
    draws = True
    references = (
        "USGS Lidar Base Specification: density is judged on first returns (Collection Requirements)",
        "Poisson 1837, Recherches sur la probabilite des jugements",
    )
    bytes_per_point = 16

    params: DensityGridsParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return a cell that holds enough points.

        Raises
        ------
        UsageError
            If the grid would have more than 400 million cells.
        """
        if self.params.cell is not None:
            raster_window(self.name, site, self.params.cell)
            return {}, {}
        base, _ = derived_cell(site)
        spacing = site.spacing if math.isfinite(site.spacing) else base
        wanted = math.sqrt(_POINTS) * spacing
        times = next((k for k in _MULTIPLES if k * base >= wanted), _MULTIPLES[-1])
        raster_window(self.name, site, times * base)
        reason = (
            f"{times} x {base:g} m, the cell of the other rasters: {(times * base / spacing) ** 2:.0f} points"
        )
        return {"cell": times * base}, {"cell": reason}

    def reach(self) -> float:
        """Return the cell: one that a block cuts is counted whole."""
        return cast("float", self.params.cell)

    def canvas(self, site: SiteFacts) -> tuple[Canvas, ...]:
        """Return the two rasters.

        Raises
        ------
        UsageError
            If the grid would have more than 400 million cells.
        """
        window = raster_window(self.name, site, cast("float", self.params.cell))
        which = "first returns" if self.params.returns == "first" else "returns"
        return (
            Canvas("point_density", window, np.float32, 0, f"{which} per square metre", ""),
            Canvas("ground_density", window, np.float32, 0, "ground points per square metre", ""),
        )

    def draw(self, points: Points, context: Context, solution: Solution | None = None) -> Drawing:
        """Return the densities of the cells of the block.

        The share holds the number of its points and of its ground points, how many cells hold points, and how
        many of these hold no ground point.
        """
        del solution
        site, params = context.site, self.params
        window = self.canvas(site)[0].window
        part = cells_of_block(window, context.block, site.bounds)
        cells = kernel_cells(part)
        first = counting(points, params.returns, params.left_out)
        table = np.zeros(256, bool)
        table[list(params.classes)] = True
        ground = counting(points, "all", params.left_out) & table[points["classification"]]
        x, y = points["x"], points["y"]
        counts, on_ground = numbers_in_cells(x, y, first, cells), numbers_in_cells(x, y, ground, cells)
        held = counts > 0
        share = (
            int(counts.sum()),
            int(on_ground[held].sum()),
            int(np.count_nonzero(held)),
            int(np.count_nonzero(on_ground[held] == 0)),
        )
        area = window.lattice.cell**2
        return Drawing(
            part, ((counts / area).astype(np.float32), (on_ground / area).astype(np.float32)), share
        )

    def finish(
        self,
        grids: Mapping[str, NDArray[Any]],
        shares: Sequence[tuple[int, int, int, int]],
        site: SiteFacts,
    ) -> Solution:
        """Take the means."""
        count, ground, held, bare = (sum(share[k] for share in shares) for k in range(4))
        cell = cast("float", self.params.cell)
        area = max(held, 1) * cell**2
        figures: dict[str, float | int] = {
            "density.cell": cell,
            "density.points_per_m2": count / area,
            "density.ground_per_m2": ground / area,
            "density.without_ground_share": bare / max(held, 1),
        }
        made = tuple(canvas.grid(grids[canvas.name]) for canvas in self.canvas(site))
        warnings = () if count else ("no points that count: the densities are 0",)
        return Solution(None, made, figures, warnings)
