"""Ground by progressive morphological openings of the lowest heights."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from cloudprep.kernels.progressive import ground_surface, height_thresholds, window_sizes
from cloudprep.stages.base import (
    ClassCodes,
    Context,
    Delta,
    Points,
    Scope,
    Solution,
    Stage,
    StageParams,
    Summary,
    parameter,
)
from cloudprep.stages.ground._labels import (
    NEEDED,
    USED,
    Returns,
    ground_figures,
    keep_classes_parameter,
    labelled,
    returns_parameter,
    usable_points,
)
from cloudprep.stages.ground._lowest import (
    CELL_DERIVED,
    NOTHING_USABLE,
    CellRaster,
    fitting_cell,
    joined_lowest,
    lowest_heights,
    raster_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.cell_summary import CellGrid
    from cloudprep.model.figures import Figure
    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

_ZHANG = "Zhang et al. 2003"

# Gaps of up to this many point spacings to either side are bridged; what is wider is outside the data.
_GAP_SPACINGS = 3.0


class ProgressiveGroundParams(StageParams):
    """Parameters of :class:`ProgressiveGround`."""

    cell: float | None = parameter(
        None,
        unit="m",
        gt=0,
        meaning="side of the cells of which only the lowest point counts at first",
        derived=CELL_DERIVED,
    )
    growth: Literal["linear", "geometric"] = parameter(
        "linear",
        meaning="windows of 2 k b + 1 cells (linear) or 2 b^k + 1 cells (geometric), k = 1, 2, ...",
        source=_ZHANG,
    )
    base: int = parameter(
        1,
        ge=1,
        le=100,
        meaning="the base b of the windows' growth, a whole number; at least 2 where the growth is geometric",
        source="measured: steps of one cell to a side tell roofs from slopes best",
    )
    largest_window: float = parameter(
        60.0,
        unit="m",
        gt=0,
        meaning="the largest window; must exceed the shorter side of the largest building",
        source="50 to 100 m for industrial areas, secondary source on " + _ZHANG,
    )
    slope: float = parameter(
        0.3,
        gt=0,
        le=10,
        meaning="terrain slope, rise over run, that a step to the next window may follow",
        source=_ZHANG + "; the value is measured on reference samples",
    )
    initial_threshold: float = parameter(
        0.3,
        unit="m",
        gt=0,
        meaning="height above the surface that still is ground on level terrain: about the height noise",
        source=_ZHANG + " (0.2 to 0.3 m, from memory)",
    )
    largest_threshold: float = parameter(
        2.5,
        unit="m",
        gt=0,
        meaning="no window may cut off more than this from ground: about the height of the lowest building",
        source=_ZHANG + "; common start value",
    )
    rejoin: bool = parameter(
        True,
        meaning="take back cells that were cut off, but continue the ground; false is the paper's filter",
        source="measured: brings back crests and quarry edges",
    )
    keep_classes: ClassCodes = keep_classes_parameter()
    returns: Returns = returns_parameter()

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.growth == "geometric" and self.base < 2:
            raise ValueError(
                "'base' must be at least 2 where 'growth' is geometric: else the windows don't grow"
            )
        if self.largest_threshold < self.initial_threshold:
            raise ValueError("'largest_threshold' must not be below 'initial_threshold'")
        return self


@dataclass(frozen=True)
class _Ground:
    """The ground of the site: where the raster lies, its heights (from a base level) and tolerances."""

    raster: CellRaster
    height: NDArray[np.float32]
    tolerance: NDArray[np.float32]


class ProgressiveGround(Stage):
    """Ground classification by the progressive morphological filter.

    The lowest points of the cells of one lattice form a surface, which is opened with growing windows. A cell
    that an opening lowers by more than the window's threshold holds an object; what is left carries the
    ground, and the cells in between are continued by planes. A point is ground (class 2) if it lies no
    higher above that surface than ``initial_threshold`` plus what the surface rises there over one cell (the
    paper's own threshold, for a step of one cell). Lengths are in metres.

    A point on that surface becomes ground whatever class it had, unless ``keep_classes`` names the class.
    Points that are not ground become class 1 if they were 0, 1 or 2, and keep any other class. Noise (7, 18),
    withheld points and ``keep_classes`` are neither used nor changed; returns before the last are not used
    and never ground.

    Three things differ from the paper. It labels each cell's lowest point; here every point is compared with
    the surface. Windows count only cells that the data cover, so roofs don't creep into gaps. And cells that
    were cut off, but continue the ground, are taken back (``rejoin``), because openings also cut crests.

    Known weak points: large roofs that run parallel to the slope they stand on are taken for ground (of a
    made-up roof of 50 x 40 m, 8 m above a slope of 0.2, 81 %; a lower ``slope`` keeps it out), and so are
    plants no higher than the threshold.

    References
    ----------
    K. Zhang et al., "A progressive morphological filter for removing nonground measurements from airborne
    LIDAR data", IEEE Transactions on Geoscience and Remote Sensing 41(4), 872-882, 2003.
    """

    name: ClassVar[str] = "progressive_ground"
    reports: ClassVar[tuple[Figure, ...]] = ()
    kind: ClassVar[str] = "ground"
    Params: ClassVar[type[StageParams]] = ProgressiveGroundParams
    params: ProgressiveGroundParams
    scope: ClassVar[Scope] = Scope.CLOUD
    needs: ClassVar[tuple[str, ...]] = NEEDED
    uses: ClassVar[tuple[str, ...]] = USED
    provides: ClassVar[tuple[str, ...]] = ("classification",)
    summarises: ClassVar[bool] = True
    references: ClassVar[tuple[str, ...]] = (
        (
            "K. Zhang, S.-C. Chen, D. Whitman, M.-L. Shyu, J. Yan, C. Zhang, A progressive morphological "
            "filter for removing nonground measurements from airborne LIDAR data, IEEE Transactions on "
            "Geoscience and Remote Sensing 41(4), 2003"
        ),
    )
    bytes_per_point: ClassVar[int] = 80

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the cell size for the site's point spacing."""
        if self.params.cell is not None:
            return {}, {}
        cell, reason = fitting_cell(site)
        return {"cell": cell}, {"cell": reason}

    def reach(self) -> float:
        """Return 0: the surface is worked out for the site, and points are compared with nothing else."""
        return 0.0

    @property
    def _cell(self) -> float:
        assert self.params.cell is not None  # noqa: S101 - a resolved stage
        return self.params.cell

    def _usable(self, points: Points) -> NDArray[np.bool_]:
        """Return which points may be ground."""
        return usable_points(points, self.params.keep_classes, self.params.returns)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return the lowest height in each cell of the lattice, from the block's usable points."""
        used = self._usable(points) & context.core
        return Summary(lowest_heights(points, used, context.site, self._cell, self.name))

    def merge(self, parts: Sequence[CellGrid]) -> CellGrid:
        """Join the lowest heights of all blocks."""
        return joined_lowest(parts, self._cell, self.name)

    def solve(self, merged: CellGrid, site: SiteFacts) -> Solution:
        """Open the surface of lowest heights and return what is left of it."""
        if merged.values.size == 0:
            return Solution(warnings=(NOTHING_USABLE,))
        p = self.params
        windows = window_sizes(
            geometric=p.growth == "geometric", base=p.base, cell=self._cell, largest=p.largest_window
        )
        raster, lowest = raster_of(merged, site, self._cell)
        surface = ground_surface(
            lowest,
            cell=self._cell,
            gap=max(2, math.ceil(_GAP_SPACINGS * site.spacing / self._cell)),
            windows=windows,
            thresholds=height_thresholds(
                windows,
                cell=self._cell,
                slope=p.slope,
                initial=p.initial_threshold,
                largest=p.largest_threshold,
            ),
            initial=p.initial_threshold,
            rejoin=p.rejoin,
        )
        return Solution(_Ground(raster, surface.height, surface.tolerance))

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the points by their height above the ground surface."""
        del context
        usable = self._usable(points)
        ground = np.zeros(len(points), bool)
        if solution is not None and solution.value is not None and usable.any():
            ground[usable] = self._on_ground(points.take(usable), solution.value)
        return Delta({"classification": labelled(points, ground, usable, self.params.keep_classes)})

    def _on_ground(self, points: Points, ground: _Ground) -> NDArray[np.bool_]:
        above = points["z"] - ground.raster.level - ground.raster.at(ground.height, points)
        return above <= ground.raster.at(ground.tolerance, points)

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Return how many points are ground, and their share of all points."""
        return ground_figures(moves)
