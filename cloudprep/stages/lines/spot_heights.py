"""Spot heights: the points of a map that carry a height."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
import shapely
from scipy.ndimage import minimum_filter

from cloudprep.kernels.compiling import read_only
from cloudprep.kernels.opening import dilation, erosion
from cloudprep.kernels.spots import far_apart, saddle_strength
from cloudprep.model.figures import Figure
from cloudprep.model.layer import Layer
from cloudprep.stages.base import Scope, Solution, Stage, StageParams, parameter
from cloudprep.stages.lines._intervals import derived_interval
from cloudprep.stages.surface._cells import derived_cell

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts

KINDS = ("top", "pit", "saddle", "regular")
_SPACING_CELLS = 100
_STRIP_CELLS = 1_000_000
_SAMPLES = 16


class SpotHeightsParams(StageParams):
    """Parameters of :class:`SpotHeights`."""

    spacing: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="distance between regular spot heights; no two spot heights lie nearer than half of it",
        derived="100 cells",
        source="common practice, no source",
    )
    smallest_rise: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="a top stands, and a pit lies, at least so far above or below the ground around it; of a "
        "saddle half of it is asked",
        derived="half of the interval that contours would have by default",
        source="common practice, no source",
    )
    regular: bool = parameter(
        True, meaning="whether places between tops, pits and saddles get a spot height too"
    )


class SpotHeights(Stage):
    """Choose spot heights: the layer ``spot_heights`` of 3D points.

    All lengths are metres; heights come out in the unit of the cloud's heights, and are those of ``dtm`` at
    the cell centres. With a radius of half of ``spacing``: a top is the highest cell of the square of this
    radius about it and stands ``smallest_rise`` above every one of 16 cells on the circle of this radius
    (half of them known at least), a pit is the lowest and lies as far below them; neither the rim nor a hole
    is nearer than half the radius. A saddle is a cell about which, on a circle of half the radius, the ground
    rises, falls, rises and falls by half of ``smallest_rise``; of saddles within the circle only the clearest
    one counts. Then come the cells of a regular lattice. Tops and pits are taken first (those that stand out
    most before the others), then saddles, then regular ones, each unless one taken before lies nearer than
    half of ``spacing``.

    Attributes: ``elevation``; ``kind`` (top, pit, saddle, regular); ``rise``: by how much it stands out
    (0 for regular ones).

    Figures: ``spot_heights.tops``, ``spot_heights.pits``, ``spot_heights.saddles``,
    ``spot_heights.regulars``.
    """

    name = "spot_heights"
    reports = (
        Figure("spot_heights.tops", "", "spot heights on tops"),
        Figure("spot_heights.pits", "", "spot heights in pits"),
        Figure("spot_heights.saddles", "", "spot heights on saddles"),
        Figure("spot_heights.regulars", "", "spot heights at regular distances"),
    )
    kind = "lines"
    Params = SpotHeightsParams
    scope = Scope.RASTER
    needs = ()
    reads = ("dtm",)
    makes_layers = ("spot_heights",)
    references = (
        "Peucker and Douglas 1975, Detection of surface-specific points, Comput. Graph. Image Process. 4",
    )
    # Strips of a fixed size: less a cell, the larger the raster.
    bytes_per_cell = 48

    params: SpotHeightsParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the lengths that were left open, and why."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        if self.params.spacing is None:
            values["spacing"] = _SPACING_CELLS * derived_cell(site)[0]
            reasons["spacing"] = f"{_SPACING_CELLS} cells"
        if self.params.smallest_rise is None:
            interval = derived_interval(site)[0]
            values["smallest_rise"] = interval / 2
            reasons["smallest_rise"] = f"half of an interval of contours of {interval:g} m"
        return values, reasons

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Choose the points."""
        del site
        grid = self.rasters["dtm"]
        window = grid.window
        cell = window.lattice.cell
        spacing = max(2, round(cast("float", self.params.spacing) / cell))
        rise = cast("float", self.params.smallest_rise)
        found = _candidates(grid.values, max(1, spacing // 2), rise, self.threads)
        parts = [found]
        if self.params.regular:
            parts.append(_lattice(grid.values, spacing, window.column, window.row))
        kind, row, column, rises = (np.concatenate(values) for values in zip(*parts, strict=True))
        order = np.lexsort((column, row, -rises, np.maximum(kind, 1)))
        kind, row, column, rises = kind[order], row[order], column[order], rises[order]
        taken = far_apart(column, row, window.shape, spacing / 2)
        kind, row, column, rises = kind[taken], row[taken], column[taken], rises[taken]
        elevation = grid.values[row, column].astype(np.float64)
        x = window.left + (column + 0.5) * cell
        y = window.bottom + (row + 0.5) * cell
        points = shapely.points(np.column_stack((x, y, elevation)))
        layer = Layer(
            "spot_heights",
            "point",
            np.asarray(points, object),
            {"elevation": elevation, "kind": np.array(KINDS)[kind], "rise": rises},
            "spot height: a top, a pit, a saddle or a regular place of the terrain",
            heights=("elevation", "rise"),
        )
        counts = np.bincount(kind, minlength=len(KINDS))
        figures = {f"spot_heights.{name}s": int(n) for name, n in zip(KINDS, counts, strict=True)}
        return Solution(figures=figures, layers=(layer,))


class _Places(NamedTuple):
    """Cells with what they are, as numbers in ``KINDS``, and by how much they stand out."""

    kind: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    rise: NDArray[np.float64]


def _candidates(heights: NDArray[np.floating], radius: int, rise: float, threads: int) -> _Places:
    """Return tops, pits and saddles; found strip by strip, each with what surrounds it."""
    rows, columns = heights.shape
    step = max(4 * radius, min(_STRIP_CELLS // max(columns, 1), rows) // threads)
    halo = radius + 2 * _circle(radius)

    def of_strip(first: int) -> list[_Places]:
        low, high = max(0, first - halo), min(rows, first + step + halo)
        strip = np.asarray(heights[low:high], np.float64)
        own = slice(first - low, min(first + step, rows) - low)
        found = []
        for kind, stands in enumerate(_standing_out(strip, radius, rise)):
            row, column = np.nonzero(stands[own])
            row = row + own.start
            kinds = np.full(len(row), kind)
            found.append(_Places(kinds, row + low, column, stands[row, column]))
        return found

    with ThreadPoolExecutor(threads) as pool:
        parts = [part for some in pool.map(of_strip, range(0, rows, step)) for part in some]
    return _Places(*(np.concatenate(values) for values in zip(*parts, strict=True)))


def _standing_out(
    strip: NDArray[np.float64], radius: int, rise: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return by how much cells stand out as tops, pits and saddles; 0 where they don't."""
    strip = read_only(strip)  # as it comes from a raster; the kernels are compiled for one kind only
    known = ~np.isnan(strip)
    size = 2 * radius + 1
    inside = minimum_filter(known, 2 * (radius // 2) + 1, mode="constant", cval=False)
    found = []
    for sign, farthest in ((1.0, dilation), (-1.0, erosion)):
        row, column = np.nonzero(inside & (strip == farthest(strip, size)))
        high = np.where(known, sign * strip, -np.inf)
        stands = np.zeros(strip.shape)
        stands[row, column] = high[row, column] - _around(high, row, column, radius)
        stands[~(stands >= rise)] = 0.0
        found.append(stands)
    circle = _circle(radius)
    saddle = saddle_strength(strip, circle, rise / 2)
    saddle[saddle < dilation(read_only(saddle), 2 * circle + 1)] = 0.0
    return found[0], found[1], saddle


def _around(
    high: NDArray[np.float64], row: NDArray[np.int64], column: NDArray[np.int64], radius: int
) -> NDArray[np.float64]:
    """Return the highest of 16 cells on the circle about each cell; infinite where few of them are known."""
    angles = 2 * np.pi * np.arange(_SAMPLES) / _SAMPLES
    highest = np.full(len(row), -np.inf)
    number = np.zeros(len(row), int)
    for up, right in zip(np.rint(radius * np.sin(angles)), np.rint(radius * np.cos(angles)), strict=True):
        r, c = row + int(up), column + int(right)
        there = (r >= 0) & (r < high.shape[0]) & (c >= 0) & (c < high.shape[1])
        values = np.full(len(row), -np.inf)
        values[there] = high[r[there], c[there]]
        highest = np.maximum(highest, values)
        number += values > -np.inf
    highest[number < _SAMPLES // 2] = np.inf
    return highest


def _circle(radius: int) -> int:
    """Return the radius of the circle about a saddle, cells."""
    return max(2, radius // 2)


def _lattice(heights: NDArray[np.floating], spacing: int, column: int, row: int) -> _Places:
    """Return cells of the global lattice, every so many in each direction."""
    middle = spacing // 2
    rows = np.arange((middle - row) % spacing, heights.shape[0], spacing)
    columns = np.arange((middle - column) % spacing, heights.shape[1], spacing)
    r, c = (part.ravel() for part in np.meshgrid(rows, columns, indexing="ij"))
    known = ~np.isnan(heights[r, c])
    r, c = r[known], c[known]
    return _Places(np.full(len(r), len(KINDS) - 1), r, c, np.zeros(len(r)))
