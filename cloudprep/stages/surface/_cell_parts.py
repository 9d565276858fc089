"""The cells of a block with those around it that matter to its gaps, and the points that count in them."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from cloudprep.kernels.cell_points import Cells
from cloudprep.kernels.gap_bridging import bridge_gaps, cells_around, largest_radius
from cloudprep.kernels.tin_points import Frame, frame_of, substeps
from cloudprep.model.classes import NOISE_CODES
from cloudprep.model.grid import Window
from cloudprep.stages.base import ClassCodes, parameter

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Points

Returns = Literal["first", "all"]
GAP_CELLS = 10
GAP_SPACINGS = 8
# Each empty cell looks at so many around it: where cells are far finer than points lie, that takes long.
MOST_GAP_CELLS = 32
# Rows of cells whose gaps are bridged at a time.
_ROWS = 128


def returns_parameter(what: str) -> Any:
    """Return the description of the parameter ``returns``."""
    return parameter(
        "first",
        meaning=f"which returns {what}: first (of each pulse, single returns too; all points where no return "
        "numbers are carried), or all",
        source="common practice, no source: what a pulse meets first is the surface",
    )


def left_out_parameter() -> Any:
    """Return the description of the parameter ``left_out``."""
    return parameter(
        NOISE_CODES,
        meaning="class codes whose points don't count, noise by default; withheld points never count",
        source="ASPRS LAS 1.4, table 17",
    )


def gap_parameter(what: str) -> Any:
    """Return the description of the parameter ``widest_gap``."""
    return parameter(
        None,
        ge=0,
        unit="m",
        meaning=f"empty cells get {what} linear between the cells around, unless a disc of this diameter "
        "fits into the gap: wider gaps stay empty; 0: all do",
        derived="10 cells, or 8 point spacings where that is more, but at most 32 cells",
        source="common practice, no source: no pin-holes, but lakes and shadows stay open",
    )


def derived_gap(site: SiteFacts, cell: float) -> tuple[float, str]:
    """Return the width of gaps that are bridged (m), and why."""
    gap = GAP_CELLS * cell
    if math.isfinite(site.spacing):
        gap = max(gap, min(round(GAP_SPACINGS * site.spacing, 2), MOST_GAP_CELLS * cell))
    return gap, (
        f"{GAP_CELLS} cells or {GAP_SPACINGS} point spacings, at most {MOST_GAP_CELLS} cells: no pin-holes "
        "between points"
    )


def counting(points: Points, returns: Returns, left_out: ClassCodes) -> NDArray[np.bool_]:
    """Return which points count.

    A return number of 0, which the standard doesn't allow, counts as a first return: files that have no
    returns at all carry it. Points whose height is no number don't count.
    """
    table = np.ones(256, bool)
    table[list(left_out)] = False
    used: NDArray[np.bool_] = table[points["classification"]] & np.isfinite(points["z"])
    if "withheld" in points:
        used &= ~points["withheld"]
    if returns == "first" and "return_number" in points:
        used &= points["return_number"] <= 1
    return used


def kernel_cells(window: Window) -> Cells:
    """Return a window in the words of the kernels."""
    lattice = window.lattice
    x, y = lattice.phase
    # The lattice counts from the global zero, kernels from the edge before the local one.
    column = round((window.left + x) / lattice.cell)
    row = round((window.bottom + y) / lattice.cell)
    return Cells(lattice.cell, x, y, column, row, window.columns, window.rows)


class Part(NamedTuple):
    """Some cells of a site, and the cells around that may matter to their gaps.

    Attributes
    ----------
    inner : Window
        The cells that are wanted.
    outer : Window
        With those around, as far as the site goes.
    gap : float
        Diameter of the widest disc that may fit into a gap that is bridged, m.
    frame : Frame
        Whole steps in which places are told.
    """

    inner: Window
    outer: Window
    gap: float
    frame: Frame

    @classmethod
    def of(cls, inner: Window, whole: Window, gap: float, site: SiteFacts) -> Part:
        """Return the part whose inner cells are given."""
        return cls(
            inner, _grown(inner, _margin(gap, inner.lattice.cell), whole), gap, _frame(site, gap, inner)
        )

    def cells(self) -> Cells:
        """Return the outer cells in the words of the kernels."""
        return kernel_cells(self.outer)

    def bridged(
        self,
        values_of: Callable[[slice], NDArray[np.float64]],
        places_of: Callable[[slice], tuple[NDArray[np.int32], NDArray[np.int32]]],
        out: NDArray[Any],
        threads: int,
    ) -> int:
        """Put the values of the inner cells into an array, small gaps bridged; return how many cells were.

        Parameters
        ----------
        values_of, places_of : callable
            Give the values (NaN where there is none) of some rows of the outer cells, and where they were
            measured (steps of the frame).
        out : ndarray, shape of the inner cells
            Receives the values.
        threads : int
            Threads to use.
        """
        inner, outer = self.inner, self.outer
        if inner.rows == 0 or inner.columns == 0:
            return 0
        below, left = inner.row - outer.row, inner.column - outer.column
        if self.gap == 0:
            out[:] = values_of(slice(below, below + inner.rows))[:, left : left + inner.columns]
            return 0
        cell, step = outer.lattice.cell, self.frame.step
        columns = substeps(self.frame, outer.left + cell / 2, cell, outer.columns, along=0)
        rows = substeps(self.frame, outer.bottom + cell / 2, cell, outer.rows, along=1)
        around, radius = _margin(self.gap, cell), self.gap / 2 / step

        def bridge(first: int) -> int:
            end = min(first + _ROWS, inner.rows)
            given = slice(max(below + first - around, 0), min(below + end + around, outer.rows))
            values = values_of(given)
            piece = np.empty((end - first, inner.columns))
            at = below + first - given.start
            wanted = (at, left, at + end - first, left + inner.columns)
            count = bridge_gaps(
                values, *places_of(given), columns, rows[given], wanted, radius, around, piece
            )
            out[first:end] = piece
            return int(count)

        starts = range(0, inner.rows, _ROWS)
        if threads == 1:
            return sum(bridge(first) for first in starts)
        with ThreadPoolExecutor(threads, thread_name_prefix="gaps") as pool:
            return sum(pool.map(bridge, starts))


def reach_of(gap: float, cell: float) -> float:
    """Return how far (m) around a block points are needed."""
    return (_margin(gap, cell) + 1) * cell


def _margin(gap: float, cell: float) -> int:
    return cells_around(gap / 2, cell) if gap > 0 else 0


def _frame(site: SiteFacts, gap: float, window: Window) -> Frame:
    """Return the site's steps, or longer ones where a wide gap would have too many of them."""
    frame = frame_of((*site.bounds,), site.resolution)
    least = max(gap / 2, 4 * window.lattice.cell) / largest_radius()
    if frame.step >= least:
        return frame
    step = frame.step * math.ceil(least / frame.step)
    x0, y0, x1, y1 = site.bounds
    return frame._replace(step=step, columns=round((x1 - x0) / step), rows=round((y1 - y0) / step))


def _grown(window: Window, by: int, within: Window) -> Window:
    c0 = max(window.column - by, within.column)
    r0 = max(window.row - by, within.row)
    c1 = min(window.column + window.columns + by, within.column + within.columns)
    r1 = min(window.row + window.rows + by, within.row + within.rows)
    return Window(window.lattice, c0, r0, max(0, c1 - c0), max(0, r1 - r0))
