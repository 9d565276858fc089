"""How far each cell of the terrain model can be trusted: its standard error, and the ground's roughness."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from cloudprep.kernels.facets import binned
from cloudprep.kernels.height_error import (
    Raster,
    add_bends,
    bin_roughness,
    cell_variances,
    measured_variance,
    squared_curvatures,
)
from cloudprep.kernels.roughness_mixture import class_chances, mixture_errors
from cloudprep.model.bounds import Bounds
from cloudprep.model.classes import ClassCode
from cloudprep.model.figures import Figure
from cloudprep.model.grid import Canvas, Drawing, Window
from cloudprep.stages.base import ClassCodes, Scope, Solution, Stage, StageParams, cells_of_block, parameter
from cloudprep.stages.surface._error_tiles import (
    AROUND_POINTS,
    FARTHEST,
    NODE,
    CellCentres,
    Found,
    GroundBins,
    facets_and_residuals,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.grid import Grid
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context, Points

    Floats = NDArray[np.float64]

# Edges of bins, m: whole parts of a kilometre, so that a cloud moved by kilometres keeps its bins.
_BINS = (
    0.05,
    0.1,
    0.125,
    0.2,
    0.25,
    0.4,
    0.5,
    0.8,
    1.0,
    1.25,
    2.0,
    2.5,
    4.0,
    5.0,
    8.0,
    10.0,
    20.0,
    40.0,
    100.0,
)
_BIN_TO_SPACING = 2.0
# The terrain's curvature is taken over this many bins, and averaged over twice as many cells.
_LAG = 5
# What the bend of a triangle is, by the square of its gap: in the middle of an equilateral one of edge h they
# are h^2 / 3 and h (1 / sqrt(3) - 1 / 3).
_BEND_OF_GAP = 3.0 / (math.sqrt(3.0) - 1.0) ** 2
# Rows of cells that are worked out at a time.
_STRIP = 256
_NOISIER, _CALMER = 1.6, 0.6
# What a smooth terrain is off by, as a part of what triangles are: set on demo scenes of seeds 1 and 3.
_SMOOTH = 0.87


class TerrainErrorParams(StageParams):
    """Parameters of :class:`TerrainError`."""

    vertical_error: float = parameter(
        0.03,
        gt=0,
        le=10,
        unit="m",
        meaning="standard deviation of a point's height due to its measurement, from point to point",
        source="common practice, no source: a typical laser scanner's range noise",
    )
    horizontal_error: float = parameter(
        0.05,
        ge=0,
        le=10,
        unit="m",
        meaning="standard deviation of a point's easting and of its northing due to its measurement, from "
        "point to point",
        source="common practice, no source: a typical laser's own part, without what a flight line is off",
    )
    systematic_error: float = parameter(
        0.0,
        ge=0,
        le=10,
        unit="m",
        meaning="standard deviation of what all points of a flight line are off by alike; not part of the "
        "raster, but declared beside it",
        source="common practice, no source: none is assumed; control points tell",
    )
    bin: float | None = parameter(
        None,
        gt=0,
        le=1000,
        unit="m",
        meaning="edge of the bins in which ground points are looked for and their roughness is summed up",
        derived="2 point spacings, rounded up to a whole part of a kilometre",
    )
    classes: ClassCodes = parameter(
        (int(ClassCode.GROUND),),
        meaning="class codes that count as ground",
        source="ASPRS LAS 1.4, table 17",
    )


class TerrainError(Stage):
    """Tell for each cell of ``dtm`` how far its height may be off, and how rough the ground is.

    ``dtm_standard_error`` is the standard error (m) of the height at the cell's centre: over an area
    about 68 % of true heights lie within one, 95 % within 1.96 of it. What is off has longer tails than a
    normal distribution where the ground is broken; the standard error then follows from what 95 % ask
    for, and more than 68 % lie within one. ``dtm_roughness`` is the root mean square of the vertical
    distances (m) of the nearest 24 or more ground points from the surface of the points around each,
    scaled such that on even ground it is the standard deviation of a point's height.

    The error has two parts. Errors of measurement: ``vertical_error``, and ``horizontal_error`` times the
    slope of ``dtm``, averaged by the corners of the triangle of ground points that holds the centre. And
    what the ground does between the points: how rough it is here, times how far the centre is from
    support; across wide gaps also how the terrain is curved. How rough: each point is left out and
    compared with what those around it give, and the 200 or more nearest such differences tell how much of
    the ground around is even, and how much is of nine classes of roughness; of which class a triangle is,
    its neighbours and its corners tell (Bayes' rule), and whether it is even and only lies beside a
    break. So ground that a wall crosses is told from the even ground at its foot. A triangle is taken
    whatever ``dtm`` was made with: it is right for linear interpolation in triangles. A smooth ``dtm`` is
    said to be off by 0.87 of that, which is right on even land and in forests; beside walls, banks and
    faces it is off by more. Other heights that average many points have smaller errors of measurement than
    is said. Cells that were filled are judged by the triangle that spans the void. Beyond the outermost
    points the nearest one counts, and what the slope of ``dtm`` there makes of its distance.

    What all points of a flight line have in common (an offset of the line, of the reference system, of
    the geoid model) can't be seen in the points and isn't in the raster: declare it as
    ``systematic_error``. Its square adds to that of the raster where heights are compared with others'
    heights; it doesn't where cells of one flight are compared. Nor is ground that was classified wrongly
    in the raster, but for how much rougher it makes the ground. Beneath buildings nothing is seen of the
    ground: it is taken to be as the ground around, and is often more even.

    Cells without a height have no error, nor those with fewer than 8 ground points within 20 bins: about
    those nothing is known.

    Figures: ``terrain_error.vertical``, ``terrain_error.horizontal``, ``terrain_error.systematic`` as
    declared (m); ``terrain_error.median`` and ``terrain_error.percentile_95`` of the raster (m);
    ``terrain_error.unknown_share`` of the cells with a height; ``terrain_error.even_ground``, the roughness
    (m) that the smoothest quarter of the cells stays below, which should resemble ``vertical_error``.
    """

    name = "terrain_error"
    reports = (
        Figure("terrain_error.vertical", "m", "vertical error of points that was used"),
        Figure("terrain_error.horizontal", "m", "horizontal error of points that was used"),
        Figure("terrain_error.systematic", "m", "systematic error that was used"),
        Figure("terrain_error.unknown_share", "", "share of heights without a standard error"),
        Figure("terrain_error.median", "m", "median standard error of heights"),
        Figure("terrain_error.percentile_95", "m", "standard error that 95 % of heights don't exceed"),
        Figure("terrain_error.even_ground", "m", "roughness of even ground"),
    )
    kind = "surface"
    Params = TerrainErrorParams
    scope = Scope.CLOUD
    needs = ("x", "y", "z", "classification")
    uses = ("withheld",)
    grids = ("dtm_standard_error", "dtm_roughness")
    reads = ("dtm",)
    draws = True
    references = (
        "Kraus et al. 2006, Local accuracy measures for digital terrain models, Photogramm. Rec. 21:342-354",
        "Aguilar et al. 2005, Effects of terrain morphology [...] on grid DEM accuracy, PE&RS 71:805-816",
        "Dempster et al. 1977, Maximum likelihood from incomplete data [...], J. R. Stat. Soc. B 39:1-38",
        "Varadhan and Roland 2008, Simple and globally convergent methods [...], Scand. J. Stat. 35:335-353",
        "Edelsbrunner and Seidel 1986, Voronoi diagrams and arrangements, Discrete Comput. Geom. 1:25-44",
    )
    # Measured: 301 where one thread draws 0.76 million points, four to a square metre, on as many cells.
    # Other threads have tiles of their own.
    bytes_per_point = 440

    params: TerrainErrorParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the bins that suit the cloud."""
        if self.params.bin is not None:
            return {}, {}
        spacing = site.spacing if np.isfinite(site.spacing) else _BINS[-1]
        edge = next((usual for usual in _BINS if usual >= _BIN_TO_SPACING * spacing), _BINS[-1])
        return {"bin": edge}, {"bin": f"point spacing {spacing:.2f} m x {_BIN_TO_SPACING}, rounded up"}

    def reach(self) -> float:
        """Return how far around a cell's centre points count, with a bin for its own place within one."""
        return (FARTHEST + AROUND_POINTS + NODE + 2) * cast("float", self.params.bin)

    def canvas(self, site: SiteFacts) -> tuple[Canvas, ...]:
        """Return the two rasters, on the cells of ``dtm``."""
        del site
        window = self.rasters["dtm"].window
        return (
            Canvas(
                "dtm_standard_error", window, np.float32, np.nan, "standard error of the terrain height", "m"
            ),
            Canvas(
                "dtm_roughness",
                window,
                np.float32,
                np.nan,
                "scatter of ground points about those around them",
                "m",
            ),
        )

    def draw(self, points: Points, context: Context, solution: Solution | None = None) -> Drawing:
        """Return errors and roughness of the block's cells."""
        del solution
        dtm = self.rasters["dtm"]
        window, site = dtm.window, context.site
        part = cells_of_block(window, context.block, site.bounds)
        errors = np.full(part.shape, np.nan, np.float32)
        roughness = errors.copy()
        drawing = Drawing(part, (errors, roughness))
        x, y, z = self._ground(points)
        if errors.size == 0 or len(x) == 0:
            return drawing
        edge = cast("float", self.params.bin)
        bins = _bins_around(part, site, edge, self.reach())
        column = bins.lattice.column_of(x) - bins.column
        row = bins.lattice.row_of(y) - bins.row
        inside = (column >= 0) & (row >= 0) & (column < bins.columns) & (row < bins.rows)
        if not inside.all():
            x, y, z = x[inside], y[inside], z[inside]
            column, row = column[inside], row[inside]
        ground = GroundBins(binned(x, y, z, column, row, bins.shape, edge), bins, site)
        first = part.row - window.row, part.column - window.column
        known = np.isfinite(dtm.values[first[0] : first[0] + part.rows, first[1] : first[1] + part.columns])
        cells = CellCentres(window, part, bins, ground.frame)
        heights = _raster(window, dtm.values)
        found = facets_and_residuals(
            ground,
            cells,
            known,
            lambda at_x, at_y: measured_variance(heights, at_x, at_y, *self._variances),
            context.threads,
        )
        rows, inner_rows = np.unique(cells.row_bins, return_inverse=True)
        columns, inner_columns = np.unique(cells.column_bins, return_inverse=True)
        # Squares of bins that are the same for all blocks, counted from those of this one.
        node_rows, own_nodes = np.unique((cells.row_bins + bins.row) // NODE, return_inverse=True)
        node_columns, column_nodes = np.unique((cells.column_bins + bins.column) // NODE, return_inverse=True)
        nodes = node_rows * NODE - bins.row, node_columns * NODE - bins.column
        around, values = self._curvatures(part, context.threads)
        curvature = _raster(around, values)
        points_x, points_y = ground.points.x, ground.points.y
        add_bends(found.points[3], curvature, points_x, points_y, found.points[:3], _BEND_OF_GAP)
        chances = class_chances(
            ground.points, found.points, found.sums.numbers, nodes, NODE, FARTHEST, threads=context.threads
        )
        top, left = part.row - around.row, part.column - around.column

        def work(start: int) -> None:
            strip = slice(start, min(start + _STRIP, part.rows))
            own, own_rows = np.unique(inner_rows[strip], return_inverse=True)
            scatter = bin_roughness(found.sums, rows[own], columns, FARTHEST)
            at = np.ix_(own_rows, inner_columns)
            weight, gap, bend = (figure[strip] for figure in found.cells)
            measured, bent = cell_variances(
                heights,
                (first[0] + strip.start, first[1]),
                weight,
                bend,
                values,
                (top + strip.start, left),
                *self._variances,
            )
            asked = measured, gap, bent
            errors[strip] = _mixed(found, strip, chances, (own_nodes[strip], column_nodes), asked, dtm)
            roughness[strip] = np.where(known[strip], scatter[at], np.nan)
            errors[strip][~known[strip]] = np.nan

        with ThreadPoolExecutor(context.threads) as pool:
            list(pool.map(work, range(0, part.rows, _STRIP)))
        return drawing

    def finish(self, grids: Mapping[str, NDArray[Any]], shares: Sequence[Any], site: SiteFacts) -> Solution:
        """Return the rasters and what they say on the whole."""
        del shares
        errors, roughness = grids["dtm_standard_error"], grids["dtm_roughness"]
        heights = int(np.count_nonzero(np.isfinite(self.rasters["dtm"].values)))
        known = np.sort(errors[np.isfinite(errors)])
        figures: dict[str, float | int] = {
            "terrain_error.vertical": self.params.vertical_error,
            "terrain_error.horizontal": self.params.horizontal_error,
            "terrain_error.systematic": self.params.systematic_error,
            "terrain_error.unknown_share": 1.0 - len(known) / heights if heights else 0.0,
        }
        if len(known):
            figures["terrain_error.median"] = _part(known, 0.5)
            figures["terrain_error.percentile_95"] = _part(known, 0.95)
            even = _part(np.sort(roughness[np.isfinite(roughness)]), 0.25)
            figures["terrain_error.even_ground"] = even
        made = tuple(canvas.grid(grids[canvas.name]) for canvas in self.canvas(site))
        return Solution(None, made, figures, self._warnings(figures))

    def _ground(self, points: Points) -> tuple[Floats, Floats, Floats]:
        table = np.zeros(256, bool)
        table[list(self.params.classes)] = True
        x, y, z = points["x"], points["y"], points["z"]
        used = table[points["classification"]]
        if "withheld" in points:
            used &= ~points["withheld"]
        used &= np.isfinite(z)
        which = np.flatnonzero(used)
        return x.take(which), y.take(which), z.take(which)

    @property
    def _variances(self) -> tuple[float, float]:
        """What the measurement of a height, and of a place along one axis, is off by, squared, m2."""
        return self.params.vertical_error**2, self.params.horizontal_error**2

    def _curvatures(self, part: Window, threads: int) -> tuple[Window, Floats]:
        """Return the squared curvature (1 / m2) as far around some cells as points count, and its cells."""
        whole, cell = self.rasters["dtm"].window, part.lattice.cell
        farther = math.ceil((FARTHEST + NODE + 1) * cast("float", self.params.bin) / cell) + 1
        row, column = max(part.row - farther, whole.row), max(part.column - farther, whole.column)
        rows = min(part.row + part.rows + farther, whole.row + whole.rows) - row
        columns = min(part.column + part.columns + farther, whole.column + whole.columns) - column
        found = np.empty((rows, columns))

        def work(start: int) -> None:
            lines = Window(part.lattice, column, row + start, columns, min(_STRIP, rows - start))
            found[start : start + _STRIP] = self._curvature(lines)

        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(work, range(0, rows, _STRIP)))
        return Window(part.lattice, column, row, columns, rows), found

    def _curvature(self, part: Window) -> Floats:
        """Return the squared curvature of the terrain around some cells, 1 / m2."""
        dtm = self.rasters["dtm"]
        cell = dtm.window.lattice.cell
        lag = max(round(_LAG * cast("float", self.params.bin) / cell), 1)
        row, column, margin = part.row - dtm.window.row, part.column - dtm.window.column, 3 * lag
        r0, c0 = max(row - margin, 0), max(column - margin, 0)
        around = dtm.values[r0 : row + part.rows + margin, c0 : column + part.columns + margin]
        noise = self.params.vertical_error**2 / 2
        found = squared_curvatures(around, cell, lag, 2 * lag, noise)
        own: Floats = found[row - r0 : row - r0 + part.rows, column - c0 : column - c0 + part.columns]
        return own

    def _warnings(self, figures: Mapping[str, float | int]) -> tuple[str, ...]:
        even = figures.get("terrain_error.even_ground")
        if even is None:
            return ("the terrain's error is unknown everywhere: there are no ground points to judge it by",)
        declared = self.params.vertical_error
        found = f"even ground scatters by {even:.3f} m, and vertical_error is {declared:g} m: "
        if even > _NOISIER * declared:
            return (found + "the ground points are noisier than declared, or not all of them are ground",)
        if even < _CALMER * declared:
            return (found + "dtm_standard_error is too large if that is all the error from point to point",)
        return ()


def _mixed(
    found: Found,
    strip: slice,
    chances: Floats,
    nodes: tuple[NDArray[np.int64], NDArray[np.int64]],
    asked: tuple[Floats, NDArray[np.float32], Floats],
    dtm: Grid,
) -> Floats:
    """Return the standard errors of some rows of cells, tile by tile: each has numbered its own triangles."""
    measured, gap, bent = asked
    errors = np.full(measured.shape, np.nan)
    for seen in found.seen:
        first, beyond = max(seen.rows.start, strip.start), min(seen.rows.stop, strip.stop)
        if first >= beyond:
            continue
        place = slice(first - strip.start, beyond - strip.start), seen.columns
        holder = found.holder[first:beyond, seen.columns]
        of_rows, of_columns = nodes[0][place[0]], nodes[1][seen.columns]
        errors[place] = mixture_errors(
            chances,
            of_rows,
            of_columns,
            (holder, seen.likely),
            measured[place],
            gap[place],
            bent[place],
        )
    return errors * _SMOOTH if dtm.smooth else errors


def _raster(window: Window, values: NDArray[np.floating]) -> Raster:
    """Return values on cells with where these lie."""
    column, row = window.lattice.base
    first = column - window.column, row - window.row
    return Raster(values, window.lattice.phase, first, window.lattice.cell)


def _bins_around(part: Window, site: SiteFacts, edge: float, reach: float) -> Window:
    """Return all bins from which points count for some cells, as far as the site goes."""
    lattice, cell = site.lattice(edge), part.lattice.cell
    around = Bounds(
        part.left, part.bottom, part.left + part.columns * cell, part.bottom + part.rows * cell
    ).grown(reach)
    x0, y0, x1, y1 = site.bounds
    bounds = Bounds(
        max(around.x0, min(x0, part.left)),
        max(around.y0, min(y0, part.bottom)),
        min(around.x1, max(x1, part.left + part.columns * cell)),
        min(around.y1, max(y1, part.bottom + part.rows * cell)),
    )
    window = lattice.window(bounds)
    # One more to the upper side: rounding mustn't leave the last centre outside.
    return Window(lattice, window.column, window.row, window.columns + 1, window.rows + 1)


def _part(values: NDArray[Any], share: float) -> float:
    """Return the value that a share of sorted values stays below."""
    return float(values[min(int(share * len(values)), len(values) - 1)])
