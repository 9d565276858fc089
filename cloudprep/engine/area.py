"""The area of a run: what is delivered, and what around it still counts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.io.vectors import read_layer, vector_checksum

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.model.bounds import Bounds
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.grid import Window

_OUTSIDE, _INSIDE, _EDGE = 0, 1, 2
# The squares that a region is sorted into: 256 a side. Only what lies in a square on its edge is looked at.
_LEVELS = 8
# Squares are judged a little wider than they are, so that rounding can't put a point into the wrong one.
_WIDER = 1e-6
_ROWS = 256


class Region:
    """Polygons that are asked for very many places whether they hold them; edges count as inside.

    Parameters
    ----------
    polygon : shapely Polygon or MultiPolygon
        Valid; in metres of the reference system.
    """

    def __init__(self, polygon: shapely.Geometry) -> None:
        self.polygon = polygon
        x0, y0, x1, y1 = polygon.bounds
        self._corner = x0, y0
        self._count = 1 << _LEVELS
        self._edge = max(x1 - x0, y1 - y0) / self._count
        shapely.prepare(polygon)
        self._kinds = self._sorted()

    def _sorted(self) -> NDArray[np.uint8]:
        """Sort squares by splitting those that the edge runs through."""
        kinds = np.zeros((self._count, self._count), np.uint8)
        column = row = np.zeros(1, np.int64)
        for level in range(_LEVELS + 1):
            side = self._count >> level
            wide = side * self._edge * _WIDER
            x = self._corner[0] + column * side * self._edge
            y = self._corner[1] + row * side * self._edge
            reach = side * self._edge + wide
            squares = shapely.box(x - wide, y - wide, x + reach, y + reach)
            inside = shapely.contains_properly(self.polygon, squares)
            edge = ~inside & ~shapely.disjoint(self.polygon, squares)
            for i in np.flatnonzero(inside):
                c, r = int(column[i]) * side, int(row[i]) * side
                kinds[r : r + side, c : c + side] = _INSIDE
            column, row = column[edge], row[edge]
            if level == _LEVELS:
                kinds[row, column] = _EDGE
                break
            column, row = (
                np.concatenate([2 * column + i for i in (0, 1, 0, 1)]),
                np.concatenate([2 * row + i for i in (0, 0, 1, 1)]),
            )
        return kinds

    def _squares(
        self, values: NDArray[np.floating[Any]], axis: int
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return squares along one axis, and which places lie beyond all of them."""
        found = np.floor((values - self._corner[axis]) / self._edge)
        beyond = ~((found >= -1) & (found <= self._count))
        found[beyond] = 0
        return np.clip(found.astype(np.int64), 0, self._count - 1), beyond

    def holds(self, x: NDArray[np.floating[Any]], y: NDArray[np.floating[Any]]) -> NDArray[np.bool_]:
        """Tell of places whether they lie within.

        Parameters
        ----------
        x, y : ndarray of float64, shape (n,)
            Metres of the reference system.
        """
        column, beyond = self._squares(x, 0)
        row, above = self._squares(y, 1)
        kinds = self._kinds[row, column]
        kinds[beyond | above] = _OUTSIDE
        found: NDArray[np.bool_] = kinds == _INSIDE
        unsure = np.flatnonzero(kinds == _EDGE)
        found[unsure] = shapely.intersects_xy(self.polygon, x[unsure], y[unsure])
        return found

    def centres(self, window: Window) -> Iterator[tuple[int, NDArray[np.bool_]]]:
        """Yield for some rows of cells at a time the first one, and which cells have their centre within.

        The lattice's own whole numbers are used, so that two runs agree on every cell.
        """
        cell = window.lattice.cell
        x = (window.column + np.arange(window.columns) + 0.5) * cell
        column, beyond = self._squares(x, 0)
        for start in range(0, window.rows, _ROWS):
            y = (window.row + np.arange(start, min(start + _ROWS, window.rows)) + 0.5) * cell
            row, above = self._squares(y, 1)
            kinds = self._kinds[row[:, None], column]
            kinds[:, beyond] = _OUTSIDE
            kinds[above] = _OUTSIDE
            found = kinds == _INSIDE
            i, j = np.nonzero(kinds == _EDGE)
            found[i, j] = shapely.intersects_xy(self.polygon, x[j], y[i])
            yield start, found


class Area(NamedTuple):
    """The boundary of a run.

    Parameters
    ----------
    path : Path
        The file it comes from.
    layer : str
        The layer in it.
    sha256 : str
        Of the file.
    buffer : float
        How far beyond it points still count, m.
    inner : Region
        What is delivered.
    outer : Region
        What is used: the boundary and its buffer.
    """

    path: Path
    layer: str
    sha256: str
    buffer: float
    inner: Region
    outer: Region


def read_area(
    path: Path, layer: str | None, buffer: float, crs: CloudCrs, note: Callable[[str], None]
) -> Area:
    """Read the boundary of a run: all polygons of a layer, as one area.

    Parameters
    ----------
    path : Path
        A vector file.
    layer : str or None
        Which layer.
    buffer : float
        m. Corners of the buffer are rounded by 16 steps a quarter, which leaves at most 0.2 % of it out.
    crs : CloudCrs
        Of the clouds; the boundary is brought to it.
    note : callable
        Told what was assumed.

    Raises
    ------
    UsageError
        In one line: no such file or layer, no polygons, polygons that cross themselves, no reference system.
    """
    try:
        found = read_layer(path, layer, crs, (0.0, 0.0), kinds=("polygon",), note=note)
        checksum = vector_checksum(path)
    except (BadInputError, CrsError) as error:
        raise UsageError(f"boundary: {error}") from error
    polygon = shapely.union_all(shapely.force_2d(found.geometries)) if len(found) else None
    if polygon is None or not polygon.area > 0:
        raise UsageError(f"boundary: {path}: layer '{found.name}' holds no polygon")
    outer = polygon.buffer(buffer, quad_segs=16) if buffer else polygon
    return Area(path, found.name, checksum, buffer, Region(polygon), Region(outer))


def refuse_elsewhere(area: Area, boxes: Sequence[Bounds], crs: CloudCrs) -> None:
    """Refuse a boundary that no cloud lies in, by where the headers say they lie.

    Raises
    ------
    UsageError
        With both places, in metres.
    """
    if any(area.outer.polygon.intersects(shapely.box(*b)) for b in boxes):
        return
    x0, y0, x1, y1 = area.inner.polygon.bounds
    west, south = min(b.x0 for b in boxes), min(b.y0 for b in boxes)
    east, north = max(b.x1 for b in boxes), max(b.y1 for b in boxes)
    raise UsageError(
        f"boundary: {area.path}: lies outside the clouds: it covers {x0:,.0f} to {x1:,.0f} m east and "
        f"{y0:,.0f} to {y1:,.0f} m north, the clouds {west:,.0f} to {east:,.0f} and {south:,.0f} to "
        f"{north:,.0f} (reference system: {crs.name})"
    )
