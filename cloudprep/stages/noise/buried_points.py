"""Points under a surface that is seen all around above them: echoes from below, pits, mirror images."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

import numpy as np

from cloudprep.kernels.neighbours_figures import Histogram, histogram_of, joined, quantile_of
from cloudprep.model.classes import ClassCode
from cloudprep.model.figures import Figure
from cloudprep.stages.base import (
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
from cloudprep.stages.noise._buried import Measures, buried, buried_reach
from cloudprep.stages.noise._local_shapes import SHAPE_COLUMNS, has_shapes, local_shapes
from cloudprep.stages.noise._usable import LABELS, relabelled, usable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

# The noise of surfaces: this quantile of the roughness, at most so many times that lower one, and at most
# this share of the spacing.
_NOISE_QUANTILE = 0.3
_NOISE_LOW_QUANTILE = 0.1
_NOISE_LOW_TIMES = 1.4
_NOISE_MOST = 0.35
# Neighbourhoods so much wider than rough lie on a surface; there the spacing is measured.
_FLAT = 4.0
_LEVEL = 0.35
_DEPTH_SPACINGS = 0.5
_RADIUS_SPACINGS = 2.5
_RADIUS_MOST = 50.0


class BuriedParams(StageParams):
    """Parameters of :class:`BuriedPoints`."""

    depth: float | None = parameter(
        None,
        gt=0,
        le=100,
        unit="m",
        meaning="how far below a surface points must lie, at least",
        derived="half the mean point spacing; where surfaces are rough more (see the description)",
        source="measured on simulated scenes",
    )
    radius: float | None = parameter(
        None,
        gt=0,
        le=_RADIUS_MOST,
        unit="m",
        meaning="how far around a point surfaces above it are looked for, in plan",
        derived="2.5 times the mean point spacing",
        source="measured on simulated scenes",
    )
    withheld: bool = parameter(False, meaning="set the withheld flag of buried points too")


class _Share(NamedTuple):
    """What a block adds to the cloud's figures: roughness, and mean distances on surfaces."""

    roughness: Histogram
    distance: Histogram


class BuriedPoints(Stage):
    """Low noise: points that lie under a surface which is seen on all sides above them.

    Light comes from above: under a surface that is densely seen nothing can be, save what came by a detour
    (multipath), what stereo matching made up, or a mirror image under water or glass. So each point is
    compared with the trusted surfaces in a column around it: points whose neighbours lie on a plane
    (roughness up to 2.5 times the noise of the site's surfaces, within 0.15 to 0.45 spacings), with 23 others
    in that plane within nine spacings. Each is continued along its slope.

    A point becomes low noise (7) if within ``radius`` (m)

    - trusted points lie above it in all four quadrants, at least four and 0.4 of the usual number. Above
      means by ``depth`` (m), by 8 times the noise, and by 6 times their own roughness;
    - they are at least 1.5 times as many as those on its level, and level and below together are less than
      0.35 of the usual number: nothing solid lies there;
    - nothing stands under it: points clearly below it are less than 0.3 of the trusted ones above, farther
      around (as below);
    - within four times ``radius``, at least 3 m, and three times as far where the surface is more than 2 m
      above it, trusted points on its level are no more than 0.02 of those above, unless they are buried
      themselves, and points of any kind on its level or below no more than 0.3: the ground goes on under a
      bridge, between roofs or under grass, and is kept.

    A point that is trusted itself (a mirror image is a surface) needs at least as many above it as on its
    level. Where little is trusted nearby (forest, water), all four quadrants are looked at as far as twelve
    times ``radius``, and nearly nothing, trusted or not, may lie on the point's level or below; and something
    must be right above it, so that a real pit, which is open to the sky, stays (unless there are no more than
    three other points that low: a floor is seen by more). Shallow pits are left to
    the rule below: looser ones here, that found more of them (91 instead of 87 % of made-up ones) took
    2.5 % of the ground under made-up high grass, and twice as much of a reference sample's ground.

    Trusted points are buried, and no ground that goes on, with at least four others above them in all
    quadrants and at least as many as on their level, if they lie more than three spacings below those and
    little lies below; and so is, as deep, what has more buried than other trusted points on its level within
    ``radius``: a mirror image has a rim, and is seen through holes. Then clumps are taken to their rim:
    buried is, asked three times, what has within ``radius`` at least four buried points on its level (within
    twice ``depth``), and these are half of all points there. Over a pit in a sparse cloud hardly
    anything is trusted, but points lie on the plane of what is around. So a point no more than three
    spacings deep is buried, too, if half of the trusted points within four times ``radius``, in all four
    quadrants, are continued to about one height above it; points of any kind lie on their plane around it
    (their middle within 0.3 of ``radius``); and those below it are no more than a quarter of those on it,
    and no longer in plan than a pit, nor narrow as a ditch is. Beside the wall of a real hollow the plane is
    seen on one side only.

    Nothing is needed but coordinates and the shapes of neighbourhoods (see ``local_shape``). Points that are
    noise already (classes 7 and 18) or withheld are left out. Not found are points shallower than ``depth``,
    and those beside the edge of the data or of a roof.
    """

    name = "buried_points"
    reports = (
        Figure("noise.surface_noise", "m", "roughness of surfaces"),
        Figure("noise.buried", "", "points that became noise below a surface"),
    )
    kind = "noise"
    Params = BuriedParams
    scope = Scope.CLOUD
    uses = (*LABELS, *SHAPE_COLUMNS)
    provides = LABELS
    summarises = True
    references = (
        # Errors below the ground and why they must go first.
        (
            "G. Sithole, G. Vosselman, Experimental comparison of filter algorithms for bare-Earth "
            "extraction from airborne laser scanning point clouds, ISPRS Journal of Photogrammetry and "
            "Remote Sensing 59 (2004)"
        ),
    )
    bytes_per_point: ClassVar[int] = 160
    params: BuriedParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Derive lengths from the point spacing."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        spacing = max(site.spacing, site.resolution, 1e-3)
        if self.params.depth is None:
            values["depth"] = min(_DEPTH_SPACINGS * spacing, 100.0)
            reasons["depth"] = f"half the mean point spacing of {spacing:.3g} m"
        if self.params.radius is None:
            values["radius"] = min(_RADIUS_SPACINGS * spacing, _RADIUS_MOST)
            reasons["radius"] = f"{_RADIUS_SPACINGS:g} times the mean point spacing of {spacing:.3g} m"
        return values, reasons

    @property
    def _radius(self) -> float:
        assert self.params.radius is not None  # noqa: S101 - a resolved stage
        return self.params.radius

    def reach(self) -> float:
        """Return how far trusted surfaces are looked for, and what they are trusted by."""
        return buried_reach(self._radius)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return the block's share of roughness and spacing; and the shapes, where they are missing."""
        scratch = {} if has_shapes(points) else local_shapes(points, context)
        shapes = points.replaced(scratch)
        rough, extent = shapes["roughness"], shapes["extent"]
        known = context.core & usable(points) & ~np.isnan(rough)
        flat = known & (extent > _FLAT * rough) & (shapes["normal_z"] >= _LEVEL)
        share = _Share(
            histogram_of(rough[known].astype(np.float64)),
            histogram_of(shapes["neighbour_distance"][flat].astype(np.float64)),
        )
        return Summary(share, scratch)

    def merge(self, parts: Sequence[_Share]) -> _Share:
        """Join the histograms."""
        return _Share(joined(p.roughness for p in parts), joined(p.distance for p in parts))

    def solve(self, merged: _Share, site: SiteFacts) -> Solution:
        """Work out the noise of the site's surfaces and how densely they are seen."""
        spacing = max(site.spacing, site.resolution, 1e-3)
        noise, distance = 0.0, np.inf
        if len(merged.roughness.bins):
            noise = min(
                quantile_of(merged.roughness, _NOISE_QUANTILE),
                _NOISE_LOW_TIMES * quantile_of(merged.roughness, _NOISE_LOW_QUANTILE),
                _NOISE_MOST * spacing,
            )
        if len(merged.distance.bins):
            distance = quantile_of(merged.distance, 0.5)
        assert self.params.depth is not None  # noqa: S101 - a resolved stage
        measures = Measures(spacing, noise, distance, self._radius, self.params.depth)
        return Solution(measures, (), {"noise.surface_noise": float(noise)})

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the buried points of the block."""
        assert solution is not None  # noqa: S101 - the contract gives every summarising stage its solution
        low = np.zeros(len(points), np.bool_)
        rows = np.flatnonzero(usable(points) & ~np.isnan(points["roughness"]))
        if len(rows):
            low[rows] = buried(points, rows, context.core[rows], solution.value, context)
        return Delta(relabelled(points, low, np.zeros_like(low), withheld=self.params.withheld))

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Count the points labelled."""
        return {"noise.buried": moves.gained((ClassCode.LOW_NOISE,))}
