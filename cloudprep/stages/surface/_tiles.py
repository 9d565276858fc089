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


def _pieces(
    wanted: NDArray[np.bool_], at: tuple[int, int], by: float
) -> tuple[float, list[tuple[slice, slice]]]:
    """Return the cheaper of one rectangle or two halves cut further, and its cost: all cells it takes."""
    rows, columns = np.flatnonzero(wanted.any(axis=1)), np.flatnonzero(wanted.any(axis=0))
    if len(rows) == 0:
        return 0.0, []
    r0, r1, c0, c1 = int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1
    height, width = r1 - r0, c1 - c0
    cost = (height + 2 * by) * (width + 2 * by)
    whole = [(slice(at[0] + r0, at[0] + r1), slice(at[1] + c0, at[1] + c1))]
    if max(height, width) <= max(by / 2, 1.0):
        return cost, whole
    if height >= width:
        middle = (r0 + r1) // 2
        halves = (wanted[r0:middle, c0:c1], (r0, c0)), (wanted[middle:r1, c0:c1], (middle, c0))
    else:
        middle = (c0 + c1) // 2
        halves = (wanted[r0:r1, c0:middle], (r0, c0)), (wanted[r0:r1, middle:c1], (r0, middle))
    found = [_pieces(half, (at[0] + r, at[1] + c), by) for half, (r, c) in halves]
    apart = found[0][0] + found[1][0]
    return (apart, found[0][1] + found[1][1]) if apart < cost else (cost, whole)


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

    def pieces(self, by: float) -> list[tuple[slice, slice]]:
        """Return rows and columns of rectangles that hold all unsettled cells.

        They are chosen so that growing each by a distance (steps) covers little in all.
        """
        if self.state.all():
            return []
        pitch = (
            (self.places.columns[-1] - self.places.columns[0])
            / SUBSTEPS
            / max(len(self.places.columns) - 1, 1)
        )
        return _pieces(self.state == 0, (0, 0), by / max(pitch, 1.0))[1]

    def piece(self, part: tuple[slice, slice]) -> Tile:
        """Return some of the cells as a tile of their own, as far as they are settled."""
        (r, c), cells = part, self.cells
        width, height = c.stop - c.start, r.stop - r.start
        found = Tile(Cells(cells.column + c.start, cells.row + r.start, width, height), self.places)
        found.heights[:], found.state[:] = self.heights[part], self.state[part]
        return found

    def put(self, part: tuple[slice, slice], piece: Tile) -> None:
        """Take over heights and states of a piece."""
        self.heights[part], self.state[part] = piece.heights, piece.state

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
