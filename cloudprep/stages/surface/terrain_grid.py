"""The terrain model: ground points to a raster of heights."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from pydantic import field_validator

from cloudprep.kernels.tin_bins import binned, usable
from cloudprep.kernels.tin_hulls import NO_HULLS, hulls_of, joined
from cloudprep.kernels.tin_points import frame_of
from cloudprep.model.classes import ClassCode
from cloudprep.model.figures import Figure
from cloudprep.model.grid import Canvas, Drawing
from cloudprep.model.mapped import let_go
from cloudprep.stages.base import (
    ClassCodes,
    Scope,
    SiteBytes,
    Solution,
    Stage,
    StageParams,
    Summary,
    cells_of_block,
    parameter,
)
from cloudprep.stages.surface._cells import (
    cell_parameter,
    raster_window,
    rounded_up,
    settled_cell,
)
from cloudprep.stages.surface._ground_points import GroundPoints
from cloudprep.stages.surface._smooth import smoothing_bytes
from cloudprep.stages.surface.gridding import (
    BESIDE,
    BY_TRIANGLES,
    LEGEND,
    Fill,
    HeightSource,
    Manner,
    Method,
    draw_heights,
    fill_heights,
    smooth_heights,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.tin_hulls import Hulls
    from cloudprep.kernels.tin_points import Frame
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

_BRIDGED = 60.0
_BRIDGED_CELLS = 20
# Ground is sparse if fewer cells with a height than this share hold a ground point, and scattered if its
# points lie so many times as far apart as all points. In made-up forests with 3 % of the points on the ground
# 0.06 to 0.13 of the cells, and 5 to 6 times; in made-up cities 0.44 to 0.61 and, on one seed, 1.5 times.
# Gaps are everywhere then, and not single wide ones, into which a plate would carry the slopes of their rims.
_SPARSE = 0.25
_SCATTERED = 3.0
# The buffer of a block, in cells.
_BUFFER = 12
_LEAST_BUFFER = 2
# Cells of the raster along a cell of hulls, and how many of the latter there are along the site at most.
_HULL_CELLS = 32
_MOST_HULLS_ALONG = 128
# Bytes a cell while the raster is filled, itself included; measured on rasters of nine million cells.
_FILLING = {"nearest": 43, "smooth": 56}
# Rows that are counted at a time.
_LINES = 256


class TerrainGridParams(StageParams):
    """Parameters of :class:`TerrainGrid`."""

    cell: float | None = cell_parameter()
    method: Method = parameter(
        "auto",
        meaning="auto: tin, but smooth where ground shows in few single points (the run record says which "
        "and why); tin: linear within Delaunay triangles; natural_neighbour: weighted by what each point "
        "around would lose of its Voronoi cell; smooth: a thin plate through the cells with ground points; "
        "inverse_distance: weighted mean of the nearest "
        "ground points; nearest: height of the nearest ground point",
        source="auto: measured against the exact terrain of made-up scenes: in steep forests with 3 % of the "
        "points on the ground, smooth was off by 0.78 to 0.84 of what tin was; it is worse beside walls and "
        "in wide gaps",
    )
    longest_edge: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="tin: triangles with a longer edge are left out, so wider gaps stay empty",
        derived="60 m, or 20 cells where that is more",
        source="common practice, no source: bridges buildings and dense woodland, leaves lakes open",
    )
    stiffness: float = parameter(
        0.01,
        gt=0,
        le=1000,
        meaning="smooth: how much bending counts against distance from the points (a factor for cells of any "
        "size): the larger, the smoother",
        source="least error against the exact terrain of made-up scenes, on the mean of the ratios to tin "
        "(0.003 to 1 were tried, seed 3)",
    )
    power: float = parameter(
        2.0,
        gt=0,
        le=20,
        meaning="inverse_distance: exponent of the distance",
        source="Shepard 1968",
    )
    neighbours: int = parameter(
        12,
        ge=1,
        le=1000,
        unit="points",
        meaning="inverse_distance: how many of the nearest ground points take part",
        source="common practice, no source",
    )
    search_radius: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="inverse_distance and nearest: cells farther than this from any ground point stay empty",
        derived="half of longest_edge, so all methods bridge gaps of the same width",
    )
    fill: Fill = parameter(
        "none",
        meaning="heights for cells left empty: none; nearest: that of the nearest cell; smooth: a membrane "
        "between the cells around (filled cells have a code of their own in dtm_source)",
    )
    fill_distance: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="cells farther than this from any height are not filled",
        derived="longest_edge",
    )
    classes: ClassCodes = parameter(
        (int(ClassCode.GROUND),),
        meaning="class codes that count as ground",
        source="ASPRS LAS 1.4, table 17",
    )

    @field_validator("classes")
    @classmethod
    def _some(cls, value: tuple[int, ...]) -> tuple[int, ...]:
        if not value:
            raise ValueError("at least one class code is needed")
        return value


class TerrainGrid(Stage):
    """Turn ground points into a terrain model (``dtm``) and a raster that says where heights come from.

    All lengths are metres. A cell's height is the terrain at its centre. By default it is interpolated
    linearly within the Delaunay triangles of the ground points, which bridges buildings and thickets as
    straight slopes; triangles with an edge longer than ``longest_edge`` are left out, so lakes and gaps in
    the flight stay empty. Where ground shows in few single points, as in dense forest, the surface is smooth
    by default: straight slopes between far points cut off what lies between them. That is where fewer than a
    quarter of the cells with a height hold a ground point, and ground points lie at least three times as far
    apart as all points; where there are more cells than points altogether, as with a cell that is chosen very
    small, it isn't asked.

    Natural neighbours and the smooth surface have heights on the same cells, and on planes the same heights:
    the former round off the triangles' edges, the latter bends across them, lies near the points instead of
    on them and carries slopes on into gaps. A cell that holds ground points but lies under no triangle (the
    rim of the site, a lone point) takes its ground point nearest to the centre. Where ground points share x
    and y the lowest counts. Withheld points are never used.

    ``dtm_source`` tells cells apart: 0 empty, 1 measured (a ground point in the cell), 2 interpolated,
    3 filled.

    Figures: ``terrain.cell`` (m), ``terrain.cells``, ``terrain.ground_points``, and the shares of all cells
    ``terrain.measured_share``, ``terrain.interpolated_share``, ``terrain.filled_share``,
    ``terrain.empty_share``.
    """

    name = "terrain_grid"
    reports = (
        Figure("terrain.cell", "m", "cell of the terrain grid"),
        Figure("terrain.cells", "", "cells of the terrain grid"),
        Figure("terrain.ground_points", "", "ground points that the terrain grid is made of"),
        Figure("terrain.empty_share", "", "share of cells without a height"),
        Figure("terrain.measured_share", "", "share of cells with a ground point in them"),
        Figure("terrain.interpolated_share", "", "share of cells between ground points"),
        Figure("terrain.filled_share", "", "share of cells filled from around"),
    )
    kind = "surface"
    Params = TerrainGridParams
    scope = Scope.CLOUD
    needs = ("x", "y", "z", "classification")
    uses = ("withheld",)
    grids = ("dtm", "dtm_source")
    summarises = True
    draws = True
    references = (
        "Delaunay 1934, Sur la sphere vide, Izv. Akad. Nauk SSSR 7:793-800",
        "Bowyer 1981, Computing Dirichlet tessellations, Comput. J. 24:162-166",
        "Watson 1981, Computing the n-dimensional Delaunay tessellation, Comput. J. 24:167-172",
        "Edelsbrunner and Muecke 1990, Simulation of simplicity, ACM Trans. Graph. 9:66-104",
        "Sibson 1981, A brief description of natural neighbour interpolation",
        "Craven and Wahba 1979, Smoothing noisy data with spline functions, Numer. Math. 31:377-403",
        "Shepard 1968, A two-dimensional interpolation function for irregularly-spaced data, Proc. ACM 23",
    )
    # Measured: 39 where a million points are drawn by two threads, 30 for four million.
    bytes_per_point = 48

    params: TerrainGridParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the lengths that were left open, and why they are what they are.

        Raises
        ------
        UsageError
            If the grid would have more than 400 million cells.
        """
        cell, (values, reasons) = settled_cell(self.name, site, self.params.cell)
        longest = self.params.longest_edge
        if longest is None:
            longest = values["longest_edge"] = max(_BRIDGED, _BRIDGED_CELLS * cell)
            reasons["longest_edge"] = (
                f"{_BRIDGED:g} m bridges buildings and dense woodland but leaves lakes open; "
                f"at least {_BRIDGED_CELLS} cells"
            )
        if self.params.search_radius is None:
            values["search_radius"] = longest / 2
            reasons["search_radius"] = "half of longest_edge: gaps of that width are just bridged"
        if self.params.fill_distance is None:
            values["fill_distance"] = longest
            reasons["fill_distance"] = "as longest_edge"
        return values, reasons

    def classes_needed(self) -> tuple[int, ...]:
        """Return the classes that are ground."""
        return self.params.classes

    def reach(self) -> float:
        """Return a dozen cells, at most as far as a result reaches in any case: few cells need more."""
        cell = cast("float", self.params.cell)
        tin = self.params.method in BY_TRIANGLES
        farthest = cast("float", self.params.longest_edge if tin else self.params.search_radius)
        return max(_LEAST_BUFFER * cell, min(_BUFFER * cell, farthest))

    def site_bytes(self, site: SiteFacts) -> SiteBytes:
        """Return what smoothing and filling take, which have the whole raster at hand."""
        window = raster_window(self.name, site, cast("float", self.params.cell))
        cells = window.rows * window.columns
        method = self.params.method
        may_smooth = method == "smooth" or (method == "auto" and _enough_points(cells, site))
        smoothing = smoothing_bytes(window) if may_smooth else 0
        filling = int(cells * _FILLING[self.params.fill]) if self.params.fill != "none" else 0
        return SiteBytes(0, max(smoothing, filling))

    def canvas(self, site: SiteFacts) -> tuple[Canvas, ...]:
        """Return the two rasters: heights stay float64 (the file's float32 is made of them in its own unit).

        Raises
        ------
        UsageError
            If the grid would have more than 400 million cells.
        """
        window = raster_window(self.name, site, cast("float", self.params.cell))
        return (
            Canvas("dtm", window, np.float64, np.nan, "terrain height at the cell centre", "m", shaded=True),
            Canvas("dtm_source", window, np.uint8, 0, "where the terrain height comes from", "", LEGEND),
        )

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return the convex hulls of the block's ground points in wide cells: where the site has points."""
        used = self._chosen(points) & context.core
        if self.params.method not in BY_TRIANGLES:
            return Summary(NO_HULLS)
        frame = _frame(context.site)
        count = usable(points["x"], points["y"], points["z"], used, frame)
        cell = _HULL_CELLS * cast("float", self.params.cell) / frame.step
        edge = math.ceil(max(cell, max(frame.columns, frame.rows) / _MOST_HULLS_ALONG, 1.0))
        bins = binned(points["x"], points["y"], used, count, frame, edge, threads=context.threads)
        return Summary(hulls_of(bins, context.threads))

    def merge(self, parts: Sequence[Hulls]) -> Hulls:
        """Join the hulls, in an order that depends on them alone."""
        return joined(parts)

    def solve(self, merged: Hulls, site: SiteFacts) -> Solution:
        """Hand the hulls on to :meth:`draw`."""
        del site
        return Solution(merged)

    def draw(self, points: Points, context: Context, solution: Solution | None = None) -> Drawing:
        """Return heights and where they come from, for the cells of the block.

        The share is the number of the block's ground points.
        """
        assert solution is not None  # noqa: S101 - this stage summarises
        site = context.site
        window = self.canvas(site)[0].window
        part = cells_of_block(window, context.block, site.bounds)
        ground = GroundPoints(
            points, context.buffered, context.fetch, _frame(site), self._chosen, threads=context.threads
        )
        count = int(np.count_nonzero(ground.used & context.core))
        arrays = draw_heights(ground, window, part, _manner(self.params), solution.value, context.threads)
        return Drawing(part, arrays, count)

    def finish(self, grids: Mapping[str, NDArray[Any]], shares: Sequence[int], site: SiteFacts) -> Solution:
        """Fill what is to be filled, and count."""
        cell = cast("float", self.params.cell)
        heights, source = grids["dtm"], grids["dtm_source"]
        canvases = self.canvas(site)
        manner, reasons = _settled(_manner(self.params), cell, sum(shares), source, site)
        smooth_heights(heights, source, canvases[0].window, manner)
        fill_heights(heights, source, cell, manner)
        figures = _figures(cell, sum(shares), source)
        dtm, origins = (canvas.grid(grids[canvas.name]) for canvas in canvases)
        made = replace(dtm, smooth=manner.method == "smooth"), origins
        return Solution(None, made, figures, self._warnings(figures), reasons=reasons)

    def _chosen(self, points: Points) -> NDArray[np.bool_]:
        """Return which points count as ground, as an array of its own."""
        table = np.zeros(256, bool)
        table[list(self.params.classes)] = True
        used: NDArray[np.bool_] = table[points["classification"]]
        if "withheld" in points:
            used &= ~points["withheld"]
        return used

    def _warnings(self, figures: Mapping[str, float | int]) -> tuple[str, ...]:
        count = figures["terrain.ground_points"]
        if count == 0:
            codes = ", ".join(str(code) for code in self.params.classes)
            return (f"no ground points (class {codes}): the terrain grid is empty",)
        measured = figures["terrain.measured_share"]
        covered = 1.0 - figures["terrain.empty_share"]
        if measured >= _SPARSE * covered:
            return ()
        cell = float(figures["terrain.cell"])
        spacing = _spacing(cell, covered * figures["terrain.cells"], count)
        line = (
            f"only {measured / covered:.0%} of the terrain cells with a height hold a ground point: ground "
            f"points lie about {spacing:.2g} m apart, a cell of {rounded_up(spacing):g} m would suit them"
        )
        return (line,)


def _manner(resolved: TerrainGridParams) -> Manner:
    return Manner(
        resolved.method,
        cast("float", resolved.longest_edge),
        resolved.power,
        resolved.neighbours,
        cast("float", resolved.search_radius),
        resolved.fill,
        cast("float", resolved.fill_distance),
        resolved.stiffness,
    )


def _frame(site: SiteFacts) -> Frame:
    return frame_of((*site.bounds,), site.resolution)


def _spacing(cell: float, cells: float, count: float) -> float:
    """Return how far apart points lie on average that share some cells, m."""
    return cell * math.sqrt(cells / count)


def _codes(source: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return how many cells have each code."""
    numbers = np.zeros(256, np.int64)
    for start in range(0, len(source), _LINES):
        numbers += np.bincount(source[start : start + _LINES].ravel(), minlength=len(numbers))
        let_go(source)
    return numbers


def _enough_points(cells: int, site: SiteFacts) -> bool:
    """Tell whether it is asked at all if a plate suits: its memory counts in the plan then."""
    return cells <= site.count


def _settled(
    manner: Manner, cell: float, count: int, source: NDArray[np.uint8], site: SiteFacts
) -> tuple[Manner, dict[str, str]]:
    """Settle the method where it was left open, and say why.

    It follows from whole numbers of cells and points, so that blocks don't show in it.

    Parameters
    ----------
    manner : Manner
        As asked for.
    cell : float
        Side of a cell, m.
    count : int
        Ground points.
    source : ndarray of uint8, shape (rows, columns)
        As drawn.
    site : SiteFacts
        How many points there are, and how far apart.

    Returns
    -------
    manner : Manner
        With a method of its own.
    reasons : dict of str to str
        For the run record.
    """
    if manner.method != "auto":
        return manner, {}
    numbers = _codes(source)
    measured = int(numbers[HeightSource.MEASURED] + numbers[BESIDE])
    covered = source.size - int(numbers[HeightSource.EMPTY])
    if count == 0 or covered == 0:
        return manner._replace(method="tin"), {"method": "tin: there is no ground point"}
    if not _enough_points(source.size, site):
        return manner._replace(method="tin"), {"method": "tin: there are more cells than points"}
    apart = _spacing(cell, covered, count)
    sparse = measured < _SPARSE * covered
    scattered = apart >= _SCATTERED * site.spacing
    method: Method = "smooth" if sparse and scattered else "tin"
    compared = (
        f"{measured / covered:.0%} of the cells with a height hold a ground point, ground points lie "
        f"{apart:.2g} m apart, all points {site.spacing:.2g} m; smooth where that is less than {_SPARSE:.0%} "
        f"and at least {_SCATTERED:g} times as far"
    )
    return manner._replace(method=method), {"method": f"{method}: {compared}"}


def _figures(cell: float, count: int, source: NDArray[np.uint8]) -> dict[str, float | int]:
    figures: dict[str, float | int] = {
        "terrain.cell": cell,
        "terrain.cells": source.size,
        "terrain.ground_points": count,
    }
    numbers = _codes(source)
    for code in HeightSource:
        figures[f"terrain.{code.name.lower()}_share"] = float(numbers[code] / source.size)
    return figures
