"""Dust that lies on the ground, told from plants by how faintly it echoes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

import numpy as np

from cloudprep.kernels.columns_near import near_any
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
from cloudprep.stages.noise._local_shapes import SHAPE_COLUMNS, has_shapes, local_shapes
from cloudprep.stages.noise._places import Places, joined_places, places_in_words, places_of
from cloudprep.stages.noise._spacings import in_spacings
from cloudprep.stages.noise._usable import LABELS, relabelled, usable, withheld_parameter

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

_ROUGH = "rough_place"
_FAINT = "faint_cloud"
_ROUGH_SPACINGS = 0.15
_ROUGH_LEAST = 0.06
_REACH_SPACINGS = 4.0
_REACH_LEAST = 2.0
_REACH_MOST = 50.0
_NEIGHBOURS = 8
_LEAST = 4
_SHARE = 0.6
# Narrower groups (second standard deviation as a share of the first) are wires and edges.
_WIDE = 0.3
# Steps of the histogram to a doubling of intensity.
_STEPS = 64
_MIDDLE, _UPPER = 0.5, 0.84


class FaintParams(StageParams):
    """Parameters of :class:`FaintClouds`."""

    reach: float | None = parameter(
        None,
        gt=0,
        le=_REACH_MOST,
        unit="m",
        meaning="how far around a faint point others are looked at",
        derived="4 times the mean point spacing, at least 2 m",
        source="measured on simulated scenes",
    )
    deviations: float = parameter(
        3.5,
        gt=0,
        meaning="how many deviations below the middle of plants an echo is faint",
        source="measured on simulated scenes",
    )
    label: bool = parameter(
        True, meaning="label faint clouds as high noise; false only reports where they are"
    )
    withheld: bool = withheld_parameter()


class FaintThreshold(NamedTuple):
    """Below which base-2 logarithm of intensity an echo is faint; minus infinity: intensity tells nothing."""

    below: float


class FaintClouds(Stage):
    """Label clouds of dust by their faint echoes, wherever they are; without telling intensities do nothing.

    Dust that touches the ground has the shape of bushes. Its echoes are fainter, as each drop or grain sends
    back little of the pulse. Looked at are the points that lie roughly (roughness above 0.15 spacings and
    0.06 m): plants, edges, thin objects and dust. The middle m of the logarithms of their intensities and the
    deviation s above it (from the median to the 84th percentile, which dust does not touch) set what is
    faint: below m - t s, where t is ``deviations``. A faint point becomes high noise (18) if among the eight
    rough points next to it within ``reach`` (m), at least four, 0.6 are faint too, and these lie in no narrow
    line (second standard deviation at least 0.3 of the first), as wires and their faint echoes do.

    A warning tells where clouds were found. Where intensity tells nothing (one distribution for all), nothing
    falls below the threshold. Not found is dust of which half of all rough points are made, and where plants
    or wet and dark things are as faint; mixed echoes of dust and ground look like ground. Points that are
    noise already (classes 7 and 18) or withheld are left out.
    """

    name = "faint_clouds"
    reports = (
        Figure("noise.faint_cloud_points", "", "points of faint clouds that were looked at"),
        Figure("noise.faint", "", "points that became noise as faint clouds"),
    )
    kind = "noise"
    Params = FaintParams
    scope = Scope.CLOUD
    uses = (*LABELS, *SHAPE_COLUMNS, "intensity")
    provides = LABELS
    summarises = True
    revisits = True
    references = (
        # Airborne particles by their intensity and their neighbours.
        (
            "J.-I. Park, J. Park, K.-S. Kim, Fast and accurate desnowing algorithm for LiDAR point clouds, "
            "IEEE Access 8 (2020)"
        ),
    )
    bytes_per_point: ClassVar[int] = 120
    params: FaintParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Derive how far to look from the point spacing."""
        if self.params.reach is not None:
            return {}, {}
        reach, reason = in_spacings(site, _REACH_SPACINGS, _REACH_LEAST, _REACH_MOST)
        return {"reach": reach}, {"reach": reason}

    def reach(self) -> float:
        """Return how far around a faint point others are looked at."""
        return float(self.params.reach or 0.0)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Count the intensities of rough places."""
        rough = np.zeros(len(points), np.bool_)
        if "intensity" in points and len(points):
            shapes = points if has_shapes(points) else points.replaced(local_shapes(points, context))
            limit = max(_ROUGH_SPACINGS * context.site.spacing, _ROUGH_LEAST)
            rough = context.core & usable(points) & (shapes["roughness"] > limit) & (points["intensity"] > 0)
        counts = np.zeros(16 * _STEPS + 1, np.int64)
        if rough.any():
            bins = np.floor(np.log2(points["intensity"][rough].astype(np.float64)) * _STEPS).astype(np.int64)
            counts += np.bincount(bins, minlength=len(counts))
        return Summary(counts, {_ROUGH: rough})

    def merge(self, parts: Sequence[NDArray[np.int64]]) -> NDArray[np.int64]:
        """Add up the counts."""
        total: NDArray[np.int64] = np.stack(parts).sum(axis=0)
        return total

    def solve(self, merged: NDArray[np.int64], site: SiteFacts) -> Solution:
        """Work out below which intensity an echo is faint."""
        del site
        total = int(merged.sum())
        if total == 0:
            return Solution(FaintThreshold(-np.inf))
        sums = np.cumsum(merged)
        middle, upper = (
            (int(np.searchsorted(sums, share * total)) + 0.5) / _STEPS for share in (_MIDDLE, _UPPER)
        )
        below = middle - self.params.deviations * (upper - middle)
        # Nothing may lie below: then there is no second look.
        any_below = upper > middle and int(merged[: max(int(below * _STEPS), 0)].sum()) > 0
        return Solution(FaintThreshold(below if any_below else -np.inf), revisit=any_below)

    def revisit(self, points: Points, context: Context, solution: Solution) -> Summary:
        """Return where the block's faint clouds are, and which points they are."""
        faint = self._faint(points, context, solution)
        return Summary(places_of(points, faint), {_FAINT: faint})

    def merge_revisits(self, parts: Sequence[Places]) -> Places:
        """Join the places."""
        return joined_places(parts)

    def settle(self, merged: Places, solution: Solution, site: SiteFacts) -> Solution:
        """Report what was found, and where."""
        figures = {"noise.faint_cloud_points": merged.total}
        warnings: tuple[str, ...] = ()
        if merged.told:
            done = "labelled as noise" if self.params.label else "not labelled"
            where = places_in_words(merged, site.origin)
            warnings = (f"what echoes as faintly as dust, {done}: {where}",)
        return Solution(solution.value, (), figures, warnings)

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the faint clouds of the block."""
        del context, solution
        # Without a second look there are none.
        label = self.params.label and _FAINT in points
        faint = points[_FAINT] if label else np.zeros(len(points), np.bool_)
        return Delta(relabelled(points, np.zeros_like(faint), faint, withheld=self.params.withheld))

    def _faint(self, points: Points, context: Context, solution: Solution) -> Mask:
        """Return the points of the block that belong to faint clouds."""
        found = np.zeros(len(points), np.bool_)
        threshold: FaintThreshold = solution.value
        if not np.isfinite(threshold.below) or "intensity" not in points:
            return found
        rows = np.flatnonzero(points[_ROUGH] & usable(points))
        dark = np.log2(points["intensity"][rows].astype(np.float64)) < threshold.below
        asked = rows[dark & context.core[rows]]
        if len(asked) == 0:
            return found
        reach = self.reach()
        close = near_any(points["x"], points["y"], points["x"][asked], points["y"][asked], reach)[rows]
        rows, dark = rows[close], dark[close]
        asked = np.flatnonzero(dark & context.core[rows])
        at = np.stack([points[axis][rows] for axis in "xyz"], axis=1)
        x, y, z = at.T.copy()
        tree = build_tree(x, y, z, threads=context.threads)
        reach *= 1 - 1e-9
        near = nearest_rows(tree, x[asked], y[asked], z[asked], _NEIGHBOURS, reach)
        there = near >= 0
        fellow = there & dark[near]
        many = (there.sum(axis=1) >= _LEAST) & (fellow.sum(axis=1) >= _SHARE * there.sum(axis=1))
        many[many] = _wide(at[near[many]] - at[asked[many]][:, None], fellow[many])
        found[rows[asked[many]]] = True
        return found

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Count the points labelled."""
        return {"noise.faint": moves.gained(NOISE_CODES)}


def _wide(off: Floats, taken: Mask) -> Mask:
    """Tell which groups are no narrow lines, from the offsets of their points and which of them count."""
    off = np.where(taken[:, :, None], off, 0.0)
    count = taken.sum(axis=1) + 1  # the point itself is one of them, at offset 0
    mean = off.sum(axis=1) / count[:, None]
    spread = np.einsum("nka,nkb->nab", off, off) / count[:, None, None] - mean[:, :, None] * mean[:, None, :]
    deviations = np.sqrt(np.maximum(np.linalg.eigvalsh(spread), 0.0))
    wide: Mask = deviations[:, 1] >= _WIDE * deviations[:, 2]
    return wide
