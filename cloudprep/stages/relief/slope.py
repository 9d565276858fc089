"""How steep the ground is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from cloudprep.kernels.relief import slopes
from cloudprep.model.figures import Figure
from cloudprep.stages.base import Solution, StageParams, parameter
from cloudprep.stages.relief._heights import Of, OfHeights, of_parameter

if TYPE_CHECKING:
    from cloudprep.model.site import SiteFacts


class SlopeParams(StageParams):
    """Parameters of :class:`Slope`."""

    of: Of = of_parameter()
    unit: Literal["degrees", "percent"] = parameter(
        "degrees", meaning="degrees from the level; percent: 100 times rise over run"
    )


class Slope(OfHeights):
    """Turn heights into slopes (``dtm_slope``).

    A cell's slope comes from its eight neighbours. Where one is missing (the rim, a void), what a plane
    through the cell and its other neighbours has there stands for it, so that planes keep their slope up to
    the rim.

    Figures: ``slope.median`` and ``slope.steep_share`` (share of cells steeper than 45 degrees).
    """

    name = "slope"
    reports = (
        Figure("slope.median", "", "median slope, in the unit of the raster"),
        Figure("slope.steep_share", "", "share of steep cells"),
    )
    Params = SlopeParams
    grids = ("dtm_slope", "dsm_slope")
    references = ("Horn 1981, Hill shading and the reflectance map, Proc. IEEE 69:14-47",)

    params: SlopeParams

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Return the slopes."""
        del site
        source = self.source()
        percent = self.params.unit == "percent"
        values = slopes(source.values, source.window.lattice.cell, percent=percent, threads=self.threads)
        known = values[~np.isnan(values)]
        steep = 100.0 if percent else 45.0
        figures = (
            {
                "slope.median": float(np.median(known)),
                "slope.steep_share": float(np.count_nonzero(known > steep) / len(known)),
            }
            if len(known)
            else {}
        )
        meaning = "slope of the terrain" if self.params.of == "dtm" else "slope of the surface"
        return Solution(None, (self.made(values, meaning, self.params.unit),), figures)
