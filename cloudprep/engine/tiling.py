"""Cuts rasters into tiles of a declared scheme: squares of whole cells on the global lattice."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.config.tile_names import tile_name
from cloudprep.errors import UsageError
from cloudprep.model.grid import Window
from cloudprep.model.mapped import let_go

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from cloudprep.config.sections import TileScheme
    from cloudprep.model.grid import Grid
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage

# How far, in cells, the edge of a tile may lie from where the scheme puts it: rounding of cells given in
# metres where tiles are whole feet.
_OFF = 1e-3


@dataclass(frozen=True)
class Piece:
    """One file of a raster.

    Parameters
    ----------
    name : str
        File name without ending.
    grid : Grid
        What is in it.
    """

    name: str
    grid: Grid


@dataclass(frozen=True)
class Tiling:
    """A scheme of tiles in metres.

    Parameters
    ----------
    scheme : TileScheme
        As declared.
    unit : float
        Metres in one unit of the scheme.
    """

    scheme: TileScheme
    unit: float

    def check(self, name: str, window: Window) -> None:
        """Check that tiles are whole cells of a raster.

        Raises
        ------
        UsageError
            With sizes that would do, where they aren't.
        """
        cell = window.lattice.cell
        size = self.scheme.size * self.unit
        across = round(size / cell)
        tiles = [abs(first) + count for first, count in _spans(window, max(across, 1))]
        if across < 1 or abs(across * cell - size) * max(tiles) > _OFF * cell:
            nearest = max(1, math.floor(size / cell))
            fits = " or ".join(f"{n * cell / self.unit:.10g}" for n in (nearest, nearest + 1))
            raise UsageError(
                f"output: tiles: a size of {self.scheme.size:.10g} ({self._unit}) is {size / cell:.10g} "
                f"cells of '{name}' (cell {cell:.10g} m): tiles must be whole cells, such as {fits}"
            )
        for side, origin in zip(("east", "north"), self.scheme.origin, strict=True):
            cells = origin * self.unit / cell
            if abs(cells - round(cells)) > _OFF:
                raise UsageError(
                    f"output: tiles: the origin {origin:.10g} ({side}, {self._unit}) doesn't lie on an edge "
                    f"of the cells of '{name}': these lie on whole multiples of {cell:.10g} m"
                )

    @property
    def _unit(self) -> str:
        return "m" if self.scheme.unit == "metre" else "units of the clouds"

    def pieces(self, grid: Grid) -> Iterator[Piece]:
        """Yield the tiles of a raster that hold any data, row by row from the south-west.

        A tile is whole: where the raster doesn't reach, it holds nothing.
        """
        self.check(grid.name, grid.window)
        cell = grid.window.lattice.cell
        across = round(self.scheme.size * self.unit / cell)
        base = [round(origin * self.unit / cell) for origin in self.scheme.origin]
        window = grid.window
        for row in range((window.row - base[1]) // across, -((base[1] - window.row - window.rows) // across)):
            columns = range(
                (window.column - base[0]) // across, -((base[0] - window.column - window.columns) // across)
            )
            for column in columns:
                place = Window(
                    window.lattice, base[0] + column * across, base[1] + row * across, across, across
                )
                tile = replace(grid, values=_cut(grid, place), window=place)
                if cells_with_data(tile):
                    corner = (
                        self.scheme.origin[0] + column * self.scheme.size,
                        self.scheme.origin[1] + row * self.scheme.size,
                    )
                    yield Piece(tile_name(self.scheme.name, grid.name, corner, (column, row)), tile)

    def pattern(self, product: str) -> str:
        """Return how the files of a raster are called, for people."""
        return self.scheme.name.replace("{product}", product)


def _spans(window: Window, across: int) -> list[tuple[int, int]]:
    return [
        (window.column // across, window.columns // across + 1),
        (window.row // across, window.rows // across + 1),
    ]


def _cut(grid: Grid, place: Window) -> NDArray[Any]:
    """Return the values of a raster in a window, nothing where it doesn't reach."""
    window = grid.window
    kind = grid.values.dtype
    values = np.full(place.shape, np.nan if kind.kind == "f" else 0, kind)
    r0, r1 = max(place.row, window.row), min(place.row + place.rows, window.row + window.rows)
    c0, c1 = (
        max(place.column, window.column),
        min(place.column + place.columns, window.column + window.columns),
    )
    values[r0 - place.row : r1 - place.row, c0 - place.column : c1 - place.column] = grid.values[
        r0 - window.row : r1 - window.row, c0 - window.column : c1 - window.column
    ]
    return values


def cells_with_data(grid: Grid) -> int:
    """Return how many cells of a raster hold anything."""
    count = 0
    for start in range(0, len(grid.values), 1024):
        lines = grid.values[start : start + 1024]
        count += lines.size - int(
            np.count_nonzero(np.isnan(lines) if lines.dtype.kind == "f" else lines == 0)
        )
        let_go(grid.values)
    return count


def check_tiles(tiling: Tiling, stages: Sequence[Stage], site: SiteFacts) -> None:
    """Check before any work that tiles are whole cells of every raster that is drawn from points.

    Rasters made from rasters have the cells of those.

    Raises
    ------
    UsageError
        If they aren't.
    """
    for stage in stages:
        if stage.draws and not stage.sources():
            for canvas in stage.resolved(site).canvas(site):
                tiling.check(canvas.name, canvas.window)
