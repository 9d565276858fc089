"""Shapeless clumps in photogrammetric clouds: smears at the edges of roofs, and what floats near things."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

import numpy as np

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
from cloudprep.stages.noise._smeared import Lengths, smear_reach, smeared, times_and_colour
from cloudprep.stages.noise._spacings import in_spacings
from cloudprep.stages.noise._usable import LABELS, relabelled, usable, withheld_parameter

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

_COLOURS = ("red", "green", "blue")
_CLEAR_SPACINGS = 4.0
_CLEAR_LEAST = 0.4
_RADIUS_SPACINGS = 2.5
_COMPANY_SPACINGS = 10.0
_COMPANY_LEAST = 1.0
_LENGTH_MOST = 50.0
# A larger share of the points is no noise but a cloud of another kind.
_MOST = 0.02


class EdgeSmearParams(StageParams):
    """Parameters of :class:`EdgeSmear`."""

    clear: float | None = parameter(
        None,
        gt=0,
        le=_LENGTH_MOST,
        unit="m",
        meaning="how far below a clump a surface must be seen, at least",
        derived="4 times the mean point spacing, at least 0.4 m",
        source="measured on simulated scenes",
    )
    radius: float | None = parameter(
        None,
        gt=0,
        le=_LENGTH_MOST,
        unit="m",
        meaning="how far around a point, in plan, surfaces below it are looked for",
        derived="2.5 times the mean point spacing, at least 0.01 m",
        source="measured on simulated scenes",
    )
    company: float | None = parameter(
        None,
        gt=0,
        le=_LENGTH_MOST,
        unit="m",
        meaning="no neighbour that has a say is farther away",
        derived="10 times the mean point spacing, at least 1 m",
    )
    only_matched: bool = parameter(
        True,
        meaning="look only at clouds that were matched from images: coloured, no pulse with more than one "
        "return, no pulse times; false looks at every cloud, and in lidar takes crowns",
    )
    withheld: bool = withheld_parameter()


class _Share(NamedTuple):
    """What a block says of the cloud: range of pulse times, whether coloured, and how many points."""

    first: float
    last: float
    coloured: bool
    points: int


class _Found(NamedTuple):
    """Whether to look, and at how many points in all; after the second look whether to label."""

    look: bool
    points: int


class EdgeSmear(Stage):
    """Label shapeless clumps in the air of a photogrammetric cloud: smears beyond the edges of roofs.

    Matched images show the highest surface and hide what lies below it. So what has no surface of its own,
    and still lets another be seen below, was made up by the matching: it smears the edges of roofs, walls and
    things out into the air, where the background seen past them changes from image to image.

    The roughness of a point's neighbours as a share of their mean distance tells surfaces (0.1) from what
    fills space evenly (0.6). A point is shapeless if this share, as the mean over itself and its 16 nearest
    neighbours within ``company`` (m), is more than 0.22, its own more than 0.13; and if within ``radius`` (m)
    in plan at least 0.2 of the usual number of points of smooth surfaces lie more than ``clear`` (m) below.
    A point becomes high noise (18) if it is, or lies within three spacings of, a shapeless one, and with its
    32 nearest neighbours within ``company`` 0.7 of them are; but not where their colours are green (the
    middle of their normalised excess green is above 0.1): leaves have no surface either.

    Clouds other than photogrammetric ones are left alone, see ``only_matched``: laser pulses see the ground
    through crowns. And where more than 2 % of all points would be labelled, none is, and a warning says so.

    Not found is what lies within about 0.5 m of the roof itself or is as flat as a surface, and what hides
    the surface below it. The first to be lost are lattices, and points of a real edge inside a smear. Points
    that are noise already (classes 7 and 18) or withheld are left out.
    """

    name = "edge_smear"
    reports = (
        Figure("noise.smear_points", "", "points in shapeless clumps that were looked at"),
        Figure("noise.smeared", "", "points that became noise as smear"),
    )
    kind = "noise"
    Params = EdgeSmearParams
    scope = Scope.CLOUD
    uses = (*LABELS, *SHAPE_COLUMNS, "gps_time", *_COLOURS)
    provides = LABELS
    summarises = True
    revisits = True
    references = (
        # Whether neighbours lie on a surface or fill space, from their principal axes.
        (
            "M. Pauly, M. Gross, L. Kobbelt, Efficient simplification of point-sampled surfaces, "
            "IEEE Visualization (2002)"
        ),
        # The colours of leaves.
        (
            "D. M. Woebbecke, G. E. Meyer, K. Von Bargen, D. A. Mortensen, Color indices for weed "
            "identification under various soil, residue, and lighting conditions, Transactions of the ASAE "
            "38 (1995)"
        ),
    )
    bytes_per_point: ClassVar[int] = 150
    params: EdgeSmearParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Derive lengths from the point spacing."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        for name, times, least in (
            ("clear", _CLEAR_SPACINGS, _CLEAR_LEAST),
            ("radius", _RADIUS_SPACINGS, 0.01),
            ("company", _COMPANY_SPACINGS, _COMPANY_LEAST),
        ):
            if getattr(self.params, name) is None:
                values[name], reasons[name] = in_spacings(site, times, least, _LENGTH_MOST)
        return values, reasons

    def reach(self) -> float:
        """Return how far a verdict depends on other points."""
        return smear_reach(self.params.radius or 0.0, self.params.company or 0.0)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Say whether the block may be a part of a photogrammetric cloud; work out shapes if missing."""
        share = _Share(*times_and_colour(points, context.core), int((context.core & usable(points)).sum()))
        if has_shapes(points) or not self._may_look(context.site):
            return Summary(share)
        return Summary(share, local_shapes(points, context))

    def _may_look(self, site: SiteFacts) -> bool:
        """Tell whether the site's facts leave room for a photogrammetric cloud."""
        return not self.params.only_matched or not site.multiple_returns

    def merge(self, parts: Sequence[_Share]) -> _Share:
        """Join what the blocks say."""
        return _Share(
            min((p.first for p in parts), default=math.inf),
            max((p.last for p in parts), default=-math.inf),
            any(p.coloured for p in parts),
            sum(p.points for p in parts),
        )

    def solve(self, merged: _Share, site: SiteFacts) -> Solution:
        """Tell whether the cloud was matched from images."""
        matching = merged.coloured and merged.first >= merged.last
        look = merged.points > 0 and self._may_look(site) and (matching or not self.params.only_matched)
        return Solution(_Found(look, merged.points), revisit=look)

    def revisit(self, points: Points, context: Context, solution: Solution) -> int:
        """Count the block's points of smears."""
        del solution
        return int(self._smeared(points, context).sum())

    def merge_revisits(self, parts: Sequence[int]) -> int:
        """Add up the counts."""
        return sum(parts)

    def settle(self, merged: int, solution: Solution, site: SiteFacts) -> Solution:
        """Tell whether there are few enough of them for noise."""
        del site
        figures = {"noise.smear_points": merged}
        share = merged / solution.value.points
        if share > _MOST:
            warning = (
                f"edge_smear: {100 * share:.0f} % of the points are shapeless with a surface below, too many "
                f"for noise, so none was labelled; was the cloud scanned?"
            )
            return Solution(_Found(look=False, points=solution.value.points), (), figures, (warning,))
        return Solution(_Found(merged > 0, solution.value.points), (), figures)

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the smears of the block."""
        assert solution is not None  # noqa: S101 - the contract gives every summarising stage its solution
        smear = np.zeros(len(points), np.bool_)
        if solution.value.look:
            smear = self._smeared(points, context)
        return Delta(relabelled(points, np.zeros_like(smear), smear, withheld=self.params.withheld))

    def _smeared(self, points: Points, context: Context) -> NDArray[np.bool_]:
        """Return the points of the block that belong to smears."""
        found = np.zeros(len(points), np.bool_)
        rows = np.flatnonzero(usable(points) & ~np.isnan(points["roughness"]))
        if len(rows) == 0:
            return found
        p = self.params
        assert p.clear is not None and p.radius is not None and p.company is not None  # noqa: S101, PT018 - a resolved stage
        lengths = Lengths(context.site.spacing, p.clear, p.radius, p.company)
        found[rows] = smeared(points.take(rows), context.core[rows], lengths, context)
        return found

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Count the points labelled."""
        return {"noise.smeared": moves.gained(NOISE_CODES)}
