"""Points whose neighbours lie unusually far away."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Literal, NamedTuple

import numpy as np

from cloudprep.kernels.neighbours_figures import (
    Histogram,
    Sums,
    exact_sums,
    exact_total,
    histogram_of,
    joined,
    mean_and_deviation,
    mean_of,
    median_and_spread,
)
from cloudprep.kernels.neighbours_lines import on_lines
from cloudprep.kernels.neighbours_search import nearest_rows
from cloudprep.kernels.neighbours_tree import build_tree
from cloudprep.model.classes import NOISE_CODES
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
from cloudprep.stages.noise._neighbour_distances import mean_distances
from cloudprep.stages.noise._outlier_surroundings import around_outliers, lone
from cloudprep.stages.noise._usable import LABELS, relabelled, usable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

    Floats = NDArray[np.float64]

_DISTANCE = "mean_neighbour_distance"
# Worked out by the stage local_shape.
_SHARED = "neighbour_distance"
# The median absolute deviation of a normal distribution, times this, is its standard deviation.
_NORMAL = 1.4826
# On a surface that is seen thinly, as a cliff is from above, the normal points no farther up than this, and
# roughness is no more of the mean distance. It is seen as thinly as by one pulse in a hundred: neighbours
# farther away than so many spacings, and thresholds, are other things that happen to lie in a plane.
_STEEP = 0.35
_SMOOTH = 0.1
_STEEP_FARTHEST = 2.0
_STEEP_SPACINGS = 20.0
# To a lone point a clump far away looks smooth, too: there the neighbours don't spread (share of the mean
# distance), and even the nearest is about as far away.
_SPREAD = 0.3
_STEEP_LONE = 0.7
# Lone points nearer than the threshold: so many spacings away from their neighbours (at least m: plants have
# gaps as wide), which spread no farther than this share of the mean distance.
_LONE_SPACINGS = 3.5
_LONE_LEAST = 0.5
_LONE_SPREAD = 0.27
_LONE_SHARE = 0.8
# A point of a pole that lies farther than so many thresholds, and spacings, from its neighbours has one of
# them close by, at this share of the mean distance: the next one down. A raindrop above another has none.
_POLE_FARTHEST = 1.5
_POLE_SPACINGS = 10.0
_POLE_NEXT = 0.4
# Where one pulse in a hundred reaches the ground under a canopy, its mean distance to ten others is 12
# spacings, 23 at most. What lies so many spacings, and thresholds, from its neighbours and below all is none.
_DEEP_SPACINGS = 30.0
_DEEP_THRESHOLDS = 1.5
# Lines are made of points above this share of the deviations: wires are, ground and leaves aren't.
_SPARSE = 0.3
_LINE_SPACINGS = 24.0
_LINE_NEIGHBOURS = 32
_LINE_WIDTH_SPACINGS = 0.35
_LINE_WIDTH_LEAST = 0.12
_LINE_LENGTH_SPACINGS = 7.0
_LINE_FARTHEST = 1.0
_POLE_RADIUS_LEAST = 0.3


class OutlierParams(StageParams):
    """Parameters of :class:`StatisticalOutliers`."""

    neighbours: int = parameter(
        10,
        ge=1,
        le=200,
        unit="points",
        meaning="how many nearest neighbours a point's mean distance is taken over",
        source="common practice (8 to 12), no source",
    )
    search: Literal["shared", "own"] = parameter(
        "shared",
        meaning="shared: take the distances of an earlier local_shape stage, with its number of neighbours, "
        "where there is one; own: always search",
    )
    deviations: float = parameter(
        20.0,
        gt=0,
        meaning="how many deviations above the middle a mean distance is an outlier",
        source="measured on simulated scenes; the common 2 to 3 take thin objects too",
    )
    spread: Literal["standard", "robust"] = parameter(
        "robust",
        meaning="standard: mean and standard deviation; robust: median and median absolute deviation",
    )
    keep_structures: bool = parameter(
        True, meaning="keep wires, poles and surfaces that are seen thinly; false is the plain test"
    )
    line_reach: float | None = parameter(
        None,
        gt=0,
        le=1000,
        unit="m",
        meaning="how far along a line its points are looked for, and how far around for comparing heights",
        derived="24 times the mean point spacing",
    )
    below: bool = parameter(
        False,
        meaning="label all outliers below everything around them as low noise, as the plain test does, and "
        "not only those farther from their neighbours than ground ever is; in steep forest that takes ground",
        source="measured: 0.9 % of the ground of a made-up steep forest, where 3 % of the points lie on it",
    )
    withheld: bool = parameter(False, meaning="set the withheld flag of outliers too")


class _Share(NamedTuple):
    """What a block adds to the cloud's figures."""

    distances: Sums
    histogram: Histogram
    heights: Sums


class _Figures(NamedTuple):
    """What the whole cloud says: above which mean distance a point is an outlier, and above which sparse."""

    threshold: float
    sparse: float
    mean_height: float
    line_width: float
    line_length: float
    pole_radius: float


class StatisticalOutliers(Stage):
    """Label points whose mean distance to their k nearest neighbours is unusually large for the cloud.

    A point is an outlier if its mean distance (m) lies above m + t s, where t is ``deviations``. With
    ``spread: standard``, m and s are the mean and the sample standard deviation (n - 1) of the mean distances
    of the whole cloud; with ``robust`` they are the median and 1.4826 times the median absolute deviation, to
    1 part in 16,000 of the median. They are figures of the whole cloud however it is cut into blocks, exact
    until they are rounded once. Points at the same place are neighbours at distance 0. Where s is 0 (all
    distances alike), nothing is an outlier. The distances are those that ``local_shape`` worked out, if it
    ran before.

    Points that are noise already (classes 7 and 18) or withheld are left out altogether: they are no
    neighbours, count in no figure and are not labelled.

    An outlier is high noise (18) unless at least seven eighths of the 16 horizontally nearest points (within
    ``line_reach``, those right above and below it left out) lie above it; without any such point it is
    compared with the cloud's mean height. Those below become low noise (7) only if ``below`` asks for it:
    ground under a dense canopy lies so, and other stages tell echoes from below from it.

    Wires, poles and surfaces that are seen thinly, as water is, are sparse too, and the plain test takes them
    first. ``keep_structures: false`` is the plain test; otherwise these outliers are kept:

    - on a line: looked at are the 32 nearest points within ``line_reach`` that are sparse as well (mean
      distance above m + 0.3 t s). A tube through the outlier (radius 0.35 spacings, at least 0.12 m) must
      hold at least four of them, clearly more than points spread evenly would put there; they must reach
      along 7 spacings, and as far as the nearest of them is away: from afar any clump looks like a line;
    - on a pole: steps of at most 4.5 m lead up from the ground over points right below (within 0.35 spacings,
      at least 0.3 m). Where the mean distance is above 1.5 times the threshold and 10 spacings, the nearest
      neighbour must be closer than 0.4 of it: one drop of rain above another is no pole;
    - on a steep surface, a cliff or a wall, where ``local_shape`` ran before: roughness up to 0.1 of the mean
      distance, upward part of the normal up to 0.35. A clump far away is none: extent below 0.3 of the mean
      distance, and the nearest neighbour at least 0.7 of it away. Nor is what lies farther from its
      neighbours than twice the threshold and 20 spacings;
    - on the level of what is around: three quarters of the 16 horizontally nearest points lie no farther
      above or below than 0.15 m and a quarter of their distance.

    With the shapes of ``local_shape`` at hand, an outlier is also what lies alone before a clump of others:
    mean distance above 3.5 spacings and 0.5 m, extent below 0.27 of it, and the nearest neighbour at least
    0.8 of it away. And those below that lie farther from their neighbours than 30 spacings and 1.5 times the
    threshold become low noise (7) without being asked for: where one pulse in a hundred reaches the ground
    under a canopy, its mean distance to ten others is 12 spacings, 23 at most.
    """

    name = "statistical_outliers"
    reports = (
        Figure("noise.distance_middle", "m", "median of the mean distances to neighbours"),
        Figure("noise.distance_spread", "m", "spread of the mean distances to neighbours"),
        Figure("noise.outliers", "", "points that became noise as outliers"),
    )
    kind = "noise"
    Params = OutlierParams
    scope = Scope.CLOUD
    uses = (*LABELS, _SHARED, "roughness", "extent", "normal_z")
    provides = LABELS
    summarises = True
    references = (
        # Outliers by the mean distance to the k nearest neighbours.
        (
            "R. B. Rusu, Z. C. Marton, N. Blodow, M. Dolha, M. Beetz, Towards 3D point cloud based object "
            "maps for household environments, Robotics and Autonomous Systems 56 (2008)"
        ),
        # The median absolute deviation.
        (
            "F. R. Hampel, The influence curve and its role in robust estimation, Journal of the American "
            "Statistical Association 69 (1974)"
        ),
    )
    bytes_per_point: ClassVar[int] = 110
    params: OutlierParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Derive how far to look along lines from the point spacing."""
        if self.params.line_reach is not None:
            return {}, {}
        reach = min(_LINE_SPACINGS * site.spacing, 1000.0)
        reason = f"{_LINE_SPACINGS:g} times the mean point spacing of {site.spacing:.3g} m"
        return {"line_reach": reach}, {"line_reach": reason}

    def reach(self) -> float:
        """Return how far a line is followed; the neighbours that count for the distances lie far nearer."""
        return float(self.params.line_reach or 0.0)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Measure the mean distances of the block's points, and what they add to the cloud's figures."""
        mask = context.core & usable(points)
        distance = _shared_distances(points)[mask] if self._shares(points) else None
        scratch = {}
        if distance is None:
            scratch[_DISTANCE] = distance = mean_distances(points, context, self.params.neighbours)
        known = distance[~np.isnan(distance)]
        robust = self.params.spread == "robust"
        share = _Share(
            Sums(len(known), 0, 0) if robust else exact_sums(known),
            histogram_of(known if robust else known[:0]),
            exact_total(points["z"][mask]),
        )
        return Summary(share, scratch)

    def _shares(self, points: Points) -> bool:
        """Tell whether the distances are those of an earlier stage."""
        return self.params.search == "shared" and _SHARED in points

    def merge(self, parts: Sequence[_Share]) -> _Share:
        """Join the shares; sums of whole numbers don't depend on the order."""
        return _Share(
            sum((p.distances for p in parts), start=Sums(0, 0, 0)),
            joined(p.histogram for p in parts),
            sum((p.heights for p in parts), start=Sums(0, 0, 0)),
        )

    def solve(self, merged: _Share, site: SiteFacts) -> Solution:
        """Work out above which mean distance a point is an outlier."""
        lengths = (
            max(_LINE_WIDTH_SPACINGS * site.spacing, _LINE_WIDTH_LEAST),
            _LINE_LENGTH_SPACINGS * site.spacing,
            max(_LINE_WIDTH_SPACINGS * site.spacing, _POLE_RADIUS_LEAST),
        )
        if merged.distances.size == 0:
            return Solution(_Figures(np.inf, np.inf, 0.0, *lengths))
        if self.params.spread == "standard":
            middle, spread = mean_and_deviation(merged.distances)
        else:
            middle, deviation = median_and_spread(merged.histogram)
            spread = _NORMAL * deviation
        threshold = middle + self.params.deviations * spread
        sparse = middle + _SPARSE * self.params.deviations * spread
        figures = {"noise.distance_middle": middle, "noise.distance_spread": spread}
        warnings: tuple[str, ...] = ()
        if spread == 0:
            threshold = np.inf
            warnings = ("statistical_outliers: all neighbour distances are alike, so nothing stands out",)
        height = mean_of(merged.heights)
        return Solution(_Figures(threshold, sparse, height, *lengths), (), figures, warnings)

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the outliers of the block."""
        assert solution is not None  # noqa: S101 - the contract gives every summarising stage its solution
        figures: _Figures = solution.value
        shared = self._shares(points)
        distance = _shared_distances(points) if shared else points[_DISTANCE]
        threshold, spacing = figures.threshold, context.site.spacing
        keep = self.params.keep_structures
        closest = max(_LONE_SPACINGS * spacing, _LONE_LEAST)
        looks_for_lone = keep and shared and np.isfinite(threshold)
        # Whatever is asked of points is asked of those that lie far from others: these few are looked at.
        at = np.flatnonzero(
            context.core & (distance > (min(threshold, closest) if looks_for_lone else threshold))
        )
        away = distance[at]
        outlier = away > threshold
        taken = usable(points)
        if keep and shared:
            extent = points["extent"][at]
            usual = max(_STEEP_FARTHEST * threshold, _STEEP_SPACINGS * spacing)
            steep = np.abs(points["normal_z"][at]) <= _STEEP
            steep &= (points["roughness"][at] <= _SMOOTH * away) & (away <= usual)
            beside = ~outlier & (away > closest) & (extent < _LONE_SPREAD * away) & looks_for_lone
            narrow = steep & (extent < _SPREAD * away) & (outlier | beside)
            # In one go over all points, though some of the steep ones will not be asked about.
            first, second = np.flatnonzero(beside), np.flatnonzero(narrow)
            close = np.concatenate([_LONE_SHARE * away[first], _STEEP_LONE * away[second]])
            alone = lone(points, at[np.concatenate([first, second])], close, self._looks(), taken)
            outlier[first] = alone[: len(first)]
            steep[second] = ~alone[len(first) :]
        if keep and outlier.any():
            outlier[outlier] = ~self._on_lines(
                points, at[outlier], distance > figures.sparse, figures, context
            )
        if keep and shared:
            outlier &= ~steep
        low = np.zeros(len(at), np.bool_)
        if outlier.any():
            around = around_outliers(points, at[outlier], self._looks(), context.threads, taken)
            low[outlier] = around.below(figures.mean_height)
            if keep:
                stands = around.on_poles(figures.pole_radius)
                usual = max(_POLE_FARTHEST * threshold, _POLE_SPACINGS * spacing)
                far = np.flatnonzero(stands & (away[outlier] > usual))
                rows = np.flatnonzero(outlier)[far]
                stands[far] = ~lone(points, at[rows], _POLE_NEXT * away[rows], self._looks(), taken)
                outlier[outlier] = ~(stands | around.on_level())
        beneath = low & outlier
        if keep and not self.params.below:
            deep = max(_DEEP_SPACINGS * spacing, _DEEP_THRESHOLDS * threshold)
            beneath &= shared & (away > deep)
        under, above = np.zeros((2, len(points)), np.bool_)
        under[at], above[at] = beneath, outlier & ~low
        return Delta(relabelled(points, under, above, withheld=self.params.withheld))

    def _on_lines(
        self,
        points: Points,
        outlier: NDArray[np.int64],
        sparse: NDArray[np.bool_],
        figures: _Figures,
        context: Context,
    ) -> NDArray[np.bool_]:
        """Return which outliers, given by their rows, lie on a line of sparse points."""
        # A lone point need not be sparse itself.
        if not sparse.any():
            return np.zeros(len(outlier), np.bool_)
        rows = np.flatnonzero(sparse)
        x, y, z = (points[axis][rows] for axis in "xyz")
        px, py, pz = (points[axis][outlier] for axis in "xyz")
        tree = build_tree(x, y, z, threads=context.threads)
        near = nearest_rows(tree, px, py, pz, _LINE_NEIGHBOURS, self._looks())
        width, length = figures.line_width, figures.line_length
        return on_lines(x, y, z, px, py, pz, near, width, length, farthest=_LINE_FARTHEST)

    def _looks(self) -> float:
        """Return how far neighbours are looked for: a hair less than the reach, to be safe from rounding."""
        return self.reach() * (1 - 1e-9)

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Count the outliers labelled."""
        return {"noise.outliers": moves.gained(NOISE_CODES)}


def _shared_distances(points: Points) -> Floats:
    """Return the distances that an earlier stage worked out; NaN at points that are not usable."""
    return np.where(usable(points), points[_SHARED], np.float32(np.nan)).astype(np.float64)
