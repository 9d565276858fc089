"""Proposals for breaklines: crests and toes of banks and cliffs."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from cloudprep.kernels.breaklines import BreakPoints, break_points, chains_of, clearest
from cloudprep.model.figures import Figure
from cloudprep.model.layer import Layer
from cloudprep.stages.base import Scope, Solution, Stage, StageParams, parameter
from cloudprep.stages.lines._lines import lines_from
from cloudprep.stages.surface._cells import derived_cell

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cloudprep.model.grid import Grid
    from cloudprep.model.site import SiteFacts

_SHORTEST_CELLS = 20
_STRIP_CELLS = 2_000_000
_WEAK = 0.5
_REACH = 2.9
# Places nearer to each other, in cells, stand for the same one.
_NEAREST = 0.75


class FindBreaklinesParams(StageParams):
    """Parameters of :class:`FindBreaklines`."""

    smallest_angle: float = parameter(
        15.0,
        gt=0,
        lt=180,
        unit="degrees",
        meaning="by how much the slope changes along a line, in the mean; half of it everywhere",
        source="chosen on made-up banks and cliffs (seeds for tuning)",
    )
    smallest_drop: float = parameter(
        0.5,
        ge=0,
        unit="m",
        meaning="the ground falls at least so far over six cells about a line, in the mean",
        source="common practice, no source",
    )
    shortest: float | None = parameter(
        None,
        ge=0,
        unit="m",
        meaning="shorter lines are left out",
        derived="20 cells",
        source="common practice, no source",
    )


class FindBreaklines(Stage):
    """Propose breaklines at banks and cliffs: the layer ``breakline_proposals`` of 3D lines.

    All lengths are metres and angles degrees; heights come out in the unit of the cloud's heights. A crest is
    where the ground turns steeper downhill, a toe where it turns flatter. Along the fall line of the smoothed
    surface the slope below each cell of ``dtm`` is held against the slope above it, over one to three cells
    and five cells across; where the change of angle is largest there is a break, and breaks that follow each
    other along the contour make a line. Heights are those of the level side, carried on to the line. Ridges
    and valleys, which fall or rise to both sides, aren't looked for.

    Lines run with downhill on the right. They are proposals: a person has to accept them.

    Attributes: ``kind`` (crest or toe); ``angle_degrees``: mean change of the slope; ``drop``: mean fall
    within six cells about the line; ``closed``.

    Figures: ``breaklines.crests``, ``breaklines.toes``, ``breaklines.length`` (m).
    """

    name = "find_breaklines"
    reports = (
        Figure("breaklines.crests", "", "proposed breaklines along crests"),
        Figure("breaklines.toes", "", "proposed breaklines along toes"),
        Figure("breaklines.length", "m", "their length"),
    )
    kind = "lines"
    Params = FindBreaklinesParams
    scope = Scope.RASTER
    needs = ()
    reads = ("dtm",)
    makes_layers = ("breakline_proposals",)
    references = (
        "Canny 1986, A computational approach to edge detection, IEEE Trans. PAMI 8:679-698",
        "Steger 1998, An unbiased detector of curvilinear structures, IEEE Trans. PAMI 20:113-125",
    )
    bytes_per_cell = 24

    params: FindBreaklinesParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the shortest line, where it was left open."""
        if self.params.shortest is not None:
            return {}, {}
        return {"shortest": _SHORTEST_CELLS * derived_cell(site)[0]}, {"shortest": f"{_SHORTEST_CELLS} cells"}

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Look for lines."""
        del site
        grid = self.rasters["dtm"]
        window = grid.window
        cell = window.lattice.cell
        found = self._points(grid)
        order, starts, closed = chains_of(found.places, found.downhill, found.angle > 0, window.shape, _REACH)
        places = found.places[order]
        xyz = np.column_stack(
            (
                window.left + (places[:, 0] + 0.5) * cell,
                window.bottom + (places[:, 1] + 0.5) * cell,
                found.heights[order],
            )
        )
        xyz = _evened(xyz, starts, closed)
        angle, drop = (np.degrees(found.angle[order]), found.drop[order])
        counts = np.maximum(np.diff(starts), 1)
        angles, drops = (_sums(values, starts) / counts for values in (angle, drop))
        lengths = _lengths(xyz, starts, closed)
        good = (
            (np.abs(angles) >= self.params.smallest_angle)
            & (drops >= self.params.smallest_drop)
            & (lengths >= cast("float", self.params.shortest))
            & (np.diff(starts) > 1)
        )
        kept = np.repeat(good, np.diff(starts))
        xyz, starts = xyz[kept], np.cumsum([0, *np.diff(starts)[good]]).astype(np.int64)
        crest = angles[good] > 0
        layer = Layer(
            "breakline_proposals",
            "line",
            lines_from(xyz, starts, closed[good]),
            {
                "kind": np.where(crest, "crest", "toe"),
                "angle_degrees": np.abs(angles[good]),
                "drop": drops[good],
                "closed": closed[good],
            },
            "crest or toe of a bank or cliff, where the slope changes along the fall line",
            heights=("drop",),
            proposal=True,
        )
        figures = {
            "breaklines.crests": int(np.count_nonzero(crest)),
            "breaklines.toes": int(np.count_nonzero(~crest)),
            "breaklines.length": float(lengths[good].sum()),
        }
        return Solution(figures=figures, layers=(layer,))

    def _points(self, grid: Grid) -> BreakPoints:
        rows, columns = grid.window.shape
        cell = grid.window.lattice.cell
        least = math.radians(_WEAK * self.params.smallest_angle)
        step = max(64, min(_STRIP_CELLS // max(columns, 1), rows) // self.threads)

        def strip(first: int) -> BreakPoints:
            return break_points(grid.values, first, min(first + step, rows), cell, least)

        with ThreadPoolExecutor(self.threads) as pool:
            parts = list(pool.map(strip, range(0, rows, step)))
        found = BreakPoints(*(np.concatenate(values) for values in zip(*parts, strict=True)))
        return clearest(found, grid.window.shape, _NEAREST)


def _neighbours(starts: NDArray[np.int64], closed: NDArray[np.bool_]) -> tuple[Any, Any]:
    """Return the vertex before and after each one; at the ends of lines itself."""
    count = int(starts[-1])
    before, after = np.arange(-1, count - 1), np.arange(1, count + 1)
    first, last = starts[:-1], starts[1:] - 1
    before[first] = np.where(closed, last, first)
    after[last] = np.where(closed, first, last)
    return before, after


def _evened(
    xyz: NDArray[np.float64], starts: NDArray[np.int64], closed: NDArray[np.bool_], rounds: int = 2
) -> NDArray[np.float64]:
    """Return lines without the jitter of cells: each vertex is drawn to the middle of its neighbours."""
    if len(xyz) == 0:
        return xyz
    before, after = _neighbours(starts, closed)
    ends = (before == np.arange(len(xyz))) | (after == np.arange(len(xyz)))
    for _ in range(rounds):
        xyz = np.where(ends[:, None], xyz, (xyz[before] + 2 * xyz + xyz[after]) / 4)
    return xyz


def _sums(values: NDArray[np.float64], starts: NDArray[np.int64]) -> NDArray[np.float64]:
    if len(values) == 0:
        return np.zeros(0)
    found: NDArray[np.float64] = np.add.reduceat(values, starts[:-1])
    return found


def _lengths(
    xyz: NDArray[np.float64], starts: NDArray[np.int64], closed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    if len(xyz) == 0:
        return np.zeros(0)
    steps = xyz[_neighbours(starts, closed)[1]] - xyz
    return _sums(np.hypot(steps[:, 0], steps[:, 1]), starts)
