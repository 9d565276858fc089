"""A smooth terrain: a thin plate through the heights that triangles give at cells with ground points."""

from __future__ import annotations

from enum import IntEnum
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.thin_plate import fit_surface
from cloudprep.model.mapped import let_go
from cloudprep.stages.ground._tiles import Span, tiles_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.grid import Window
    from cloudprep.stages.ground._tiles import Tile

# Cells without ground points are drawn towards the triangles, as gently as a plate that forgets over 30
# cells: across wide gaps it would bulge by as much as the slopes beside them carry it.
_MEMORY = 30.0
_TOLERANCE = 0.0005
# What a fit takes a cell, all in: measured.
BYTES_PER_CELL = 160
# Tiles of larger rasters: small ones, since plans count their memory wherever a plate may be drawn. With a
# margin of 64 cells already heights were the same to 0.2 mm where 1 or 6 % of the cells hold points.
_LARGEST_WHOLE = 1_000_000
_SIDE, _MARGIN = 768, 128


class Role(IntEnum):
    """What a cell is to the plate."""

    OUTSIDE = 0
    DATUM = 1
    BRIDGED = 2
    KEPT = 3


def smoothed(
    heights: NDArray[np.float64],
    source: NDArray[np.uint8],
    roles: NDArray[np.uint8],
    window: Window,
    stiffness: float,
) -> None:
    """Replace heights under triangles by those of a thin plate, in place.

    Rasters of more than a million cells are done in tiles of the global lattice, with a margin.

    Parameters
    ----------
    heights : ndarray of float64, shape (rows, columns)
        As triangles give them; NaN where there are none.
    source : ndarray of uint8, shape (rows, columns)
        A code for each cell.
    roles : ndarray of uint8, shape (256,)
        The :class:`Role` of each code.
    window : Window
        Where the cells lie.
    stiffness : float
        See :func:`cloudprep.kernels.thin_plate.fit_surface`.
    """
    whole = Span(window.column, window.row, window.column + window.columns, window.row + window.rows)

    def fitted(tile: Tile) -> _Fitted | None:
        outer, inner = tile.outer.seen_from(whole), tile.inner.seen_from(whole)
        found = _fitted(heights[outer], roles[source[outer]], stiffness)
        return None if found is None else _Fitted(inner, found[tile.inner.seen_from(tile.outer)].copy())

    def put(row: list[_Fitted | None]) -> None:
        for one in row:
            if one is None:
                continue
            role = roles[source[one.place]]
            held = (role == Role.DATUM) | (role == Role.BRIDGED)
            heights[one.place][held] = one.heights[held]
        let_go(heights)
        let_go(source)

    # A row of tiles is put in its place once the next one, which has it in its margin, is worked out.
    waiting: list[_Fitted | None] = []
    for _, row in groupby(_tiles_of(whole), key=lambda tile: tile.inner.row):
        found = [fitted(tile) for tile in row]
        put(waiting)
        waiting = found
    put(waiting)


def smoothing_bytes(window: Window) -> int:
    """Return the memory that smoothing a raster takes, bytes."""
    cells = window.rows * window.columns
    if cells <= _LARGEST_WHOLE:
        return BYTES_PER_CELL * cells
    # Sides of tiles are rounded to even edges. Two rows of tiles wait.
    side = _SIDE + 16
    return BYTES_PER_CELL * (side + 2 * _MARGIN) ** 2 + 2 * 8 * side * window.columns


class _Fitted(NamedTuple):
    """Heights of a tile, and where in the raster they belong."""

    place: tuple[slice, slice]
    heights: NDArray[np.float64]


def _tiles_of(whole: Span) -> list[Tile]:
    return tiles_of(whole, side=_SIDE, margin=_MARGIN, most=_LARGEST_WHOLE)


def _fitted(
    heights: NDArray[np.float64], roles: NDArray[np.uint8], stiffness: float
) -> NDArray[np.float64] | None:
    data = roles == Role.DATUM
    if not data.any():
        return None
    weights = np.where(data, 1.0, 0.0)
    weights[roles == Role.BRIDGED] = stiffness / _MEMORY**4
    # Without its plane: what lies far outside is drawn towards the nearest value, and a plane must stay one.
    plane = _plane(heights, data)
    fitted: NDArray[np.float64] = plane + fit_surface(
        heights - plane, weights, stiffness, tolerance=_TOLERANCE
    )
    return fitted


def _plane(heights: NDArray[np.float64], data: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return the plane nearest to the data (least squares); level where they lie on one line."""
    rows, columns = heights.shape
    x, y = np.arange(columns) - columns // 2, (np.arange(rows) - rows // 2)[:, None]
    z0 = float(heights[data][0])
    z = np.where(data, heights - z0, 0.0)
    by_column, by_row = data.sum(axis=0), data.sum(axis=1)
    n, sx, sy = int(by_row.sum()), float((by_column * x).sum()), float((by_row * y[:, 0]).sum())
    mx, my = sx / n, sy / n
    u, v = x - mx, y - my
    xx, yy = float((by_column * (u * u)).sum()), float((by_row * (v * v)[:, 0]).sum())
    xy = float(((data * u).sum(axis=1) * v[:, 0]).sum())
    xz, yz = float((z.sum(axis=0) * u).sum()), float((z.sum(axis=1) * v[:, 0]).sum())
    det = xx * yy - xy * xy
    if det <= 1e-9 * xx * yy:
        return np.full(heights.shape, z0)
    a, b = (xz * yy - yz * xy) / det, (yz * xx - xz * xy) / det
    plane: NDArray[np.float64] = z0 + float(z.sum()) / n + a * u + b * v
    return plane
