"""The raster of lowest heights that ground stages work on, gathered block by block."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.errors import UsageError
from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.cell_summary import (
    CellGrid,
    joint_shape,
    lowest_of_used,
    lowest_per_cell,
    merge_lowest,
    round_cell,
    span,
)
from cloudprep.kernels.ground_cells import LowestPoints, joined
from cloudprep.model.grid import Window

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Points

MOST_CELLS = 100_000_000
"""Raster cells that a ground stage takes on: about 4 GB of working memory."""

NOTHING_USABLE = "no point can be ground (noise, withheld, kept classes or early returns)"
"""The warning of a ground stage that has no point to work with."""

CELL_DERIVED = "0.8 times the point spacing, rounded up to a size that divides a kilometre; at least 1 m"
"""How :func:`fitting_cell` works, for the parameter's description."""

# Smaller cells see single stems and plants instead of the gaps between them (measured on made-up forests with
# 3 to 10 % ground points: 0.5 m cells kept ten times as many plants as 1 m cells).
_SMALLEST_DERIVED_CELL = 1.0
_CELL_PER_SPACING = 0.8


def fitting_cell(site: SiteFacts) -> tuple[float, str]:
    """Return the cell size, m, that suits the site's point spacing, and why."""
    cell = round_cell(max(_SMALLEST_DERIVED_CELL, _CELL_PER_SPACING * site.spacing))
    reason = (
        f"{_CELL_PER_SPACING} times the point spacing of {site.spacing:.2f} m, rounded up, at least "
        f"{_SMALLEST_DERIVED_CELL:g} m"
    )
    return cell, reason


def lowest_heights(
    points: Points, used: NDArray[np.bool_], site: SiteFacts, cell: float, stage: str
) -> CellGrid:
    """Return the lowest height in each cell of the site's lattice.

    Parameters
    ----------
    points : Points
        n points.
    used : ndarray of bool, shape (n,)
        Which of them count.
    site : SiteFacts
        For the lattice.
    cell : float
        Cell size, m.
    stage : str
        Name of the stage, for the message.

    Returns
    -------
    CellGrid
        Heights, m; without any cells where no point counts.

    Raises
    ------
    UsageError
        If the points span more than 100 million cells.
    """
    x, y, z = (points[a][used] for a in "xyz")
    if len(z) == 0:
        return CellGrid(0, 0, np.empty((0, 0)))
    lattice = site.lattice(cell)
    column, row = lattice.column_of(x), lattice.row_of(y)
    c0, r0 = int(column.min()), int(row.min())
    shape = int(row.max()) - r0 + 1, int(column.max()) - c0 + 1
    refuse_too_wide(shape, cell, stage)
    return CellGrid(c0, r0, lowest_per_cell(column - c0, row - r0, z, shape))


def joined_lowest(parts: Sequence[CellGrid], cell: float, stage: str) -> CellGrid:
    """Join the lowest heights of all blocks.

    Raises
    ------
    UsageError
        If together they span more than 100 million cells.
    """
    refuse_too_wide(joint_shape(parts), cell, stage)
    return merge_lowest(parts)


def lowest_points(
    points: Points, used: NDArray[np.bool_], phase: tuple[float, float], side: float, stage: str
) -> LowestPoints:
    """Return the lowest point, not only its height, of each square.

    Parameters
    ----------
    points : Points
        n points.
    used : ndarray of bool, shape (n,)
        Which of them count.
    phase : tuple of float
        The local zero as seen from the lattice edge before it, m: x and y are counted from that edge.
    side : float
        Side of a square, m.
    stage : str
        Name of the stage, for the message.

    Raises
    ------
    UsageError
        If the points span more than 100 million squares.
    """
    x, y, z = (np.asarray(points[a], np.float64) for a in "xyz")
    left, right, lower, upper = span(x, y, used)
    if left > right:
        return joined(())
    first = math.floor((left + phase[0]) / side), math.floor((lower + phase[1]) / side)
    last = math.floor((right + phase[0]) / side), math.floor((upper + phase[1]) / side)
    shape = last[1] - first[1] + 1, last[0] - first[0] + 1
    refuse_too_wide(shape, side, stage)
    return LowestPoints(
        *first, *lowest_of_used(x, y, z, used, phase=phase, side=side, first=first, shape=shape)
    )


def joined_points(parts: Sequence[LowestPoints], side: float, stage: str) -> LowestPoints:
    """Join the lowest points of all blocks.

    Raises
    ------
    UsageError
        If together they span more than 100 million squares.
    """
    filled = [p for p in parts if p.z.size]
    if filled:
        rows = max(p.row + p.z.shape[0] for p in filled) - min(p.row for p in filled)
        columns = max(p.column + p.z.shape[1] for p in filled) - min(p.column for p in filled)
        refuse_too_wide((rows, columns), side, stage)
    return joined(filled)


def refuse_too_wide(shape: tuple[int, int], cell: float, stage: str) -> None:
    """Raise UsageError, with the way out, for a raster of too many cells."""
    if shape[0] * shape[1] > MOST_CELLS:
        width, height = shape[1] * cell / 1000, shape[0] * cell / 1000
        raise UsageError(
            f"stage {stage}: the site spans {width:.1f} x {height:.1f} km, that is "
            f"{shape[0] * shape[1] / 1e6:.0f} million cells of {cell:g} m (at most "
            f"{MOST_CELLS / 1e6:.0f} million): choose a larger 'cell', or run the flights in parts"
        )


class CellRaster(NamedTuple):
    """Where a raster of cell values lies.

    Attributes
    ----------
    window : Window
        The cells.
    level : float
        Height that the heights of the raster are counted from, m: heights above the lowest fit 32 bits to
        better than 0.1 mm.
    """

    window: Window
    level: float

    def at(self, values: NDArray[Any], points: Points) -> NDArray[np.float64]:
        """Return raster values at the points, read between the cell centres."""
        cell = self.window.lattice.cell
        across = (points["x"] - self.window.left) / cell
        up = (points["y"] - self.window.bottom) / cell
        return bilinear(values, across, up)


def raster_of(merged: CellGrid, site: SiteFacts, cell: float) -> tuple[CellRaster, NDArray[np.float32]]:
    """Return where a raster with at least one height lies, and its heights above its level, m."""
    rows, columns = merged.values.shape
    window = Window(site.lattice(cell), merged.column, merged.row, columns, rows)
    level = float(np.nanmin(merged.values))
    return CellRaster(window, level), (merged.values - level).astype(np.float32)
