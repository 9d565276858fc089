"""Heights for small voids of the terrain model, marked as filled."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from cloudprep.kernels.interpolation_fill import nearest_fill, smooth_fill
from cloudprep.kernels.voids import at_the_rim, groups_of, rim_distance_fill, width_of
from cloudprep.model.figures import Figure
from cloudprep.stages.base import Scope, Solution, Stage, StageParams, parameter
from cloudprep.stages.surface.gridding import LEGEND, HeightSource

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts


class FillVoidsParams(StageParams):
    """Parameters of :class:`FillVoids`."""

    largest_area: float = parameter(
        400.0,
        ge=0,
        unit="m2",
        meaning="voids of a larger area (m2) stay empty",
        source="common practice, no source: a house, a dense thicket; not a pond",
    )
    largest_width: float = parameter(
        20.0,
        ge=0,
        unit="m",
        meaning="voids into which a wider circle fits stay empty",
        source="common practice, no source: a house, a dense thicket; not a pond",
    )
    method: Literal["membrane", "nearest", "inverse_distance"] = parameter(
        "membrane",
        meaning="membrane: stretched over the rim, each filled cell the mean of its neighbours; nearest: the "
        "height of the nearest cell of the rim; inverse_distance: mean of the rim, weighted by distance",
    )
    power: float = parameter(
        2.0, gt=0, le=20, meaning="inverse_distance: exponent of the distance", source="Shepard 1968"
    )


class FillVoids(Stage):
    """Fill small voids of ``dtm`` from their rims, and mark them in ``dtm_source`` (3: filled).

    A void is a group of cells without a height that hang together by their edges. One is filled if it has at
    most ``largest_area`` and no circle wider than ``largest_width`` fits in (to within about a cell), and if
    terrain encloses it: what reaches the raster's rim lies outside the survey, not in it. All other cells,
    measured or not, stay as they are. Filled heights are a guess that nothing supports, and the further from
    the rim, the more so. Run it before stages that need a terrain without holes; ``report_voids`` after it
    tells filled voids from open ones.

    The membrane makes no hill and no pit of its own (heights stay between those of the rim) but doesn't go on
    climbing where the ground around does; ``nearest`` leaves steps in the middle; ``inverse_distance`` draws
    towards the mean of the rim.

    Figures: ``voids.filled`` (how many), ``voids.filled_area`` (m2), ``voids.filled_widest`` (m), and how
    many enclosed ones were left open: ``voids.left``, ``voids.left_area`` (m2).
    """

    name = "fill_voids"
    reports = (
        Figure("voids.filled", "", "voids of the terrain that were filled"),
        Figure("voids.filled_area", "m2", "area of these"),
        Figure("voids.filled_widest", "m", "width of the widest of them"),
        Figure("voids.left", "", "enclosed voids that were left open"),
        Figure("voids.left_area", "m2", "area of these"),
    )
    kind = "relief"
    Params = FillVoidsParams
    scope = Scope.RASTER
    needs = ()
    grids = ("dtm", "dtm_source")
    reads = ("dtm", "dtm_source")
    references = (
        "Gortler et al. 1996, The lumigraph, Proc. SIGGRAPH 1996:43-54",
        "Shepard 1968, A two-dimensional interpolation function for irregularly-spaced data, Proc. ACM 23",
        "USGS Lidar Base Specification: voids inside a project are no-data unless a rule says otherwise",
    )
    # Measured: 22, copies of both rasters and the groups' numbers; what a single void takes comes on top.
    bytes_per_cell = 24

    params: FillVoidsParams

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Return both rasters, filled where that is allowed."""
        del site
        dtm, source = self.rasters["dtm"], self.rasters["dtm_source"]
        cell = dtm.window.lattice.cell
        heights, codes = dtm.values.copy(), source.values.copy()
        groups = groups_of(np.isnan(heights))
        open_ended = at_the_rim(groups)
        filled, left, widest = [], [], 0.0
        for number, (place, cells) in enumerate(zip(groups.places, groups.cells.tolist(), strict=True), 1):
            if open_ended[number - 1]:
                continue
            area = cells * cell * cell
            group = groups.labels[place] == number
            width = width_of(group) * cell if area <= self.params.largest_area else math.inf
            if width > self.params.largest_width:
                left.append(area)
                continue
            # One cell more to each side: the rim.
            around = (
                slice(place[0].start - 1, place[0].stop + 1),
                slice(place[1].start - 1, place[1].stop + 1),
            )
            whole = np.pad(group, 1)
            heights[around][whole] = self._fill(dtm.values[around], whole)[whole]
            codes[around][whole] = HeightSource.FILLED
            filled.append(area)
            widest = max(widest, width)
        figures: dict[str, float | int] = {
            "voids.filled": len(filled),
            "voids.filled_area": math.fsum(filled),
            "voids.filled_widest": widest,
            "voids.left": len(left),
            "voids.left_area": math.fsum(left),
        }
        legend = {**source.legend, int(HeightSource.FILLED): LEGEND[int(HeightSource.FILLED)]}
        made = replace(dtm, values=heights), replace(source, values=codes, legend=legend)
        return Solution(None, made, figures)

    def _fill(self, heights: NDArray[np.float64], group: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Return heights of a rectangle with one void in it filled; others may be filled too."""
        known = heights.astype(np.float64)
        if self.params.method == "inverse_distance":
            return rim_distance_fill(known, group, self.params.power)
        spread = nearest_fill if self.params.method == "nearest" else smooth_fill
        return spread(known, math.inf)
