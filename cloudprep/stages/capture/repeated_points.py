"""Points that were delivered more than once."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

import numpy as np

from cloudprep.kernels.repeats import repeats
from cloudprep.model.delta import Summary
from cloudprep.model.figures import Figure
from cloudprep.stages.base import Scope, Solution, Stage, StageParams
from cloudprep.stages.capture._by_flight import FLIGHT, named

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

    Counts = NDArray[np.int64]

# Places closer than this are the same, m: files hardly ever store finer steps than ten times that, and the
# same place in files with different offsets differs by a millionth of it.
_STEP = 1e-5
# Copies in another flight may round to the other side of a block's edge.
_REACH = 0.001


class RepeatedPointsParams(StageParams):
    """Parameters of :class:`RepeatedPoints`: there are none."""


class RepeatedPoints(Stage):
    """Count points that are there more than once. Changes nothing.

    Two points are the same if x, y and z are (to a hundredth of a millimetre), and the GPS time and the
    return number where flights carry them (USGS Lidar Base Specification: duplicates have the same place and
    the same time). Exact: all points are compared. Copies that were moved a little aren't found.

    Figures, each of the run and of every flight: ``repeated.within_share``, points that the same flight has
    once more already (of three copies two count), as a share of its points; ``repeated.between_share``,
    points that another flight has as well: where it is 1 the whole flight was delivered twice.
    """

    name = "repeated_points"
    kind = "capture"
    Params = RepeatedPointsParams
    scope = Scope.CLOUD
    needs = ("x", "y", "z", FLIGHT)
    uses = ("gps_time", "return_number")
    reports: ClassVar[tuple[Figure, ...] | None] = (
        Figure(
            "repeated.within_share",
            "",
            "points that the same flight has once more already, of all",
            per_flight=True,
        ),
        Figure(
            "repeated.between_share", "", "points that another flight has as well, of all", per_flight=True
        ),
    )
    summarises = True
    references = (
        "USGS Lidar Base Specification: point duplication (same x, y, z and time), from memory",
        "ASPRS LAS 1.4-R15, return number",
    )
    # 65 were measured, 100 where every point is there twice.
    bytes_per_point = 112

    params: RepeatedPointsParams

    def reach(self) -> float:
        """Return how far copies can lie apart, by rounding."""
        return _REACH

    def summarise(self, points: Points, context: Context) -> Summary:
        """Count the points of each flight, further copies among them, and those that other flights have."""
        columns = [np.rint(points[axis] / _STEP).astype(np.int64) for axis in "xyz"]
        if "gps_time" in points:
            columns.append((points["gps_time"] + 0.0).view(np.int64))  # no -0.0
        if "return_number" in points:
            columns.append(points["return_number"].astype(np.int64))
        flight = points[FLIGHT]
        core = context.core
        found: dict[int, Counts] = {}
        counted = np.bincount(flight[core]) if core.any() else np.zeros(0, np.int64)
        for one in np.flatnonzero(counted).tolist():
            found[one] = np.array([counted[one], 0, 0])
        rows, key = repeats(columns, flight)
        if len(rows) == 0:
            return Summary(found)
        own, of = core[rows], flight[rows].astype(np.int64)
        # A flight's own copies are in the same block: their coordinates are the same numbers.
        again = np.zeros(len(rows), bool)
        again[1:] = (key[1:] == key[:-1]) & (of[1:] == of[:-1])
        lowest, highest = (
            end.reduceat(of, np.flatnonzero(np.diff(key, prepend=-1)))[key]
            for end in (np.minimum, np.maximum)
        )
        for place, which in ((1, again & own), (2, (lowest != highest) & own)):
            for one, number in enumerate(np.bincount(of[which]).tolist()):
                if number:
                    found[one][place] += number
        return Summary(found)

    def merge(self, parts: Sequence[Mapping[int, Counts]]) -> dict[int, Counts]:
        """Add counts."""
        found: dict[int, Counts] = {}
        for part in parts:
            for flight, counts in part.items():
                found[flight] = found[flight] + counts if flight in found else counts
        return found

    def solve(self, merged: Mapping[int, Counts], site: SiteFacts) -> Solution:
        """Work out the figures."""
        each = {flight: _figures(counts) for flight, counts in sorted(merged.items())}
        together = _figures(sum(merged.values(), np.zeros(3, np.int64)))
        lines = []
        inside = [flight for flight, counts in merged.items() if counts[1]]
        if inside:
            number = sum(int(merged[flight][1]) for flight in inside)
            lines.append(f"{number:,} points are there once more already, in {named(site, inside)}")
        shared = [flight for flight, counts in merged.items() if counts[2]]
        if shared:
            worst = max(each[flight]["repeated.between_share"] for flight in shared)
            whole = ": was a flight delivered twice?" if worst > 0.5 else ""
            lines.append(
                f"flights have the same points, up to {worst:.1%} of one ({named(site, shared)}){whole}"
            )
        return Solution(None, figures=together, flight_figures=each, warnings=tuple(lines))


def _figures(counts: Counts) -> dict[str, float]:
    points = max(1, int(counts[0]))
    return {
        "repeated.within_share": int(counts[1]) / points,
        "repeated.between_share": int(counts[2]) / points,
    }
