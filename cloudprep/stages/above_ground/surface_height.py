"""How high things stand: the surface less the terrain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.model.figures import Figure
from cloudprep.model.grid import Grid
from cloudprep.stages.base import Scope, Solution, Stage, StageParams, parameter

if TYPE_CHECKING:
    from cloudprep.model.site import SiteFacts


class SurfaceHeightParams(StageParams):
    """Parameters of :class:`SurfaceHeight`."""

    below_zero: bool = parameter(
        default=False,
        meaning="keep heights below zero, where the surface lies under the terrain by noise, as they are "
        "instead of 0",
    )


class SurfaceHeight(Stage):
    """Subtract the terrain from the surface: a raster of how high things stand (``height_above_ground``).

    A cell without terrain or without surface stays empty. Where the surface lies below the terrain, by the
    noise of either, the height is 0 unless ``below_zero`` asks for what it is.

    Figures: ``height.highest`` (m), ``height.below_share`` (share of cells with the surface more than 0.1 m
    below the terrain).
    """

    name = "surface_height"
    reports = (
        Figure("height.highest", "m", "largest height above the terrain"),
        Figure("height.below_share", "", "share of cells more than 0.1 m below the terrain"),
    )
    kind = "above_ground"
    Params = SurfaceHeightParams
    scope = Scope.RASTER
    needs = ()
    reads = ("dtm", "dsm")
    grids = ("height_above_ground",)
    references = ("common practice, no source: the normalised surface model",)
    bytes_per_cell = 20

    params: SurfaceHeightParams

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Return the heights."""
        del site
        dtm, dsm = self.rasters["dtm"], self.rasters["dsm"]
        height = dsm.values - dtm.values
        known = ~np.isnan(height)
        figures: dict[str, float] = {}
        if known.any():
            figures["height.highest"] = float(np.nanmax(height))
            figures["height.below_share"] = float(np.count_nonzero(height < -0.1) / np.count_nonzero(known))
        if not self.params.below_zero:
            np.maximum(height, 0.0, out=height)  # NaN stays
        made = Grid(
            "height_above_ground",
            height.astype(np.float32),
            dtm.window,
            "height of the surface above the terrain",
        )
        return Solution(None, (made,), figures)
