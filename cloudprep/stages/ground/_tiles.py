"""Rasters too large to be worked on at once: tiles about as large as each other, each with a margin."""

from __future__ import annotations

from collections import deque
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cloudprep.kernels.ground_cells import LowestPoints
    from cloudprep.kernels.ground_limits import Limits

Found = TypeVar("Found")

# A raster of up to so many cells is worked on whole. Whether and where it is cut follows from the site alone:
# blocks, workers and memory don't show in the result.
LARGEST_WHOLE = 6_000_000
# Cells along a side of a tile, and around it: what lies farther away than the margin (128 m where cells are
# half a metre wide) doesn't count in a tile. With its margins a tile is as large as the largest whole raster.
SIDE = 1920
MARGIN = 256
# Where points are so dense that the finer surface takes as many cells, and more memory for each.
SIDE_OF_FINEST = 1536
# Edges lie on multiples of so many cells of the lattice: no cell of a raster up to so many times as wide lies
# on both sides.
_EVEN = 16


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
        Cells along a side of a tile at most (but for some to an even edge), and around it.
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
        for row, end_row in _parts(whole.row, whole.end_row, side)
        for column, end_column in _parts(whole.column, whole.end_column, side)
        for inner in (Span(column, row, end_column, end_row),)
    ]


def _parts(first: int, end: int, side: int) -> list[tuple[int, int]]:
    """Cut a row of cells into as few parts as may be, of about the same length: less is margin then."""
    count = -(-(end - first) // side)
    edges = {round((first + (end - first) * k / count) / _EVEN) * _EVEN for k in range(1, count)}
    return list(pairwise([first, *sorted(edge for edge in edges if first < edge < end), end]))


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


def side_by_side(work: Callable[[Tile], Found], tiles: Sequence[Tile], at_once: int) -> list[Found]:
    """Call ``work`` with each tile, several at once.

    Parameters
    ----------
    work : callable
        Is given a tile; what it does must not depend on others.
    tiles : sequence of Tile
        The largest are begun first, so that threads end together.
    at_once : int
        Threads, this one among them.

    Returns
    -------
    list
        What it returned, in the order of the tiles.
    """
    if at_once <= 1:
        return [work(tile) for tile in tiles]
    sizes = [tile.outer.shape[0] * tile.outer.shape[1] for tile in tiles]
    waiting = deque(sorted(range(len(tiles)), key=lambda number: -sizes[number]))
    found: dict[int, Found] = {}

    def take() -> None:
        try:
            while True:
                try:
                    number = waiting.popleft()
                except IndexError:
                    return
                found[number] = work(tiles[number])
        except BaseException:
            waiting.clear()  # nothing else is begun
            raise

    with ThreadPoolExecutor(at_once - 1, thread_name_prefix="tiles") as pool:
        others = [pool.submit(take) for _ in range(at_once - 1)]
        take()
        for other in others:
            other.result()
    return [found[number] for number in range(len(tiles))]


def paste(to: Limits, limits: Limits, inner: Span) -> None:
    """Write the limits of a tile into those of the whole raster."""
    into, out_of = inner.seen_from(span_of(to)), inner.seen_from(span_of(limits))
    for raster, values in zip(to[2:], limits[2:], strict=True):
        raster[into] = values[out_of]
