"""Rasters too large to be worked on at once: tiles on the global lattice, each with a margin."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cloudprep.kernels.ground_cells import LowestPoints
    from cloudprep.kernels.ground_limits import Limits

# A raster of up to so many cells is worked on whole. Whether it is cut follows from the site alone, and where
# from the global lattice: blocks, workers and memory don't show in the result.
LARGEST_WHOLE = 6_000_000
# Cells along a side of a tile, and around it: what lies farther away than the margin (128 m where cells are
# half a metre wide) doesn't count in a tile.
SIDE = 1536
MARGIN = 256


class Span(NamedTuple):
    """Half-open rectangle of cells of a lattice."""

    column: int
    row: int
    end_column: int
    end_row: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.end_row - self.row, self.end_column - self.column

    def grown(self, by: int, within: Span) -> Span:
        """Return it with every side moved outwards, but not beyond another one."""
        return Span(self.column - by, self.row - by, self.end_column + by, self.end_row + by).cut(within)

    def cut(self, other: Span) -> Span:
        """Return what two rectangles share, maybe nothing."""
        column, row = max(self.column, other.column), max(self.row, other.row)
        return Span(
            column,
            row,
            max(column, min(self.end_column, other.end_column)),
            max(row, min(self.end_row, other.end_row)),
        )

    def seen_from(self, other: Span) -> tuple[slice, slice]:
        """Return where it lies in an array that covers the other one."""
        rows = slice(self.row - other.row, self.end_row - other.row)
        return rows, slice(self.column - other.column, self.end_column - other.column)


class Tile(NamedTuple):
    """A part of a raster: the cells that count, and those that are worked on."""

    inner: Span
    outer: Span


def tiles_of(whole: Span, *, side: int = SIDE, margin: int = MARGIN, most: int = LARGEST_WHOLE) -> list[Tile]:
    """Cut a raster into tiles, if it is large.

    Parameters
    ----------
    whole : Span
        The raster.
    side, margin : int
        Cells along a side of a tile, and around it.
    most : int
        A raster of at most so many cells is one tile.

    Returns
    -------
    list of Tile
        Their inner parts cover the raster without overlap.
    """
    rows, columns = whole.shape
    if rows * columns <= most:
        return [Tile(whole, whole)]
    return [
        Tile(inner, inner.grown(margin, whole))
        for row in _starts(whole.row, whole.end_row, side)
        for column in _starts(whole.column, whole.end_column, side)
        for inner in (Span(column, row, column + side, row + side).cut(whole),)
    ]


def _starts(first: int, end: int, side: int) -> Iterator[int]:
    return iter(range(first // side * side, end, side))


def span_of(raster: LowestPoints | Limits) -> Span:
    """Return the cells that a raster covers."""
    rows, columns = raster[-1].shape
    return Span(raster.column, raster.row, raster.column + columns, raster.row + rows)


def cropped_cells(cells: LowestPoints, part: Span) -> LowestPoints:
    """Return the lowest points of a part, without a copy."""
    place = part.seen_from(span_of(cells))
    return cells._replace(
        column=part.column, row=part.row, x=cells.x[place], y=cells.y[place], z=cells.z[place]
    )


def cropped_limits(limits: Limits, part: Span) -> Limits:
    """Return the limits of a part, without a copy."""
    place = part.seen_from(span_of(limits))
    return limits.__class__(part.column, part.row, *(raster[place] for raster in limits[2:]))


def blank_limits(like: type[Limits], whole: Span) -> Limits:
    """Return limits to be written to, between which no point lies until then."""
    rasters = [np.zeros(whole.shape, np.float32) for _ in like._fields[2:]]
    limits = like(whole.column, whole.row, *rasters)
    limits.far[:] = np.inf
    limits.low[:] = np.inf
    return limits


def paste(to: Limits, limits: Limits, inner: Span) -> None:
    """Write the limits of a tile into those of the whole raster."""
    into, out_of = inner.seen_from(span_of(to)), inner.seen_from(span_of(limits))
    for raster, values in zip(to[2:], limits[2:], strict=True):
        raster[into] = values[out_of]
