"""The cells of a block in tiles: small enough that what is made of their points on the way stays small."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.tin_cells import measure
from cloudprep.kernels.tin_points import SUBSTEPS, substeps
from cloudprep.stages.surface._ground_points import Rectangle

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.kernels.tin_points import Frame, Sites
    from cloudprep.model.grid import Window
    from cloudprep.stages.surface._ground_points import GroundPoints

_MOST_CELLS = 512
_MOST_POINTS = 1 << 17
_BEYOND = 1 << 60


class Cells(NamedTuple):
    """A rectangle of cells, counted from the south-western cell of the site's window."""

    column: int
    row: int
    columns: int
    rows: int


@dataclass(frozen=True)
class Places:
    """Where the cells of a site's window lie, in 1/256 of the site's steps.

    Parameters
    ----------
    columns, rows : ndarray of int64
        Centres.
    column_edges, row_edges : ndarray of int64
        Edges, one more than cells.
    """

    columns: NDArray[np.int64]
    rows: NDArray[np.int64]
    column_edges: NDArray[np.int64]
    row_edges: NDArray[np.int64]

    @classmethod
    def of(cls, window: Window, frame: Frame) -> Places:
        """Return the places of a window's cells."""
        cell = window.lattice.cell
        left, bottom = window.left, window.bottom
        return cls(
            substeps(frame, left + cell / 2, cell, window.columns, along=0),
            substeps(frame, bottom + cell / 2, cell, window.rows, along=1),
            substeps(frame, left, cell, window.columns + 1, along=0),
            substeps(frame, bottom, cell, window.rows + 1, along=1),
        )

    def around(self, cells: Cells) -> Rectangle:
        """Return the steps that cells cover."""
        c, r = self.column_edges, self.row_edges
        return Rectangle(
            c[cells.column] / SUBSTEPS,
            r[cells.row] / SUBSTEPS,
            c[cells.column + cells.columns] / SUBSTEPS,
            r[cells.row + cells.rows] / SUBSTEPS,
        )


def tiles_of(cells: Cells, places: Places, ground: GroundPoints) -> Iterator[Cells]:
    """Cut cells into tiles of at most 512 a side, and of few points where more than one cell is left."""
    if cells.columns == 0 or cells.rows == 0:
        return
    most = max(cells.columns, cells.rows)
    small = most <= _MOST_CELLS
    if most == 1 or (small and ground.bins.number(*places.around(cells)) <= _MOST_POINTS):
        yield cells
        return
    column, row, columns, rows = cells
    if columns >= rows:
        half = columns // 2
        yield from tiles_of(Cells(column, row, half, rows), places, ground)
        yield from tiles_of(Cells(column + half, row, columns - half, rows), places, ground)
    else:
        half = rows // 2
        yield from tiles_of(Cells(column, row, columns, half), places, ground)
        yield from tiles_of(Cells(column, row + half, columns, rows - half), places, ground)


class Tile:
    """Cells, their heights so far, and which of them are settled.

    Parameters
    ----------
    cells : Cells
        Which cells.
    places : Places
        Where the site's cells lie.
    """

    def __init__(self, cells: Cells, places: Places) -> None:
        self.cells = cells
        self.places = places
        self.columns = places.columns[cells.column : cells.column + cells.columns]
        self.rows = places.rows[cells.row : cells.row + cells.rows]
        self.heights = np.full((cells.rows, cells.columns), np.nan)
        self.state = np.zeros((cells.rows, cells.columns), np.uint8)
        self.source = np.zeros((cells.rows, cells.columns), np.uint8)

    def around(self) -> Rectangle:
        """Return the steps that the cells cover, edges included."""
        return self.places.around(self.cells)

    def unsettled(self) -> tuple[slice, slice]:
        """Return the rows and columns of the smallest rectangle that holds all unsettled cells."""
        rows = np.flatnonzero((self.state == 0).any(axis=1))
        columns = np.flatnonzero((self.state == 0).any(axis=0))
        if len(rows) == 0:
            return slice(0, 0), slice(0, 0)
        return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)

    def grown(self, part: tuple[slice, slice], by: float) -> Rectangle:
        """Return the steps within a distance of the centres of some cells."""
        rows, columns = self.rows[part[0]], self.columns[part[1]]
        return Rectangle(
            columns[0] / SUBSTEPS - by,
            rows[0] / SUBSTEPS - by,
            columns[-1] / SUBSTEPS + by,
            rows[-1] / SUBSTEPS + by,
        )

    def measure(self, sites: Sites, measured: int, interpolated: int) -> None:
        """Say where heights come from; cells that hold points but have no height get their nearest point's.

        ``sites`` holds all points of the cells.
        """
        self.source[~np.isnan(self.heights)] = interpolated
        if len(sites.z) == 0:
            return
        cells, places = self.cells, self.places
        column_edges = places.column_edges[cells.column : cells.column + cells.columns + 1].copy()
        row_edges = places.row_edges[cells.row : cells.row + cells.rows + 1].copy()
        # What rounding puts beyond the window belongs to its outermost cells.
        if cells.column == 0:
            column_edges[0] = -_BEYOND
        if cells.column + cells.columns == len(places.columns):
            column_edges[-1] = _BEYOND
        if cells.row == 0:
            row_edges[0] = -_BEYOND
        if cells.row + cells.rows == len(places.rows):
            row_edges[-1] = _BEYOND
        x, y = int(sites.left) * SUBSTEPS, int(sites.bottom) * SUBSTEPS
        measure(
            sites.steps,
            sites.z,
            (column_edges - x, row_edges - y),
            (self.columns - x, self.rows - y),
            self.heights,
            self.source,
            measured,
        )
