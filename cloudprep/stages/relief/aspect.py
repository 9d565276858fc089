"""Which way the ground falls."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.kernels.relief import aspects
from cloudprep.stages.base import Solution, StageParams, parameter
from cloudprep.stages.relief._heights import Of, OfHeights, of_parameter

if TYPE_CHECKING:
    from cloudprep.model.site import SiteFacts


class AspectParams(StageParams):
    """Parameters of :class:`Aspect`."""

    of: Of = of_parameter()
    flat: float = parameter(
        1e-6,
        ge=0,
        meaning="a cell no steeper than this slope (rise over run) has no aspect",
        source="common practice, no source: level cells fall nowhere",
    )


class Aspect(OfHeights):
    """Turn heights into the direction of fall (``dtm_aspect``): degrees clockwise from north.

    From the same gradients as ``slope``. A level cell has no direction and stays empty. Coarser views of the
    file take a cell of the finer one, since the mean of directions means nothing.
    """

    name = "aspect"
    Params = AspectParams
    grids = ("dtm_aspect", "dsm_aspect")
    references = ("Horn 1981, Hill shading and the reflectance map, Proc. IEEE 69:14-47",)

    params: AspectParams

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Return the directions."""
        del site
        source = self.source()
        cell = source.window.lattice.cell
        values = aspects(source.values, cell, flat=self.params.flat, threads=self.threads)
        meaning = "direction of fall, clockwise from north"
        return Solution(None, (self.made(values, meaning, "degrees", blends=False),))
