"""Contours of the terrain."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np

from cloudprep.errors import UsageError
from cloudprep.kernels.line_thinning import vertices_kept
from cloudprep.kernels.smoothing import smooth_rows
from cloudprep.model.figures import Figure
from cloudprep.model.layer import Layer
from cloudprep.stages.base import Scope, Solution, Stage, StageParams, parameter
from cloudprep.stages.lines._intervals import derived_interval
from cloudprep.stages.lines._lines import lines_from
from cloudprep.stages.lines._traced import Traced, traced
from cloudprep.stages.surface._cells import derived_cell

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cloudprep.model.grid import Grid
    from cloudprep.model.site import SiteFacts

_SHORTEST_CELLS = 20
_THINNING = 0.1
_LARGEST_CHANGE = 0.25
INDEX, INTERMEDIATE = "index", "intermediate"


class ContoursParams(StageParams):
    """Parameters of :class:`Contours`."""

    interval: float | None = parameter(
        None,
        gt=0,
        unit="m",
        meaning="height between one contour and the next: they lie at its whole multiples",
        derived="what the cell or the range of heights suggests, rounded up to 0.25, 0.5, 1, 2, 5, 10 ... m "
        "(1, 2, 5, 10 ... feet where heights come in feet)",
        source="common practice, no source",
    )
    index_every: int = parameter(
        5,
        ge=1,
        le=1000,
        meaning="which multiples of the interval are index contours: every 5th",
        source="common practice, no source",
    )
    smoothing: float | None = parameter(
        None,
        ge=0,
        unit="m",
        meaning="standard deviation of the weights by which the terrain is smoothed before it is traced; 0: "
        "not smoothed",
        derived="one cell",
        source="common practice, no source",
    )
    largest_change: float | None = parameter(
        None,
        ge=0,
        unit="m",
        meaning="smoothing changes no height by more than this",
        derived="a quarter of interval",
        source="common practice, no source",
    )
    thinning: float | None = parameter(
        None,
        ge=0,
        unit="m",
        meaning="vertices are left out where the line moves by no more than this; 0: all are kept",
        derived="a tenth of a cell",
        source="common practice, no source",
    )
    shortest: float | None = parameter(
        None,
        ge=0,
        unit="m",
        meaning="shorter contours are left out",
        derived="20 cells",
        source="common practice, no source",
    )


class Contours(Stage):
    """Draw contours of the terrain as 3D lines: the layer ``contours``.

    All lengths are metres; the elevations come out in the unit of the cloud's heights. Lines are traced
    between cell centres of a slightly smoothed copy of ``dtm`` (Gaussian weights of pairs of cells that lie
    opposite each other, so that planes and the rims of holes stay where they are; no height changes by more
    than ``largest_change``). No two contours cross or touch. They end at holes and at the rim; closed ones
    are rings. Higher ground lies on the left. A cell centre at the very level counts as above it.

    Attributes: ``elevation``; ``kind`` (index or intermediate); ``closed``; ``depression``: a ring with lower
    ground inside.

    The raster is smoothed and traced strip by strip; results don't depend on the strips.

    Figures: ``contours.lines``, ``contours.vertices``, ``contours.length`` (m), ``contours.interval`` (m).
    """

    name = "contours"
    reports = (
        Figure("contours.lines", "", "contour lines"),
        Figure("contours.vertices", "", "their vertices"),
        Figure("contours.length", "m", "their length"),
        Figure("contours.interval", "m", "their interval"),
    )
    kind = "lines"
    Params = ContoursParams
    scope = Scope.RASTER
    needs = ()
    reads = ("dtm",)
    makes_layers = ("contours",)
    references = (
        "Nielson and Hamann 1991, The asymptotic decider, Proc. Visualization '91, 83-91",
        "Reumann and Witkam 1974, Optimizing curve segmentation in computer graphics, ICS 1973, 467-472",
        "Visvalingam and Whyatt 1993, Line generalisation by repeated elimination of points, Cartogr. J. 30",
    )
    bytes_per_cell = 48

    params: ContoursParams

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the interval and the lengths that were left open, and why."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        cell = derived_cell(site)[0]
        interval = self.params.interval
        if interval is None:
            interval, reasons["interval"] = derived_interval(site)
            values["interval"] = interval
        lengths = {
            "smoothing": (cell, "one cell: single cells leave no trace, shapes stay"),
            "largest_change": (_LARGEST_CHANGE * interval, "a quarter of the interval"),
            "thinning": (_THINNING * cell, "a tenth of a cell"),
            "shortest": (_SHORTEST_CELLS * cell, f"{_SHORTEST_CELLS} cells"),
        }
        for name, (value, why) in lengths.items():
            if getattr(self.params, name) is None:
                values[name], reasons[name] = value, why
        return values, reasons

    def from_rasters(self, site: SiteFacts) -> Solution:
        """Trace the contours.

        Raises
        ------
        UsageError
            If the interval is so small that there would be more than 400 million vertices.
        """
        del site
        grid = self.rasters["dtm"]
        interval = cast("float", self.params.interval)
        lines = self._traced(grid, interval)
        cell = grid.window.lattice.cell
        if len(lines):
            kept = vertices_kept(
                lines.places,
                lines.starts,
                lines.closed,
                cast("float", self.params.thinning) / cell,
                (grid.window.columns, grid.window.rows),
            )
            lines = lines.thinned(kept)
        figures = {
            "contours.lines": len(lines),
            "contours.vertices": len(lines.places),
            "contours.length": float(lines.lengths().sum() * cell),
            "contours.interval": interval,
        }
        return Solution(figures=figures, layers=(self._layer(lines, grid, interval),))

    def _traced(self, grid: Grid, interval: float) -> Traced:
        cell = grid.window.lattice.cell
        deviation = cast("float", self.params.smoothing) / cell
        limit = cast("float", self.params.largest_change)
        deviation = min(deviation, float(max(grid.window.shape)))

        def rows(first: int, beyond: int) -> NDArray[np.float64]:
            return smooth_rows(grid.values, first, beyond, deviation, limit)

        try:
            return traced(rows, grid.window.shape, interval, cast("float", self.params.shortest) / cell)
        except OverflowError as error:
            raise UsageError(
                f"{self.name}: {error}: choose a larger 'interval' than {interval:g} m"
            ) from error

    def _layer(self, lines: Traced, grid: Grid, interval: float) -> Layer:
        window = grid.window
        cell = window.lattice.cell
        elevations = lines.levels * interval
        counts = np.diff(lines.starts)
        xyz = np.empty((len(lines.places), 3))
        xyz[:, 0] = window.left + (lines.places[:, 0] + 0.5) * cell
        xyz[:, 1] = window.bottom + (lines.places[:, 1] + 0.5) * cell
        xyz[:, 2] = np.repeat(elevations, counts)
        index = lines.levels % self.params.index_every == 0
        return Layer(
            "contours",
            "line",
            lines_from(xyz, lines.starts, lines.closed),
            {
                "elevation": elevations,
                "kind": np.where(index, INDEX, INTERMEDIATE),
                "closed": lines.closed,
                "depression": lines.depressions(),
            },
            f"line of equal terrain height, every {interval:.6g} m"
            + (f", smoothed by {self.params.smoothing:g} m" if self.params.smoothing else ""),
            heights=("elevation",),
        )
