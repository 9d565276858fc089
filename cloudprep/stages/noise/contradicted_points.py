"""Points where another flight line saw empty space: dust, stray points, and what moved."""

from __future__ import annotations

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
from cloudprep.stages.noise._contradicted import CONTRADICTED, Kind, Lengths, contradicted, kinds_of
from cloudprep.stages.noise._local_shapes import SHAPE_COLUMNS
from cloudprep.stages.noise._places import Places, joined_places, places_in_words, places_of
from cloudprep.stages.noise._spacings import in_spacings
from cloudprep.stages.noise._usable import LABELS, relabelled, withheld_parameter

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

_CODE = "contradiction"
_KIND = "contradicted_kind"
_RADIUS_SPACINGS = 3.0
_RADIUS_LEAST = 0.5
_BALL_SPACINGS = 4.0
_BALL_LEAST = 2.0
_LENGTH_MOST = 50.0
# Thin objects are not hit by every line unless points lie closer than this, m.
_STRAY_SPACING = 0.5
# A larger share of what two lines cover is no noise but lines that don't fit together.
_MOST = 0.1


class ContradictedParams(StageParams):
    """Parameters of :class:`ContradictedPoints`."""

    clear: float = parameter(
        0.5,
        gt=0,
        le=10,
        unit="m",
        meaning="how far below a point the other line must have seen everything; more than lines disagree by",
        source="measured on simulated scenes",
    )
    radius: float | None = parameter(
        None,
        gt=0,
        le=_LENGTH_MOST,
        unit="m",
        meaning="how far around a point, in plan, the other line is asked",
        derived="3 times the mean point spacing, at least 0.5 m",
        source="measured on simulated scenes",
    )
    company: float | None = parameter(
        None,
        gt=0,
        le=_LENGTH_MOST,
        unit="m",
        meaning="radius of the ball in which contradicted points are looked at together",
        derived="4 times the mean point spacing, at least 2 m",
        source="measured on simulated scenes",
    )
    highest: float = parameter(
        6.0,
        gt=0,
        unit="m",
        meaning="clouds higher above what the other line saw are left alone: crowns reach over what it saw",
        source="measured on simulated scenes",
    )
    moving: bool = parameter(
        False, meaning="label vehicles and people that only one line saw as high noise too"
    )
    withheld: bool = withheld_parameter()


class _Share(NamedTuple):
    """How many points another line covers, and how many of them it contradicts."""

    covered: int
    contradicted: int


class ContradictedPoints(Stage):
    """Label points where another flight line saw through: dust and stray points that came and went.

    Where two flight lines (``point_source_id``) cover a place, what one of them saw standing there must be
    seen by the other too, unless it was not there then. A point is contradicted if within ``radius`` (m) in
    plan the other lines have at least eight points, on all four sides of it, and all of them lie more than
    ``clear`` (m) below it; what is more than 2 m above it (a crown, a bridge) says nothing. It counts only
    where its surroundings agree, in a ball of radius ``company`` (m): no point of another line and hardly any
    of its own that is not contradicted too (a fifth of those that are), save those clearly lower. Then it is

    - a stray point, if it has at most one other with it. These become high noise (18) only where points lie
      closer than 0.5 m on average: in thinner clouds a wire, a pole or a bush is missed by a whole line;
    - part of a cloud (dust, rain), if there are at least five, at least 1.5 m wide and 1 m high, of which at
      most 0.3 lie smoothly (roughness up to 0.15 spacings, at least 0.06 m). These become high noise (18), up
      to ``highest`` (m) above the ground that the other line saw, and a warning tells where they are;
    - otherwise something that moved: a vehicle, a person, a bird. It is a true measurement, so it keeps its
      class, and the run record says how many points there are; ``moving`` labels it as well.

    Where more than a tenth of what two lines cover is contradicted, the lines don't fit together: nothing is
    labelled, and a warning says so. Without flight lines, or with only one, nothing happens.

    Not found is what lies lower than ``clear``, and dust among plants. A crown whose edge leans over ground
    that only the other line saw is the first to be lost. Points that are noise already (classes 7 and 18) or
    withheld are left out.
    """

    name = "contradicted_points"
    reports = (
        Figure(
            "noise.lines_contradict_share",
            "",
            "share of the ground seen twice where flight lines contradict each other",
        ),
        Figure(
            "noise.contradicted_cloud_points", "", "points of clouds that another flight line saw through"
        ),
        Figure("noise.moved_points", "", "points of things that moved between flight lines"),
        Figure(
            "noise.contradicted", "", "points that became noise because another flight line contradicts them"
        ),
    )
    kind = "noise"
    Params = ContradictedParams
    scope = Scope.CLOUD
    uses = (*LABELS, *SHAPE_COLUMNS, "point_source_id")
    provides = LABELS
    summarises = True
    revisits = True
    references = (
        # What a beam passed through was empty.
        (
            "W. Xiao, B. Vallet, M. Bredif, N. Paparoditis, Street environment change detection from mobile "
            "laser scanning point clouds, ISPRS Journal of Photogrammetry and Remote Sensing 107 (2015)"
        ),
    )
    bytes_per_point: ClassVar[int] = 140
    params: ContradictedParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Derive lengths from the point spacing."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        for name, times, least in (
            ("radius", _RADIUS_SPACINGS, _RADIUS_LEAST),
            ("company", _BALL_SPACINGS, _BALL_LEAST),
        ):
            if getattr(self.params, name) is None:
                values[name], reasons[name] = in_spacings(site, times, least, _LENGTH_MOST)
        return values, reasons

    def _lengths(self, site: SiteFacts) -> Lengths:
        p = self.params
        assert p.radius is not None and p.company is not None  # noqa: S101, PT018 - a resolved stage
        return Lengths(site.spacing, p.clear, p.radius, p.company, p.highest)

    def reach(self) -> float:
        """Return how far the other lines are asked, or company is looked for."""
        return float(max(self.params.radius or 0.0, self.params.company or 0.0))

    def summarise(self, points: Points, context: Context) -> Summary:
        """Ask the other lines about every point of the block."""
        code, covered = contradicted(points, context, self._lengths(context.site))
        mine = context.core & ((code & CONTRADICTED) > 0)
        share = _Share(int((context.core & covered).sum()), int(mine.sum()))
        return Summary(share, {_CODE: code})

    def merge(self, parts: Sequence[_Share]) -> _Share:
        """Add up the shares."""
        return _Share(sum(p.covered for p in parts), sum(p.contradicted for p in parts))

    def solve(self, merged: _Share, site: SiteFacts) -> Solution:
        """Tell whether the lines fit together."""
        del site
        share = merged.contradicted / merged.covered if merged.covered else 0.0
        figures = {"noise.lines_contradict_share": share}
        if share > _MOST:
            warning = (
                f"flight lines contradict each other at {100 * share:.0f} % of the "
                f"points that two of them cover, so nothing was labelled; do their heights agree?"
            )
            return Solution(False, (), figures, (warning,))
        return Solution(merged.contradicted > 0, (), figures, revisit=merged.contradicted > 0)

    def revisit(self, points: Points, context: Context, solution: Solution) -> Summary:
        """Return where the block's clouds and moved things are, and what each point is."""
        del solution
        kind = kinds_of(points, points[_CODE], context, self._lengths(context.site))
        kind[~context.core] = Kind.NOTHING
        places = places_of(points, kind == Kind.CLOUD), places_of(points, kind == Kind.MOVED)
        return Summary(places, {_KIND: kind})

    def merge_revisits(self, parts: Sequence[tuple[Places, Places]]) -> tuple[Places, Places]:
        """Join the places."""
        return joined_places([p[0] for p in parts]), joined_places([p[1] for p in parts])

    def settle(self, merged: tuple[Places, Places], solution: Solution, site: SiteFacts) -> Solution:
        """Report what was found, and where."""
        clouds, moved = merged
        figures = {
            **solution.figures,
            "noise.contradicted_cloud_points": clouds.total,
            "noise.moved_points": moved.total,
        }
        warnings = []
        if clouds.told:
            where = places_in_words(clouds, site.origin)
            warnings.append(f"dust or rain that only one flight line saw, labelled as noise: {where}")
        if moved.told and self.params.moving:
            where = places_in_words(moved, site.origin)
            warnings.append(
                f"vehicles, people or other things that only one flight line saw, labelled as noise: {where}"
            )
        return Solution(solution.value, (), figures, tuple(warnings))

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label clouds, stray points and, if wanted, what moved."""
        del solution
        # Without a second look nothing is.
        kind = points[_KIND] if _KIND in points else np.zeros(len(points), np.uint8)
        noise = kind == Kind.CLOUD
        if context.site.spacing <= _STRAY_SPACING:
            noise |= kind == Kind.STRAY
        if self.params.moving:
            noise |= kind == Kind.MOVED
        return Delta(relabelled(points, np.zeros_like(noise), noise, withheld=self.params.withheld))

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Count the points labelled."""
        return {"noise.contradicted": moves.gained(NOISE_CODES)}
