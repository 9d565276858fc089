"""Whether the returns of each flight's pulses make sense."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

import numpy as np

from cloudprep.model.delta import Summary
from cloudprep.model.figures import Figure
from cloudprep.stages.base import Scope, Solution, Stage, StageParams
from cloudprep.stages.capture._by_flight import FLIGHT, core_of, flights_in, named

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

    Counts = NDArray[np.int64]

_MOST = 16


class ReturnNumbersParams(StageParams):
    """Parameters of :class:`ReturnNumbers`: there are none."""


class ReturnNumbers(Stage):
    """Count returns by number, flight by flight: what can't be, and what is missing. Changes nothing.

    A return number lies between 1 and the number of returns of its pulse (ASPRS LAS 1.4). ``invalid`` points
    break that rule.

    Every pulse of n returns has one point with each number from 1 to n, so in a complete file points "k of n"
    are as many for every k. Where they aren't, returns were lost: at least as many as all k together have
    fewer than the k that has most. (Pulses that lost different returns hide each other, so more may be
    missing.) It takes counts only, no order of points and no times; a file that was cut along a line, or
    thinned, has lost some.

    Figures, each of the run and of every flight: ``returns.invalid_share`` of all points,
    ``returns.missing_share`` of the returns that there should be at least, ``returns.first_share``,
    ``returns.last_share`` and ``returns.single_share`` of all points, ``returns.most``, the largest number of
    returns of a pulse.

    Withheld points and noise count as well; stray points don't.
    """

    name = "return_numbers"
    kind = "capture"
    Params = ReturnNumbersParams
    scope = Scope.CLOUD
    needs = ("x", "y", "z", "return_number", "number_of_returns", FLIGHT)
    reports: ClassVar[tuple[Figure, ...] | None] = (
        Figure(
            "returns.invalid_share",
            "",
            "points whose return number is 0 or above their number of returns, of all",
            per_flight=True,
        ),
        Figure(
            "returns.missing_share",
            "",
            "returns that pulses lack, of those there should be at least",
            per_flight=True,
        ),
        Figure("returns.first_share", "", "first returns, of all points", per_flight=True),
        Figure("returns.last_share", "", "last returns, of all points", per_flight=True),
        Figure("returns.single_share", "", "points that are return 1 of 1, of all", per_flight=True),
        Figure("returns.most", "", "largest number of returns of a pulse", per_flight=True),
    )
    summarises = True
    references = ("ASPRS LAS 1.4-R15, point data record format 6: return number, number of returns",)
    bytes_per_point = 24

    params: ReturnNumbersParams

    def summarise(self, points: Points, context: Context) -> Summary:
        """Count the points of each flight by return number and number of returns."""
        number, of, flight = core_of(points, context, "return_number", "number_of_returns", FLIGHT)
        key = np.minimum(number, _MOST - 1).astype(np.int64) * _MOST + np.minimum(of, _MOST - 1)
        found: dict[int, Counts] = {}
        for one, mine in flights_in(flight):
            found[one] = np.bincount(key[mine], minlength=_MOST**2).reshape(_MOST, _MOST)
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
        together = _figures(sum(merged.values(), np.zeros((_MOST, _MOST), np.int64)))
        odd = [flight for flight, figures in each.items() if figures["returns.invalid_share"] > 0]
        warnings = []
        if odd:
            points = sum(_invalid(merged[flight]) for flight in odd)
            warnings.append(
                f"{points:,} points have a return number that can't be: 0, or above their number of returns, "
                f"in {named(site, odd)}"
            )
        return Solution(None, figures=together, flight_figures=each, warnings=tuple(warnings))


def _invalid(counts: Counts) -> int:
    number, of = np.indices(counts.shape)
    return int(counts[(number < 1) | (number > of)].sum())


def _figures(counts: Counts) -> dict[str, float | int]:
    """Return the figures of counts by return number (row) and number of returns (column)."""
    total = max(1, int(counts.sum()))
    there = missing = 0
    for of in range(1, _MOST):
        pulse = counts[1 : of + 1, of]
        pulses = int(pulse.max())
        there += of * pulses
        missing += of * pulses - int(pulse.sum())
    used = np.flatnonzero(counts.sum(axis=0))
    return {
        "returns.invalid_share": _invalid(counts) / total,
        "returns.missing_share": missing / there if there else 0.0,
        "returns.first_share": int(counts[1].sum()) / total,
        "returns.last_share": int(np.trace(counts[1:, 1:])) / total,
        "returns.single_share": int(counts[1, 1]) / total,
        "returns.most": int(used.max()) if len(used) else 0,
    }
