"""How well flights, and flight lines, fit where they overlap."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, cast

import numpy as np

from cloudprep.kernels.cell_planes import DIFFERENCE_STEP, PlaneLimits, plane_differences
from cloudprep.model.classes import NOISE_CODES
from cloudprep.model.delta import Summary
from cloudprep.model.figures import Figure
from cloudprep.stages.base import Scope, Solution, Stage, StageParams, cells_of_block, parameter
from cloudprep.stages.capture._by_flight import FLIGHT

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

    Integers = NDArray[np.int64]

_LINE = "point_source_id"
_LINES = 65_536
_SPACINGS = 6.0
# They divide a kilometre, so that cells move with the site.
_SIDES = (1.0, 2.0, 2.5, 4.0, 5.0, 8.0, 10.0)
# Masks of a block's cells beyond this are made for those cells only that hold points.
_MANY_CELLS = 20_000_000
# Pairs that are told in words, and the offset from which on they are, m: USGS Lidar Base Specification, QL2,
# swath overlap difference, from memory.
_NAMED, _TOLD = 3, 0.08


class FlightOverlapsParams(StageParams):
    """Parameters of :class:`FlightOverlaps`."""

    cell: float | None = parameter(
        None,
        gt=0,
        le=100,
        unit="m",
        meaning="side of the cells that are compared",
        derived="six spacings of the site's points, rounded up to 1, 2, 2.5, 4, 5, 8 or 10 m",
    )
    slope: float = parameter(
        10.0,
        gt=0,
        lt=90,
        unit="degrees",
        meaning="steeper cells aren't compared: there a shift in plan shows as a difference of heights",
        source="USGS Lidar Base Specification, interswath differences: slopes under 10 degrees",
    )
    roughness: float = parameter(
        0.1,
        gt=0,
        le=10,
        unit="m",
        meaning="cells whose points scatter more than this across their plane aren't compared: plants, edges",
        source="common practice, no source: noise on hard ground is 2 to 6 cm",
    )
    points: int = parameter(
        6,
        ge=4,
        unit="points",
        meaning="points of each flight that a cell must have",
        source="common practice, no source",
    )
    cells: int = parameter(
        30,
        ge=1,
        meaning="cells that two flights must share, smooth in both, to be compared at all",
        source="common practice, no source: as many as checkpoints of a survey",
    )


class Rises(NamedTuple):
    """How often the plane of one flight line lay so far above that of another.

    Parameters
    ----------
    pair : ndarray of int64, shape (m, 4)
        Flight and line of the first, flight and line of the second.
    rise : ndarray of int64, shape (m,)
        Second above first, in steps of 0.1 mm.
    often : ndarray of int64, shape (m,)
        How often.
    """

    pair: Integers
    rise: Integers
    often: Integers


class Share(NamedTuple):
    """What a block knows: differences, and how many cells each flight has, and shares with others."""

    rises: Rises
    cells: dict[int, Integers]


class FlightOverlaps(Stage):
    """Compare heights of flights where they overlap, and of the flight lines within each. Changes nothing.

    In square cells a plane is fitted to the points of each flight line (``point_source_id``; a flight without
    the column is one line). Cells count where the points of both lines are enough, lie all over the cell,
    are smooth and no steeper than ``slope``; only single returns are used, no noise and no withheld points.
    There the two planes are compared at the middle of their points, so that neither slopes nor the places of
    single points matter. This is the comparison between swaths of the USGS Lidar Base Specification, by
    planes instead of rasters.

    Figures, each of every flight and, the worst of them, of the run: ``overlaps.offset``, the median
    difference; ``overlaps.rmse``, the root of the mean square of all differences; ``overlaps.p95``, what 95 %
    of the differences don't exceed: all in m without sign, and of that other flight with which each is
    largest. ``overlaps.lines_offset`` and ``overlaps.lines_rmse``, the same between the lines of one flight.
    ``overlaps.share``, cells of the flight that another flight has points in as well; ``overlaps.area``, m2
    that were compared. A flight that shares too little with any other has no offset, and one of a single line
    no figures of lines.

    Which of two flights is wrong the comparison can't tell: both get the figure. Nor does it see what all
    flights have in common, or how they lie in plan.
    """

    name = "flight_overlaps"
    kind = "capture"
    Params = FlightOverlapsParams
    scope = Scope.CLOUD
    needs = ("x", "y", "z", FLIGHT)
    uses = (_LINE, "number_of_returns", "classification", "withheld")
    reports: ClassVar[tuple[Figure, ...] | None] = (
        Figure(
            "overlaps.offset",
            "m",
            "median height difference to another flight, the largest, without sign",
            per_flight=True,
        ),
        Figure(
            "overlaps.rmse",
            "m",
            "root mean square of height differences to another flight, the largest",
            per_flight=True,
        ),
        Figure(
            "overlaps.p95",
            "m",
            "95 % of the height differences to another flight are smaller, the largest",
            per_flight=True,
        ),
        Figure(
            "overlaps.lines_offset",
            "m",
            "median height difference between lines of a flight, the largest, without sign",
            per_flight=True,
        ),
        Figure(
            "overlaps.lines_rmse",
            "m",
            "root mean square of height differences between lines of a flight, the largest",
            per_flight=True,
        ),
        Figure(
            "overlaps.share", "", "cells that another flight has points in, of the flight's", per_flight=True
        ),
        Figure("overlaps.area", "m2", "area in which flights were compared", per_flight=True),
    )
    summarises = True
    references = (
        "USGS Lidar Base Specification, interswath differences: single returns, slopes under 10 degrees",
        "ASPRS Positional Accuracy Standards, edition 1, swath-to-swath differences, from memory",
    )
    # 152 were measured, of flights that overlap everywhere.
    bytes_per_point = 160

    params: FlightOverlapsParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the side of the cells."""
        if self.params.cell is not None:
            return {}, {}
        wanted = _SPACINGS * site.spacing
        cell = next((side for side in _SIDES if side >= wanted), _SIDES[-1])
        return {"cell": cell}, {"cell": f"six times the {site.spacing:.2f} m between points, rounded up"}

    @property
    def _side(self) -> float:
        return cast("float", self.params.cell)

    def reach(self) -> float:
        """Return how far beyond a block the cells go whose middles lie in it."""
        return self._side

    def summarise(self, points: Points, context: Context) -> Summary:
        """Compare lines in the cells whose middles lie in the block."""
        site = context.site
        window = cells_of_block(site.lattice(self._side).window(site.bounds), context.block, site.bounds)
        lattice = window.lattice
        x, y, flight = points["x"], points["y"], points[FLIGHT]
        column, row = lattice.column_of(x) - window.column, lattice.row_of(y) - window.row
        inside = (column >= 0) & (column < window.columns) & (row >= 0) & (row < window.rows)
        inside &= np.isfinite(points["z"])
        if "withheld" in points:
            inside &= ~points["withheld"]
        if "classification" in points:
            inside &= ~np.isin(points["classification"], NOISE_CODES)
        kept = np.flatnonzero(inside)
        column, row, flight = column[kept], row[kept], flight[kept].astype(np.int64)
        cell = row * window.columns + column
        if window.rows * window.columns > max(_MANY_CELLS, 4 * len(cell)):
            cell = np.unique(cell, return_inverse=True)[1].astype(np.int64)
        own = _cells_of(flight, cell)
        if "number_of_returns" in points:
            single = points["number_of_returns"][kept] <= 1
            kept, column, row, flight, cell = (a[single] for a in (kept, column, row, flight, cell))
        line = points[_LINE][kept].astype(np.int64) if _LINE in points else np.zeros(len(kept), np.int64)
        which, codes = _coded(flight, line)
        # Edges of the lattice, not sums from the block's own corner: the same numbers in any block.
        left = np.array([lattice.left_edge(window.column + i) for i in range(window.columns)])
        bottom = np.array([lattice.lower_edge(window.row + i) for i in range(window.rows)])
        found = plane_differences(
            x[kept] - left[column],
            y[kept] - bottom[row],
            points["z"][kept] - site.lowest,
            cell,
            which,
            self._side,
            PlaneLimits(self.params.points, self.params.roughness, math.tan(math.radians(self.params.slope))),
        )
        pair = np.concatenate([codes[found.first], codes[found.second]], axis=1)
        return Summary(Share(_counted(pair, found.rise, np.ones(len(pair), np.int64)), own))

    def merge(self, parts: Sequence[Share]) -> Share:
        """Add counts."""
        cells: dict[int, Integers] = {}
        for part in parts:
            for flight, counts in part.cells.items():
                cells[flight] = cells[flight] + counts if flight in cells else counts
        rises = [part.rises for part in parts]
        joined = _counted(*(np.concatenate([r[k] for r in rises]) for k in range(3))) if rises else _none()
        return Share(joined, cells)

    def solve(self, merged: Share, site: SiteFacts) -> Solution:
        """Work out the figures."""
        area = self._side**2
        each: dict[int, dict[str, float]] = {
            flight: {"overlaps.share": int(counts[1]) / int(counts[0]), "overlaps.area": 0.0}
            for flight, counts in sorted(merged.cells.items())
        }
        compared = 0
        off: list[tuple[float, str]] = []
        rises = merged.rises
        between = rises.pair[:, 0] != rises.pair[:, 2]
        for pair, values, counts in _by_pair(rises.pair[between][:, [0, 2]], rises, between):
            cells = int(counts.sum())
            compared += cells
            for flight in pair:
                each[flight]["overlaps.area"] += cells * area
            if cells >= self.params.cells:
                figures = _statistics(values, counts)
                for flight in pair:
                    _keep_largest(each[flight], "overlaps", figures)
                off.append((figures["offset"], _words(site, pair, values, counts)))
        within = rises.pair[~between]
        for lines, values, counts in _by_pair(within[:, [0, 1, 3]], rises, ~between):
            if int(counts.sum()) >= self.params.cells:
                figures = _statistics(values, counts)
                kept = {"lines_offset": figures["offset"], "lines_rmse": figures["rmse"]}
                _keep_largest(each[lines[0]], "overlaps", kept)
        run: dict[str, float] = {"overlaps.area": compared * area}
        for name in ("offset", "rmse", "p95", "lines_offset", "lines_rmse"):
            found = [
                figures[f"overlaps.{name}"] for figures in each.values() if f"overlaps.{name}" in figures
            ]
            if found:
                run[f"overlaps.{name}"] = max(found)
        shared = sum(int(counts[1]) for counts in merged.cells.values())
        total = sum(int(counts[0]) for counts in merged.cells.values())
        run["overlaps.share"] = shared / total if total else 0.0
        return Solution(None, figures=run, flight_figures=each, warnings=_warnings(off))


def _none() -> Rises:
    return Rises(np.zeros((0, 4), np.int64), np.zeros(0, np.int64), np.zeros(0, np.int64))


def _cells_of(flight: Integers, cell: Integers) -> dict[int, Integers]:
    """Return of each flight how many cells it has points in, and in how many of them another has as well."""
    if len(cell) == 0:
        return {}
    numbers = np.flatnonzero(np.bincount(flight))
    cells = int(cell.max()) + 1
    others = np.zeros(cells, np.int32)
    masks = []
    for number in numbers.tolist():
        mask = np.zeros(cells, bool)
        mask[cell if len(numbers) == 1 else cell[flight == number]] = True
        others += mask
        masks.append(mask)
    return {
        number: np.array([np.count_nonzero(mask), np.count_nonzero(mask & (others > 1))], np.int64)
        for number, mask in zip(numbers.tolist(), masks, strict=True)
    }


def _coded(flight: Integers, line: Integers) -> tuple[Integers, Integers]:
    """Return a number for each point's flight and line, and which flight and line each number is of."""
    code = np.zeros(len(flight), np.int64)
    codes = []
    count = 0
    for number in np.flatnonzero(np.bincount(flight)).tolist() if len(flight) else []:
        mine = flight == number
        lines = np.flatnonzero(np.bincount(line[mine], minlength=_LINES))
        table = np.zeros(_LINES, np.int64)
        table[lines] = count + np.arange(len(lines))
        code[mine] = table[line[mine]]
        codes.append(np.c_[np.full(len(lines), number), lines])
        count += len(lines)
    return code, np.concatenate(codes) if codes else np.zeros((0, 2), np.int64)


def _counted(pair: Integers, rise: Integers, count: Integers) -> Rises:
    """Return each difference of each pair once, ordered."""
    if len(rise) == 0:
        return _none()
    order = np.lexsort((rise, *pair.T[::-1]))
    pair, rise, count = pair[order], rise[order], count[order]
    new = np.r_[True, (pair[1:] != pair[:-1]).any(axis=1) | (rise[1:] != rise[:-1])]
    start = np.flatnonzero(new)
    return Rises(pair[start], rise[start], np.add.reduceat(count, start))


def _by_pair(
    keys: Integers, rises: Rises, mask: NDArray[np.bool_]
) -> Iterator[tuple[tuple[int, ...], Integers, Integers]]:
    """Give the differences of all rows with the same key, and how often each occurs, ascending."""
    if len(keys) == 0:
        return
    rise, count = rises.rise[mask], rises.often[mask]
    order = np.lexsort((rise, *keys.T[::-1]))
    keys, rise, count = keys[order], rise[order], count[order]
    start = np.flatnonzero(np.r_[True, (keys[1:] != keys[:-1]).any(axis=1)])
    for begin, end in zip(start.tolist(), [*start[1:].tolist(), len(keys)], strict=True):
        yield tuple(keys[begin].tolist()), rise[begin:end], count[begin:end]


def _at_rank(values: Integers, counts: Integers, share: float) -> float:
    """Return the smallest value that at least such a share of all don't exceed."""
    total = np.cumsum(counts)
    return float(values[np.searchsorted(total, share * total[-1])])


def _statistics(values: Integers, counts: Integers) -> dict[str, float]:
    """Return the offset, the root mean square and the 95 % of differences, m, without sign."""
    size = np.abs(values)
    order = np.argsort(size, kind="stable")
    # Whole numbers in Python: exact however many and however large.
    squares = sum(v * v * n for v, n in zip(values.tolist(), counts.tolist(), strict=True))
    return {
        "offset": abs(_median(values, counts)),
        "rmse": math.sqrt(squares / int(counts.sum())) * DIFFERENCE_STEP,
        "p95": _at_rank(size[order], counts[order], 0.95) * DIFFERENCE_STEP,
    }


def _median(values: Integers, counts: Integers) -> float:
    """Return the median difference, m: the middle of the two middle ones where they are even in number."""
    low = _at_rank(values, counts, 0.5)
    high = -_at_rank(-values[::-1], counts[::-1], 0.5)
    return (low + high) / 2 * DIFFERENCE_STEP


def _keep_largest(figures: dict[str, float], prefix: str, found: Mapping[str, float]) -> None:
    for name, value in found.items():
        key = f"{prefix}.{name}"
        figures[key] = max(figures.get(key, 0.0), value)


def _words(site: SiteFacts, pair: tuple[int, ...], values: Integers, counts: Integers) -> str:
    """Say how two flights lie against each other, the one whose name comes first first."""
    rise = _median(values, counts)
    first, second = pair
    if site.flight(second).name < site.flight(first).name:
        first, second, rise = second, first, -rise
    where = "above" if rise > 0 else "below"
    return f"{site.flight(second).name} lies {abs(rise):.2f} m {where} {site.flight(first).name}"


def _warnings(off: list[tuple[float, str]]) -> tuple[str, ...]:
    """Tell the pairs of flights that lie apart, the worst first."""
    told = sorted((-offset, words) for offset, words in off if offset > _TOLD)
    if not told:
        return ()
    more = f"; and {len(told) - _NAMED} more pairs" if len(told) > _NAMED else ""
    return ("; ".join(words for _, words in told[:_NAMED]) + more + ": look at the alignment before use",)
