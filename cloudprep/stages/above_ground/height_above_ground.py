"""How high above the terrain each point lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.bilinear import bilinear
from cloudprep.model.columns import COLUMNS
from cloudprep.stages.base import Delta, Scope, Solution, Stage, StageParams

if TYPE_CHECKING:
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points


class HeightAboveGroundParams(StageParams):
    """Parameters of :class:`HeightAboveGround`: none."""


class HeightAboveGround(Stage):
    """Give every point its height above the terrain straight below (``height_above_ground``).

    The terrain at a point is read from the terrain raster between the four cell centres around it, linearly;
    empty cells among them are left out. Points over a void, and noise and withheld points, get -9999, the
    value that the extra dimension declares to mean nothing. In the delivered clouds heights are in the
    cloud's own vertical unit.
    """

    name = "height_above_ground"
    reports = ()
    kind = "above_ground"
    Params = HeightAboveGroundParams
    scope = Scope.POINT
    needs = ("x", "y", "z")
    reads = ("dtm",)
    provides = ("height_above_ground",)
    references = ("common practice, no source: height normalisation by bilinear interpolation",)
    bytes_per_point = 40
    bytes_per_cell = 0

    params: HeightAboveGroundParams

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Hand the terrain on to :meth:`run`."""
        del site
        return Solution(self.rasters["dtm"])

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Return the heights."""
        del context
        assert solution is not None  # noqa: S101 - this stage reads a raster
        column = COLUMNS[self.name]
        window, cell = solution.value.window, solution.value.window.lattice.cell
        across, up = (points["x"] - window.left) / cell, (points["y"] - window.bottom) / cell
        # Beyond the outermost cells the value of these goes on: points of the site never lie there.
        terrain = bilinear(solution.value.values, across, up)
        height = (points["z"] - terrain).astype(np.float32)
        height[np.isnan(height)] = column.nothing
        return Delta({self.name: height})
