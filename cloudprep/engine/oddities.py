"""What is odd about a flight, in words: what people trip over later if nobody tells them now."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.engine.reference import ASSUMED_METRES, GEOGRAPHIC
from cloudprep.engine.stray import plausible_band
from cloudprep.engine.tally import DENSITY_CELL
from cloudprep.engine.times import SECONDS_OF_WEEK, is_plausible
from cloudprep.model.classes import ClassCode, class_name

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cloudprep.engine.tally import Tally
    from cloudprep.io.las import Flight

__all__ = ["oddities"]

_ADJUSTED_TIME = 1 << 0
_EIGHT_BITS = 255
_FIRST_MODERN_FORMAT = 6
# Coarser steps than this hide the roughness of hard ground (2 to 5 cm). Common practice, no source.
_COARSE_STEP = 0.05
# With fewer points in a cell on average, many empty cells are not gaps.
_FEW_IN_CELL = 4


def oddities(flight: Flight, tally: Tally) -> Iterator[str]:
    """Yield what is odd about a flight, one line each.

    Parameters
    ----------
    flight : Flight
        The opened file.
    tally : Tally
        Counts over all its points.
    """
    yield from flight.warnings
    yield from flight.crs.warnings
    if flight.crs.geographic:
        yield GEOGRAPHIC
    elif flight.crs.wkt is None and flight.crs.horizontal_unit is None:
        yield ASSUMED_METRES.removeprefix("carries ")
    if tally.points == 0:
        return
    yield from _about_places(flight, tally)
    yield from _about_counts(flight, tally)
    yield from _about_returns(tally)
    yield from _about_classes(flight, tally)
    yield from _about_times(flight, tally)
    yield from _about_values(tally)


def _about_places(flight: Flight, tally: Tally) -> Iterator[str]:
    low, high = tally.corner(tally.lowest), tally.corner(tally.highest)
    if low is None or high is None:
        return
    for axis, k in (("x", 0), ("y", 1), ("z", 2)):
        # Writers round the box their own way: two steps are no contradiction.
        slack = 2 * flight.scales[k]
        stated = flight.header_min[k], flight.header_max[k]
        if not (abs(stated[0] - low[k]) <= slack and abs(stated[1] - high[k]) <= slack):
            yield (
                f"the header says {axis} from {stated[0]:.10g} to {stated[1]:.10g}; "
                f"the points lie from {low[k]:.10g} to {high[k]:.10g}"
            )
    yield from _about_far_points(flight, tally, low, high)
    if tally.cells and tally.points < _FEW_IN_CELL * tally.cells and tally.points > 100:
        yield f"the points lie so far apart that density and spacing (in {DENSITY_CELL:g} m cells) are rough"
    yield from _about_steps(flight, tally)


def _about_far_points(
    flight: Flight, tally: Tally, low: tuple[float, ...], high: tuple[float, ...]
) -> Iterator[str]:
    if flight.crs.geographic:
        return
    plan = flight.crs.horizontal_unit or 1.0
    units = (plan, plan, flight.crs.vertical_unit or plan)
    sample = tally.sample
    places: list[str] = []
    for axis, k in (("x", 0), ("y", 1), ("z", 2)):
        band = plausible_band(sample[:, k] * units[k], height=k == 2)
        outside = [v for v in (low[k], high[k]) if not band.low <= v * units[k] <= band.high]
        places += [f"{axis} {v:.10g}" for v in outside]
    if places:
        yield (
            f"some points lie far from the rest ({', '.join(places)}): a run labels them noise "
            "and uses them for nothing"
        )


def _about_steps(flight: Flight, tally: Tally) -> Iterator[str]:
    for axis, k in (("x", 0), ("y", 1), ("z", 2)):
        metres = (flight.crs.vertical_unit if k == 2 else flight.crs.horizontal_unit) or 1.0
        step = float(tally.steps[k]) * flight.scales[k]
        if flight.crs.geographic and k < 2:
            continue
        if tally.steps[k] == 0:
            if tally.points > 1:
                yield f"all points have the same {axis}"
        elif step * metres > _COARSE_STEP * 1.0000001 and tally.points > 100:
            yield f"{axis} only takes steps of {step:.6g}, coarser than the noise of a good scan"


def _about_counts(flight: Flight, tally: Tally) -> Iterator[str]:
    header = flight.header
    stated = header.by_return if header.by_return is not None else header.legacy_by_return
    counted = tally.returns.sum(axis=1)[1 : len(stated) + 1]
    if any(stated) and not np.array_equal(stated, counted):
        said, real = (", ".join(f"{n:,}" for n in numbers[:5]) for numbers in (stated, counted))
        yield f"the header's numbers of points by return are wrong: it says {said}; there are {real}"


def _about_returns(tally: Tally) -> Iterator[str]:
    if tally.odd_returns:
        yield (
            f"{tally.odd_returns:,} points have a return number that can't be: "
            "0, or above their number of returns"
        )
    if tally.returns[1, 1] == tally.points:
        yield (
            "every point is return 1 of 1: image matching, or a scan exported without its returns; "
            "ground under plants can't be told by returns"
        )


def _about_classes(flight: Flight, tally: Tally) -> Iterator[str]:
    legacy = flight.point_format < _FIRST_MODERN_FORMAT
    for code in np.flatnonzero(tally.classes).tolist():
        if class_name(code, flight.point_format).startswith("reserved"):
            modern = class_name(code)
            meant = f"; from format 6 on it means {modern}" if legacy and modern != "reserved" else ""
            yield (
                f"class {code} is reserved in point format {flight.point_format}{meant} "
                f"({tally.classes[code]:,} points)"
            )
    never = int(tally.classes[ClassCode.NEVER_CLASSIFIED])
    if 0 < never < tally.points:
        yield f"{never:,} points were never classified (class 0) beside others that were"


def _about_times(flight: Flight, tally: Tally) -> Iterator[str]:
    if "gps_time" in flight.columns and tally.without_time:
        which = (
            "no point has" if tally.without_time == tally.points else f"{tally.without_time:,} points lack"
        )
        yield f"{which} a GPS time"
    found = tally.ranges.get("gps_time")
    if found is None:
        return
    adjusted = bool(flight.header.encoding & _ADJUSTED_TIME)
    if not all(is_plausible(s, adjusted=adjusted) for s in found):
        kind = "adjusted standard GPS time" if adjusted else "seconds of the GPS week"
        other = all(is_plausible(s, adjusted=not adjusted) for s in found)
        meant = "; they look like the other kind" if other else ""
        yield f"the header says that times are {kind}, but {found[0]:.10g} to {found[1]:.10g} can't be{meant}"
    elif adjusted and found[0] >= 0 and found[1] <= SECONDS_OF_WEEK:
        yield (
            "the header says that times are adjusted standard GPS time; they could be seconds of the GPS "
            "week, and a wrong flag is likelier than a flight in the week of 14 September 2011"
        )


def _about_values(tally: Tally) -> Iterator[str]:
    if tally.flags.get("withheld"):
        yield f"{tally.flags['withheld']:,} points are withheld: a run doesn't use them"
    if tally.ranges.get("intensity") == (0.0, 0.0):
        yield "every intensity is 0"
    colours = [tally.ranges[c] for c in ("red", "green", "blue") if c in tally.ranges]
    if colours and all(high == 0 for _, high in colours):
        yield "every colour is black"
    elif colours and all(high <= _EIGHT_BITS for _, high in colours):
        yield "colours take 8 bits where the standard wants 16: they show nearly black elsewhere"
    if tally.lines[0]:
        yield f"{tally.lines[0]:,} points belong to no flight line (point source id 0)"
