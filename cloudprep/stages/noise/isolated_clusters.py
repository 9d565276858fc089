"""Groups of points that hang in the air, or lie under everything."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from cloudprep.kernels.components_cells import may_be_among
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
from cloudprep.stages.noise._clusters import Share, joined_clusters, share_of_block
from cloudprep.stages.noise._floating import Rules, Verdict, floating
from cloudprep.stages.noise._spacings import in_spacings
from cloudprep.stages.noise._usable import LABELS, relabelled, withheld_parameter

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

_CELL = "cluster_cell"
_GAP_SPACINGS = 4.0
_GAP_LEAST = 1.0
_GAP_MOST = 100.0


class ClusterParams(StageParams):
    """Parameters of :class:`IsolatedClusters`."""

    gap: float | None = parameter(
        None,
        gt=0,
        le=_GAP_MOST,
        unit="m",
        meaning="points belong together if steps no longer than this lead from one to the other",
        derived="4 times the mean point spacing, at least 1 m",
        source="measured on simulated scenes",
    )
    widest: float = parameter(
        60.0,
        gt=0,
        unit="m",
        meaning="a group wider than this is real, unless it is thin",
        source="fog banks are smaller, and what carries a site is larger; no source",
    )
    clearance: float = parameter(
        4.0,
        ge=0,
        unit="m",
        meaning="a group no higher above the ground, a roof or a crown is kept",
        source="measured on simulated scenes",
    )
    below: bool = parameter(
        False,
        meaning="label groups below everything around them as low noise; in steep forest that takes ground",
        source="measured: half the ground of a made-up steep forest, where 3 % of the points lie on it",
    )
    withheld: bool = withheld_parameter()


class IsolatedClusters(Stage):
    """Label small groups of points that are separated from everything else: birds, dust, fog.

    Points belong together if steps of at most ``gap`` (m) lead from one to the other (single linkage, exact,
    across blocks). Such a group finds dense dust as well as a single bird. Groups wider than ``widest`` (m)
    that cover a tenth of its square carry the site and are trusted; if there is none, those with a tenth of
    the occupied cells are, unless points lie beneath 85 % of them. Of the others, these are kept:

    - surfaces at least 1.5 m wide (12 points, 40 % of the group lies smoothly; or 40 points and 25 %, if no
      points lie beneath half of it): roofs, islands, patches beyond a gap; no bird spreads so far;
    - lines (at least 8 m long, slender), pieces that lie on a line of pieces, and dashes (four cells in a
      row, 2 m and two cells long, no thicker than 0.025 of that): wires, masts. What has more than 6 cells
      and is thicker than 0.18 of its length, or more than 40 and is no strip, is no piece: of it only cells
      on a line of six others, six cells long, are kept: wires side by side, or in a flock;
    - crowns whose trunk was not seen: base at most 19 m above the ground and at most 0.6 of the top (0.8 if
      at least half as deep as wide), filled by at least 0.3 of the pulses;
    - what lies at most ``clearance`` (m) above the ground, a roof or a crown, or under one; away from all
      ground half a metre more is allowed for each metre;
    - poles: steps of at most 4.5 m lead up from the ground over cells right below.

    Where points lie closer than 0.25 m, a crowd (at least eight points, and 2.5 to a cell, with points
    beneath more than half of it) is kept for lying near something only if it is no higher than
    ``clearance`` above the ground; and its own cells make no line. One narrower than 1 m, a bird, is kept for
    lying on a line only if that is one of 8 m: a wire that is seen by a crowd goes on.

    A surface that hides nothing is no roof but a ghost, whatever else it looks like: points lie beneath 85 %
    of its cells and of those that have others on all four sides, and it has 40 points and is no strip. A
    quarter of it lies smoothly at least.

    What remains hangs in the air and becomes high noise (18). So do crowded cells of groups, surfaces apart,
    that hold 2.5 times the points a level surface would put into their cells: only dust is so dense.

    Groups of at most 10 m with everything around them and right above them at least 1 m higher become low
    noise (7) if ``below`` asks for it, unless they lie in one plane with six others between 3 m and 15 m
    away, or with ten close ones: ground under a canopy.

    Points that are noise already (classes 7 and 18) or withheld are left out altogether. Not found is noise
    within ``gap`` of something real, and a dust cloud that has the place and shape of a tree's crown.
    """

    name = "isolated_clusters"
    reports = (Figure("noise.isolated", "", "points that became noise as isolated clusters"),)
    kind = "noise"
    Params = ClusterParams
    scope = Scope.CLOUD
    uses = LABELS
    provides = LABELS
    summarises = True
    references = (
        (
            "R. Sibson, SLINK: an optimally efficient algorithm for the single-link cluster method, "
            "The Computer Journal 16 (1973)"
        ),
    )
    bytes_per_point: ClassVar[int] = 135
    params: ClusterParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Derive the gap from the point spacing."""
        if self.params.gap is not None:
            return {}, {}
        gap, reason = in_spacings(site, _GAP_SPACINGS, _GAP_LEAST, _GAP_MOST)
        return {"gap": gap}, {"gap": reason}

    def reach(self) -> float:
        """Return the gap: no link is longer."""
        return float(self.params.gap or 0.0)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Link the block's points and say what other blocks need to know of it."""
        share, cell = share_of_block(points, context, self.reach())
        return Summary([share], {_CELL: cell})

    def merge(self, parts: Sequence[list[Share]]) -> list[Share]:
        """Put the shares side by side; they are joined in ``solve``, where their order does not matter."""
        return [share for part in parts for share in part]

    def solve(self, merged: list[Share], site: SiteFacts) -> Solution:
        """Join the clusters across blocks and tell which of them float."""
        clusters = joined_clusters(merged, self.reach())
        return Solution(floating(clusters, Rules(self.params.widest, self.params.clearance, site.spacing)))

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the points in cells of noise."""
        del context
        assert solution is not None  # noqa: S101 - the contract gives every summarising stage its solution
        verdict: Verdict = solution.value
        cell = points[_CELL]
        low = np.zeros(len(points), np.bool_)
        high = np.zeros(len(points), np.bool_)
        if len(verdict.name):
            # Most points are no noise: they are spared the search.
            asked = np.flatnonzero(may_be_among(cell, verdict.name))
            rows = np.minimum(np.searchsorted(verdict.name, cell[asked]), len(verdict.name) - 1)
            noise = verdict.name[rows] == cell[asked]
            beneath = verdict.low[rows]
            low[asked] = noise & beneath & self.params.below
            high[asked] = noise & ~beneath
        return Delta(relabelled(points, low, high, withheld=self.params.withheld))

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Count the points labelled."""
        return {"noise.isolated": moves.gained(NOISE_CODES)}
