"""Where a survey has nothing: areas without first returns, and terrain without ground."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np

from cloudprep.errors import UsageError
from cloudprep.kernels.voids import empty_squares, within_reach
from cloudprep.model.classes import ClassCode
from cloudprep.model.delta import Summary
from cloudprep.model.figures import Figure
from cloudprep.model.grid import Lattice, Window
from cloudprep.stages.base import Scope, SiteBytes, Solution, Stage, StageParams, parameter
from cloudprep.stages.surface._coverage import Coverage, Seen, joined, merged_window, seen_by
from cloudprep.stages.surface._void_polygons import FIRST_RETURNS, TERRAIN, Found, layer_of, voids_in
from cloudprep.stages.surface.gridding import HeightSource

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

_USUAL_SPACINGS = (0.35, 0.71, 1.41)
# Sides in cells of half a nominal spacing: of a void's smallest square, and of the cells of the distribution.
_VOID, _SHARED = 8, 4
_MANY_CELLS, _MOST_CELLS = 100_000_000, 400_000_000
_ENOUGH_SHARE = 0.9
_OPENING = 20
_WATER_CODE = 4


class ReportVoidsParams(StageParams):
    """Parameters of :class:`ReportVoids`."""

    pulse_spacing: float | None = parameter(
        None,
        gt=0,
        le=1000,
        unit="m",
        meaning="aggregate nominal pulse spacing: what was ordered, all flight lines together",
        derived="the site's point spacing, rounded up to 0.35, 0.71 or 1.41 m (the quality levels' spacings)",
        source="USGS Lidar Base Specification, table of quality levels, from memory",
    )
    of: Literal["both", "first_returns", "terrain"] = parameter(
        "both",
        meaning="first_returns: areas that no pulse came back from; terrain: areas of the terrain model "
        "that are empty or filled; both",
    )
    least_share: float = parameter(
        _ENOUGH_SHARE,
        ge=0,
        le=1,
        meaning="share of the cells of twice the pulse spacing that should hold a first return",
        source="USGS Lidar Base Specification, spatial distribution: 90 %",
    )
    opening: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="gaps that are open to the outside of the survey and at least this wide are not voids",
        derived="20 pulse spacings",
        source="common practice, no source: gaps between flight lines are narrower, bays of a boundary wider",
    )


class ReportVoids(Stage):
    """Report voids as polygons (layer ``voids``) and as figures, by the rule of an agency.

    By the rule (USGS Lidar Base Specification) a void is an area of at least ``(4 x pulse_spacing)^2``
    without a first return. Here that is an area in which every cell belongs to an empty square of four
    spacings a side, found on cells of half a spacing. So a square void that is half a spacing larger is found
    whatever its place, and many small gaps between pulses that happen to touch aren't added up to one. The
    rule for the spatial distribution: of the cells of ``2 x pulse_spacing``, 90 % should hold a first return.
    Both are judged on all flight lines together. Withheld points don't count. Points without return numbers
    (photogrammetric ones) count as first returns.

    Nothing is a void outside the survey. The survey is what is left of the site's rectangle without what is
    open to the outside through gaps of ``opening`` or more: a lake amid the land is a void, a corner that was
    not flown isn't, and a strip missing between two flight lines is one, although it is open at its end.

    Water is excepted from the rules: where at least half of the cells around a void hold points classified as
    water, or half of its own cells in ``dtm_source`` are water, its ``cause`` is ``water``, and it isn't
    counted.

    Terrain voids are groups of cells of ``dtm_source`` that are empty or filled, of the same least area.
    Their ``cause`` is ``no first returns`` or ``water`` where at least half of one lies in such a void, else
    ``no ground among the returns``: something stands there.

    Attributes of the layer: ``of`` (``first returns`` or ``terrain``), ``area_m2`` (exact, of the cells),
    ``width_m`` (of the widest circle that fits in, to within about a cell), ``cause`` (empty: not known).

    Figures: ``voids.count``, ``voids.area``, ``voids.largest`` (m2; without water), ``voids.share`` of the
    survey's area, ``voids.water_count``,
    ``voids.water_area``, ``voids.least_area`` (m2, of the rule); ``voids.terrain_count``,
    ``voids.terrain_area``; ``coverage.share`` of the cells of the distribution rule that hold a first return,
    ``coverage.area`` (m2) of the survey without water, ``coverage.spacing`` (m) of the first returns there.
    """

    name = "report_voids"
    reports = (
        Figure("voids.least_area", "m2", "area from which an empty place is a void"),
        Figure("voids.count", "", "voids of first returns, water excepted"),
        Figure("voids.area", "m2", "area of these voids"),
        Figure("voids.largest", "m2", "area of the largest of them"),
        Figure("voids.share", "", "area of these voids as a share of the area that was judged"),
        Figure("voids.water_count", "", "voids that are water"),
        Figure("voids.water_area", "m2", "area of voids that are water"),
        Figure("voids.terrain_count", "", "voids of the terrain"),
        Figure("voids.terrain_area", "m2", "area of voids of the terrain"),
        Figure("coverage.share", "", "share of cells of two pulse spacings with a first return"),
        Figure("coverage.area", "m2", "area that was judged"),
        Figure("coverage.spacing", "m", "spacing of first returns over it"),
    )
    kind = "surface"
    Params = ReportVoidsParams
    scope = Scope.CLOUD
    needs = ("x", "y", "z")
    uses = ("return_number", "classification", "withheld")
    reads = ("dtm_source",)
    makes_layers = ("voids",)
    summarises = True
    references = (
        "USGS Lidar Base Specification 2025 rev. A, data voids and spatial distribution",
        "ASPRS LAS 1.4, return numbers and class codes",
    )
    # 54 were measured.
    bytes_per_point = 64

    params: ReportVoidsParams

    def sources(self) -> tuple[str, ...]:
        """Return the raster that terrain voids are found in."""
        return () if self.params.of == "first_returns" else self.reads

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the pulse spacing that was likely ordered, and the widest opening."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        spacing = self.params.pulse_spacing
        if spacing is None:
            measured = (
                site.spacing if math.isfinite(site.spacing) and site.spacing > 0 else _USUAL_SPACINGS[-1]
            )
            spacing = next((usual for usual in _USUAL_SPACINGS if usual >= measured), measured)
            values["pulse_spacing"] = spacing
            reasons["pulse_spacing"] = (
                f"points lie {measured:.2f} m apart: say what was ordered, if it was not this"
            )
        if self.params.opening is None:
            values["opening"] = _OPENING * spacing
            reasons["opening"] = f"{_OPENING} pulse spacings"
        return values, reasons

    def site_bytes(self, site: SiteFacts) -> SiteBytes:
        """Return the memory for cells: two bits each while blocks are seen, sums and labels at the end."""
        # 17.5 bytes a cell were measured.
        # Headers may promise a far larger site than there is: only the site as measured is refused.
        lattice, _ = self._lattice(site, refuse=False)
        window = lattice.window(site.bounds)
        cells = min(window.rows * window.columns, _MOST_CELLS)
        return SiteBytes(cells // 2, 20 * cells)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return which cells of the lattice hold first returns, and which of these are water."""
        used = context.core.copy()
        if "withheld" in points:
            used &= ~points["withheld"]
        if "return_number" in points:
            used &= points["return_number"] <= 1
        x0, y0, x1, y1 = context.site.bounds
        x, y = points["x"], points["y"]
        used &= np.isfinite(points["z"]) & (x >= x0) & (x < x1) & (y >= y0) & (y < y1)
        water = np.zeros(int(np.count_nonzero(used)), bool)
        if "classification" in points:
            water = points["classification"][used] == ClassCode.WATER
        lattice, _ = self._lattice(context.site)
        return Summary(seen_by(x[used], y[used], water, lattice))

    def merge(self, parts: Sequence[Seen]) -> Seen:
        """Join what blocks saw: the union of their cells."""
        return joined(parts)

    def solve(self, merged: Seen, site: SiteFacts) -> Solution:
        """Find the voids."""
        lattice, coarser = self._lattice(site)
        side = _SHARED // coarser
        window = merged_window(lattice.window(site.bounds), side)
        coverage = Coverage.of(merged, window)
        filled = _any_of(coverage.occupied, side)
        opening = max(int(cast("float", self.params.opening) / (side * lattice.cell)), 1)
        inside = within_reach(filled, opening, threads=self.threads)
        reached = np.repeat(np.repeat(inside, side, axis=0), side, axis=1)
        empty = ~coverage.occupied & reached
        voids = voids_in(empty_squares(empty, _VOID // coarser), window, FIRST_RETURNS)
        self._find_water(voids, coverage)
        judged = inside & ~_any_of(voids.covering(("water",)), side)
        area = float(np.count_nonzero(judged)) * (side * lattice.cell) ** 2
        terrain = self._terrain(site, window, reached, voids)
        figures = self._figures(voids, terrain, judged, filled)
        figures["coverage.area"] = area
        figures["voids.share"] = figures["voids.area"] / area if area else 0.0
        if merged.number:
            figures["coverage.spacing"] = math.sqrt(area / merged.number)
        layer = layer_of([voids, terrain])
        return Solution(None, (), figures, self._warnings(figures), layers=(layer,))

    def _lattice(self, site: SiteFacts, *, refuse: bool = True) -> tuple[Lattice, int]:
        """Return the cells that occupancy is kept of, and how many times half a spacing they are.

        They are counted from the site's own zero: half of a spacing seldom divides a kilometre, and a rule
        that speaks of a spacing must get just that. Where there would be more than 100 million, they are of
        one or two spacings, and a void must be larger by as much to be found whatever its place.

        Raises
        ------
        UsageError
            If there would be more than 400 million of two spacings.
        """
        cell, coarser = cast("float", self.params.pulse_spacing) / 2, 1
        area = site.bounds.width * site.bounds.height / (cell * cell)
        while coarser < _SHARED and area > _MANY_CELLS * coarser * coarser:
            coarser *= 2
        if refuse and area > _MOST_CELLS * coarser * coarser:
            raise UsageError(
                f"{self.name}: a pulse spacing of {2 * cell:g} m makes more than "
                f"{_MOST_CELLS // 1_000_000} million cells on this site: report parts of it, each by itself"
            )
        return Lattice(coarser * cell), coarser

    def _find_water(self, voids: Found, coverage: Coverage) -> None:
        """Tell voids of water by the points around them."""
        for number in range(len(voids)):
            rim = voids.rim(number)
            around = coverage.occupied[rim.place] & rim.cells
            water = coverage.water[rim.place] & around
            if np.count_nonzero(water) * 2 >= np.count_nonzero(around) > 0:
                voids.cause[number] = "water"
        if self.params.of == "first_returns":
            return
        wet = self.rasters["dtm_source"].values == _WATER_CODE
        if wet.any():
            share = voids.share_in(wet, self.rasters["dtm_source"].window)
            for number in np.flatnonzero(share >= 0.5).tolist():
                voids.cause[number] = "water"

    def _terrain(self, site: SiteFacts, window: Window, reached: NDArray[np.bool_], voids: Found) -> Found:
        """Return the voids of the terrain, with their causes."""
        if self.params.of == "first_returns":
            return voids_in(np.zeros((1, 1), bool), window, TERRAIN)
        del site
        source = self.rasters["dtm_source"]
        missing = (source.values == HeightSource.EMPTY) | (source.values == HeightSource.FILLED)
        inside = _on_cells(reached, window, source.window)
        found = voids_in(missing & inside, source.window, TERRAIN, least=self._least_area)
        wet = found.share_in(voids.covering(("water",)), window)
        dark = found.share_in(voids.covering(("", "water")), window)
        for number in range(len(found)):
            if wet[number] >= 0.5:
                found.cause[number] = "water"
            elif dark[number] >= 0.5:
                found.cause[number] = "no first returns"
            else:
                found.cause[number] = "no ground among the returns"
        if self.params.of == "terrain":
            voids.hidden = True
        return found

    @property
    def _least_area(self) -> float:
        return (4 * cast("float", self.params.pulse_spacing)) ** 2

    def _figures(
        self, voids: Found, terrain: Found, judged: NDArray[np.bool_], filled: NDArray[np.bool_]
    ) -> dict[str, float | int]:
        dry = [area for area, cause in zip(voids.areas, voids.cause, strict=True) if cause != "water"]
        wet = [area for area, cause in zip(voids.areas, voids.cause, strict=True) if cause == "water"]
        cells = int(np.count_nonzero(judged))
        return {
            "voids.least_area": self._least_area,
            "voids.count": len(dry),
            "voids.area": math.fsum(dry),
            "voids.largest": max(dry, default=0.0),
            "voids.water_count": len(wet),
            "voids.water_area": math.fsum(wet),
            "voids.terrain_count": len(terrain),
            "voids.terrain_area": math.fsum(terrain.areas),
            "coverage.share": int(np.count_nonzero(judged & filled)) / cells if cells else 0.0,
        }

    def _warnings(self, figures: Mapping[str, float | int]) -> tuple[str, ...]:
        lines = []
        spacing = cast("float", self.params.pulse_spacing)
        if figures["voids.count"]:
            lines.append(
                f"{figures['voids.count']} areas of {figures['voids.least_area']:.3g} m2 or more without a "
                f"first return, {figures['voids.area']:,.0f} m2 in all, the largest of "
                f"{figures['voids.largest']:,.0f} m2 (water excepted)"
            )
        share = figures["coverage.share"]
        if share < self.params.least_share:
            lines.append(
                f"only {share:.1%} of the cells of {2 * spacing:g} m hold a first return, less than "
                f"{self.params.least_share:.0%}"
            )
        measured = figures.get("coverage.spacing")
        if measured is not None and measured > spacing:
            lines.append(f"first returns lie {measured:.2f} m apart, more than the {spacing:g} m asked for")
        return tuple(lines)


def _on_cells(flags: NDArray[np.bool_], window: Window, wanted: Window) -> NDArray[np.bool_]:
    """Return what flags of one window say at the cell centres of another; False beyond."""
    cell = wanted.lattice.cell
    x = np.asarray(wanted.left + cell * (np.arange(wanted.columns) + 0.5), np.float64)
    y = np.asarray(wanted.bottom + cell * (np.arange(wanted.rows) + 0.5), np.float64)
    column = window.lattice.column_of(x) - window.column
    row = window.lattice.row_of(y) - window.row
    across, up = (column >= 0) & (column < window.columns), (row >= 0) & (row < window.rows)
    found = np.zeros(wanted.shape, bool)
    found[np.ix_(up, across)] = flags[np.ix_(row[up], column[across])]
    return found


def _any_of(cells: NDArray[np.bool_], side: int) -> NDArray[np.bool_]:
    """Return for each square of cells whether any of them is set."""
    rows, columns = cells.shape[0] // side, cells.shape[1] // side
    # Rows first: whole lines are joined many cells at a time.
    lines = np.logical_or.reduce(cells.reshape(rows, side, columns * side), axis=1)
    found: NDArray[np.bool_] = np.logical_or.reduce(lines.reshape(rows, columns, side), axis=2)
    return found
