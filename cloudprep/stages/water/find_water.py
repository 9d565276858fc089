"""Where water may be: polygons for a person to accept, never used by themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np

from cloudprep.model.classes import NOISE_CODES
from cloudprep.model.figures import Figure
from cloudprep.model.layer import Layer
from cloudprep.stages.base import Scope, SiteBytes, Solution, Stage, StageParams, Summary, parameter
from cloudprep.stages.water._candidates import Candidate, examined, groups, outline, seen_area, wet_cells
from cloudprep.stages.water._cells import CellShare, gathered, joined, on_raster

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

# Cells that divide a kilometre, so that they lie alike wherever a site starts.
_CELLS = (0.5, 1.0, 2.0, 2.5, 4.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_SPACINGS = 2.0
_MOST_CELLS = 100_000_000
_CELL_BYTES = 90
_TUNED = "tuned on made-up scenes"
_COMMON = "common practice, no source"
# Longer than this many widths: it looks like a river.
_LONG = 4.0


class FindWaterParams(StageParams):
    """Parameters of :class:`FindWater`."""

    cell: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="side of the cells that are looked at",
        derived="2 point spacings, rounded up to 0.5, 1, 2, 2.5, 4, 5, 10 ... m",
    )
    least_area: float = parameter(
        1000.0, gt=0, unit="m2", meaning="smallest water that is proposed", source=_COMMON
    )
    sparse_share: float = parameter(
        0.35,
        gt=0,
        lt=1,
        meaning="void: fewer first returns than this share of the usual number in three by three cells",
        source=_TUNED,
    )
    dark_share: float = parameter(
        0.35, gt=0, lt=1, meaning="dark: less bright than this share of the usual intensity", source=_TUNED
    )
    flat: float = parameter(
        0.25,
        gt=0,
        unit="m",
        meaning="dark cells must be this flat: range of heights in three by three cells",
        source=_TUNED,
    )
    least_rise: float = parameter(
        0.7,
        ge=0,
        le=1,
        meaning="share of the bank behind the shore that must lie higher than the shore",
        source=_TUNED,
    )
    least_closed: float = parameter(
        0.7, ge=0, le=1, meaning="share of the shore that must have been seen", source=_TUNED
    )
    slope: float = parameter(
        0.02, gt=0, meaning="steepest slope of the shore as a whole: rivers fall, but little", source=_COMMON
    )
    scatter: float = parameter(
        0.25,
        gt=0,
        unit="m",
        meaning="how far points on the water may lie about the level of its shore",
        source=_TUNED,
    )


class FindWater(Stage):
    """Propose polygons where water may be, for a person to accept; nothing else is changed by it.

    All lengths are metres. Water sends little light back: cells are taken that hold hardly any first returns,
    or that are dark and flat. Groups of them are proposed if they lie as water does:

    - at least ``least_area`` (m2) large, and most of the shore was seen (what lies outside the flown area,
      the convex hull of all points, is never water);
    - the shore as a whole is level, or falls as rivers do;
    - behind the shore the ground rises nearly all around: car parks, roofs and gaps in the flight don't lie
      in a hollow;
    - what points there are on it lie at that level.

    The layer ``water_proposals`` says what spoke for each: ``void_share`` and ``dark_share`` of its cells,
    ``rise_share`` of its bank, ``scatter_m`` of the points on it (-1: hardly any), ``level``, and ``kind`` by
    its shape. To use them, look at them, delete and mend, and give the file to ``water_points`` and
    ``flat_water``.

    What it can't know: a gap in the flight over a hollow looks like a pond; water that shines back brightly,
    or lies under trees, isn't found; a shore is only as exact as a cell.

    Figures: ``water.proposals``, ``water.proposed_area`` (m2).
    """

    name = "find_water"
    reports = (
        Figure("water.proposals", "", "areas that may be water"),
        Figure("water.proposed_area", "m2", "area of these"),
    )
    kind = "water"
    Params = FindWaterParams
    scope = Scope.CLOUD
    uses = ("intensity", "return_number", "classification", "withheld")
    makes_layers = ("water_proposals",)
    summarises = True
    references = (
        "Hoefle, Vetter, Pfeifer, Mandlburger and Stoetter 2009, Earth Surf. Process. Landf. 34:1635-1649",
        "Newey and Powell 1987, Asymmetric least squares estimation and testing, Econometrica 55:819-847",
    )
    bytes_per_point = 120

    params: FindWaterParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the cell (m) where it was left open."""
        if self.params.cell is not None:
            return {}, {}
        wanted = _SPACINGS * site.spacing
        area = site.bounds.width * site.bounds.height
        fits = [c for c in _CELLS if c >= wanted and area / c**2 <= _MOST_CELLS]
        return {"cell": fits[0] if fits else _CELLS[-1]}, {
            "cell": f"{_SPACINGS:g} point spacings of {site.spacing:.2f} m, rounded up"
        }

    def site_bytes(self, site: SiteFacts) -> SiteBytes:
        """Return the memory (bytes) of the rasters that are looked at."""
        cells = site.bounds.width * site.bounds.height / cast("float", self.params.cell) ** 2
        return SiteBytes(0, int(min(cells, _MOST_CELLS)) * _CELL_BYTES)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return what the cells of this block hold."""
        x, y, z = points["x"], points["y"], points["z"]
        chosen = context.core.copy()
        if "withheld" in points:
            chosen &= ~points["withheld"]
        if "classification" in points:
            chosen &= ~np.isin(points["classification"], NOISE_CODES)
        first = chosen if "return_number" not in points else chosen & (points["return_number"] <= 1)
        bright = points["intensity"] if "intensity" in points else np.zeros(len(x), np.uint16)
        lattice = context.site.lattice(cast("float", self.params.cell))
        return Summary(
            gathered(
                CellShare(
                    lattice.column_of(x[chosen]),
                    lattice.row_of(y[chosen]),
                    first[chosen].astype(np.int64),
                    np.where(first, bright, 0)[chosen].astype(np.int64),
                    z[chosen],
                    z[chosen],
                )
            )
        )

    def merge(self, parts: Sequence[Any]) -> Any:
        """Join what blocks hold; cells on their seams are put together."""
        return joined(parts)

    def solve(self, merged: Any, site: SiteFacts) -> Solution:
        """Return the proposals."""
        params = self.params
        cell = cast("float", params.cell)
        window = site.lattice(cell).window(site.bounds)
        facts = on_raster(merged, window)
        seen = seen_area(facts)
        marks = wet_cells(facts, seen, params.sparse_share, params.dark_share, params.flat)
        least = max(4, round(params.least_area / cell**2))
        found = []
        for cells, row, column in groups(marks[0] | marks[1], least):
            candidate = examined(cells, row, column, facts, marks, cell)
            if candidate is not None and self._likely(candidate):
                found.append(candidate)
        polygons = np.array([outline(c, window) for c in found], dtype=object)
        layer = Layer(
            "water_proposals",
            "polygon",
            polygons,
            {
                "kind": np.array(["river" if _long(c) else "pond" for c in found], object),
                "level": np.array([c.level for c in found], np.float64),
                "area_m2": np.array([p.area for p in polygons], np.float64),
                "void_share": np.array([c.void for c in found], np.float64),
                "dark_share": np.array([c.dark for c in found], np.float64),
                "rise_share": np.array([c.rise for c in found], np.float64),
                "scatter_m": np.array([np.nan_to_num(c.scatter, nan=-1.0) for c in found], np.float64),
            },
            "Where water may be, and what speaks for it",
            heights=("level",),
            proposal=True,
        )
        area = float(layer.attributes["area_m2"].sum())
        return Solution(layers=(layer,), figures={"water.proposals": len(found), "water.proposed_area": area})

    def _likely(self, c: Candidate) -> bool:
        level = c.slope <= self.params.slope
        level &= bool(np.isnan(c.scatter)) or c.scatter <= self.params.scatter
        return bool(level and c.rise >= self.params.least_rise and c.closed >= self.params.least_closed)


def _long(candidate: Candidate) -> bool:
    return candidate.length > _LONG * candidate.width
