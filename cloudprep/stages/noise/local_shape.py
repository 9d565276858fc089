"""How the neighbours of every point are spread: one search that the other noise stages share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

from cloudprep.stages.base import Context, Delta, Points, Scope, Solution, Stage, StageParams, parameter
from cloudprep.stages.noise._local_shapes import NEIGHBOURS, SHAPE_COLUMNS, local_shapes
from cloudprep.stages.noise._spacings import in_spacings
from cloudprep.stages.noise._usable import LABELS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cloudprep.model.site import SiteFacts

_REACH_SPACINGS = 6.0
_REACH_LEAST = 1.0
_REACH_MOST = 100.0


class LocalShapeParams(StageParams):
    """Parameters of :class:`LocalShape`."""

    neighbours: int = parameter(
        NEIGHBOURS,
        ge=3,
        le=64,
        unit="points",
        meaning="how many nearest neighbours are looked at",
        source="8 to 12 are common practice, no source",
    )
    reach: float | None = parameter(
        None,
        gt=0,
        le=_REACH_MOST,
        unit="m",
        meaning="how far around a block is looked first; what lies alone is looked for farther, at a cost",
        derived="6 times the mean point spacing, at least 1 m",
    )


class LocalShape(Stage):
    """Work out once what the neighbours of every point look like; no label changes.

    For each point the nearest others are found, exactly and in the whole cloud (points that are noise already
    (classes 7 and 18) or withheld left out), and worked into columns for the stages that follow:

    - ``neighbour_distance``: mean distance to them, m;
    - ``roughness`` and ``extent``: standard deviations along the first and second of their principal axes,
      m. The axes are those of the point and of the neighbours nearer than the last one; a neighbour more than
      2.2 standard deviations off the plane is left out of it. A point that lies off the plane itself by more
      than three times the roughness counts for a rougher place: a third of its offset;
    - ``normal_x``, ``normal_y``, ``normal_z``: the first axis, pointing up; 0 where points lie on a line.

    Stages that use the columns work them out for themselves where this stage is missing.
    """

    name = "local_shape"
    reports = ()
    kind = "noise"
    Params = LocalShapeParams
    scope = Scope.CLOUD
    uses = LABELS
    provides = SHAPE_COLUMNS
    references = (
        (
            "H. Hoppe, T. DeRose, T. Duchamp, J. McDonald, W. Stuetzle, Surface reconstruction from "
            "unorganized points, SIGGRAPH (1992)"
        ),
    )
    bytes_per_point: ClassVar[int] = 150
    params: LocalShapeParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Derive how far to look first from the point spacing."""
        if self.params.reach is not None:
            return {}, {}
        reach, reason = in_spacings(site, _REACH_SPACINGS, _REACH_LEAST, _REACH_MOST)
        return {"reach": reach}, {"reach": reason}

    def reach(self) -> float:
        """Return how far around a block is looked first."""
        return float(self.params.reach or 0.0)

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Work out the columns."""
        del solution
        return Delta(local_shapes(points, context, self.params.neighbours))
