"""Whether the times of each flight's points can be what its header says."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, NamedTuple

import numpy as np

from cloudprep.kernels.sampled_values import Sampled, joined_samples, sample_of
from cloudprep.model.delta import Summary
from cloudprep.model.figures import Figure
from cloudprep.model.gps_time import EARLIEST, LATEST, SECONDS_OF_WEEK
from cloudprep.stages.base import Scope, Solution, Stage, StageParams
from cloudprep.stages.capture._by_flight import FLIGHT, core_of, flights_in, named

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.site import FlightFacts, SiteFacts
    from cloudprep.stages.base import Context, Points

# Different times of a flight that are looked at: a share of them is known to 1.6 points then.
_SAMPLE = 4096
# A range of whole seconds that a mask is made for; longer ones are sorted.
_LONGEST = 10_000_000


class GpsTimesParams(StageParams):
    """Parameters of :class:`GpsTimes`: there are none."""


class Times(NamedTuple):
    """What is known of the times of some points of a flight.

    Parameters
    ----------
    points, without : int
        Points, and those that have no time: 0, or no finite number.
    several : bool
        Whether any of them is of a pulse with several returns.
    first, last : float
        Range of the times that there are, s.
    outside_week, implausible : int
        How many of those can't be seconds of the week, and how many can't be adjusted standard time.
    seconds : ndarray of int64, shape (k,)
        Whole seconds in which there are points, ascending.
    pulses : Sampled
        Times of first returns, and how many first returns have each.
    """

    points: int
    without: int
    several: bool
    first: float
    last: float
    outside_week: int
    implausible: int
    seconds: NDArray[np.int64]
    pulses: Sampled


class GpsTimes(Stage):
    """Look at the times of each flight's points. Changes nothing.

    ``times.missing_share``: points without a time (0, or no finite number). A cloud that was matched from
    images has none, and that is right (ASPRS LAS 1.4: such systems write 0), so there it is 0: a flight
    counts as one where it carries colours, no pulse has several returns, and no point has a time. A coloured
    scan of single returns that lost all its times can't be told from one.

    ``times.wrong_share``: times that can't be of the kind that the header's flag says, as a share of all
    points. Seconds of the week lie between 0 and 604,800; adjusted standard times lie within a century of
    1980. Times under the flag of adjusted time that could all be seconds of the week count as wrong: they
    would be of the week after 14 September 2011, and a wrong flag is likelier.

    ``times.repeated_share``: times that several pulses share, as a share of all different times; a time
    should tell each pulse from the others (USGS Lidar Base Specification). First returns are looked at, and
    of flights with more than 4,096 different times so many of them, chosen by their bits.

    ``times.span`` (s), from the first to the last; ``times.longest_gap`` (s), whole seconds in a row without
    a point. Turns between flight lines are gaps too.

    ``times.missing_share`` and ``times.wrong_share`` are given of the run as well. Flights without any time
    have no other figures. Where a flight has no field for times at all, times of the other flights of the
    run aren't looked at either, which is said. That points of a file come in the order of their times is
    asked by no standard; it isn't looked at.
    """

    name = "gps_times"
    kind = "capture"
    Params = GpsTimesParams
    scope = Scope.CLOUD
    needs = ("x", "y", "z", FLIGHT)
    uses = ("gps_time", "return_number", "number_of_returns")
    reports: ClassVar[tuple[Figure, ...] | None] = (
        Figure(
            "times.missing_share", "", "points without a time that should have one, of all", per_flight=True
        ),
        Figure(
            "times.wrong_share",
            "",
            "times that can't be of the kind the header says, of all points",
            per_flight=True,
        ),
        Figure(
            "times.repeated_share",
            "",
            "times that several pulses share, of all different times",
            per_flight=True,
            per_run=False,
        ),
        Figure("times.span", "s", "from the first time to the last", per_flight=True, per_run=False),
        Figure(
            "times.longest_gap",
            "s",
            "longest stretch of whole seconds without a point",
            per_flight=True,
            per_run=False,
        ),
    )
    summarises = True
    references = (
        "ASPRS LAS 1.4-R15, global encoding bit 0, GPS time, aggregate model systems",
        "USGS Lidar Base Specification, data processing and handling: a unique time for each pulse",
        "Bar-Yossef et al., Counting distinct elements in a data stream, RANDOM 2002",
    )
    bytes_per_point = 64

    params: GpsTimesParams

    def summarise(self, points: Points, context: Context) -> Summary:
        """Count the times of each flight's points."""
        (flight,) = core_of(points, context, FLIGHT)
        first = several = np.zeros(len(flight), bool)
        if "return_number" in points:
            first = core_of(points, context, "return_number")[0] <= 1
        if "number_of_returns" in points:
            several = core_of(points, context, "number_of_returns")[0] > 1
        if "gps_time" not in points:
            found = {one: _without_field(several[mine]) for one, mine in flights_in(flight)}
            return Summary(found)
        (times,) = core_of(points, context, "gps_time")
        return Summary(
            {one: _seen(times[mine], first[mine], several[mine]) for one, mine in flights_in(flight)}
        )

    def merge(self, parts: Sequence[Mapping[int, Times]]) -> dict[int, Times]:
        """Join what blocks saw."""
        by_flight: dict[int, list[Times]] = {}
        for part in parts:
            for flight, times in part.items():
                by_flight.setdefault(flight, []).append(times)
        return {flight: _joined(times) for flight, times in by_flight.items()}

    def solve(self, merged: Mapping[int, Times], site: SiteFacts) -> Solution:
        """Work out the figures."""
        each: dict[int, dict[str, float]] = {}
        missing = wrong = total = 0
        looked_at = "gps_time" in site.columns
        unseen = []
        for flight, times in sorted(merged.items()):
            facts = site.flight(flight)
            if not looked_at and "gps_time" in facts.columns:
                unseen.append(flight)
                continue
            without = 0 if _matched(times, facts) else times.without
            odd = _wrong(times, facts)
            each[flight] = _figures(times, without, odd)
            missing, wrong, total = missing + without, wrong + odd, total + times.points
        figures = {}
        if total:
            figures = {"times.missing_share": missing / total, "times.wrong_share": wrong / total}
        return Solution(None, figures=figures, flight_figures=each, warnings=_warnings(each, unseen, site))


def _without_field(several: NDArray[np.bool_]) -> Times:
    nothing = np.zeros(0, np.int64)
    count = len(several)
    sampled = Sampled(np.zeros(0, np.uint64), nothing)
    return Times(count, count, bool(several.any()), np.inf, -np.inf, 0, 0, nothing, sampled)


def _seen(times: NDArray[np.float64], first: NDArray[np.bool_], several: NDArray[np.bool_]) -> Times:
    there = np.isfinite(times) & (times != 0)
    nothing = _without_field(several)
    if not there.any():
        return nothing
    pulses = sample_of(times[there & first], _SAMPLE)
    times = times[there]
    return Times(
        len(there),
        len(there) - len(times),
        nothing.several,
        float(times.min()),
        float(times.max()),
        int(np.count_nonzero((times < 0) | (times > SECONDS_OF_WEEK))),
        int(np.count_nonzero((times < EARLIEST) | (times > LATEST))),
        _whole_seconds(times),
        pulses,
    )


def _whole_seconds(times: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the whole seconds in which there are times, ascending; absurd ones are put at the ends."""
    whole = np.floor(np.clip(times, -(2.0**52), 2.0**52)).astype(np.int64)
    low, high = int(whole.min()), int(whole.max())
    if high - low > _LONGEST:
        return np.unique(whole)
    mask = np.zeros(high - low + 1, bool)
    mask[whole - low] = True
    return np.flatnonzero(mask) + low


def _joined(parts: Sequence[Times]) -> Times:
    return Times(
        sum(part.points for part in parts),
        sum(part.without for part in parts),
        any(part.several for part in parts),
        min(part.first for part in parts),
        max(part.last for part in parts),
        sum(part.outside_week for part in parts),
        sum(part.implausible for part in parts),
        np.unique(np.concatenate([part.seconds for part in parts])),
        joined_samples([part.pulses for part in parts], _SAMPLE),
    )


def _matched(times: Times, facts: FlightFacts) -> bool:
    """Tell whether a flight was matched from images, and so has no times."""
    return times.without == times.points and not times.several and "red" in facts.columns


def _wrong(times: Times, facts: FlightFacts) -> int:
    """Return how many times can't be of the kind that the header says."""
    if not facts.adjusted_time:
        return times.outside_week
    there = times.points - times.without
    return there if there and not times.outside_week else times.implausible


def _figures(times: Times, without: int, odd: int) -> dict[str, float]:
    figures = {"times.missing_share": without / times.points, "times.wrong_share": odd / times.points}
    if len(times.seconds):
        figures["times.span"] = times.last - times.first
        figures["times.longest_gap"] = float(max(0, np.diff(times.seconds).max(initial=1) - 1))
    if len(times.pulses.counts):
        figures["times.repeated_share"] = float(np.mean(times.pulses.counts > 1))
    return figures


def _warnings(each: Mapping[int, Mapping[str, float]], unseen: list[int], site: SiteFacts) -> tuple[str, ...]:
    lines = []
    for figure, words in (
        ("times.missing_share", "points without a GPS time"),
        ("times.wrong_share", "GPS times that can't be of the kind that the header says"),
    ):
        odd = [flight for flight, figures in each.items() if figures[figure] > 0]
        if odd:
            worst = max(each[flight][figure] for flight in odd)
            lines.append(f"{words}: up to {worst:.2%}, in {named(site, odd)}")
    if unseen:
        lines.append(
            f"times of {named(site, unseen)} were not looked at: other flights have no field for them"
        )
    return tuple(lines)
