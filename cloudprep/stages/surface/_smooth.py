"""A smooth terrain: a thin plate through the heights that triangles give at cells with ground points."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.thin_plate import fit_surface
from cloudprep.stages.ground._tiles import LARGEST_WHOLE, MARGIN, SIDE, Span, tiles_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.grid import Window

# Cells without ground points are drawn towards the triangles, as gently as a plate that forgets over 30
# cells: across wide gaps it would bulge by as much as the slopes beside them carry it.
_MEMORY = 30.0
_TOLERANCE = 0.0005
# What a fit takes a cell, all in: measured.
BYTES_PER_CELL = 160


class Role(IntEnum):
    """What a cell is to the plate."""

    OUTSIDE = 0
    DATUM = 1
    BRIDGED = 2
    KEPT = 3


def smoothed(
    heights: NDArray[np.float64], roles: NDArray[np.uint8], window: Window, stiffness: float
) -> None:
    """Replace heights under triangles by those of a thin plate, in place.

    Rasters of more than 6 million cells are done in tiles of the global lattice, with a margin.

    Parameters
    ----------
    heights : ndarray of float64, shape (rows, columns)
        As triangles give them; NaN where there are none.
    roles : ndarray of uint8, shape (rows, columns)
        A :class:`Role` for each cell.
    window : Window
        Where the cells lie.
    stiffness : float
        See :func:`cloudprep.kernels.thin_plate.fit_surface`.
    """
    whole = Span(window.column, window.row, window.column + window.columns, window.row + window.rows)
    tiles = tiles_of(whole)
    before = heights.copy() if len(tiles) > 1 else heights
    for tile in tiles:
        outer, inner = tile.outer.seen_from(whole), tile.inner.seen_from(whole)
        fitted = _fitted(before[outer], roles[outer], stiffness)
        if fitted is None:
            continue
        part, role = fitted[tile.inner.seen_from(tile.outer)], roles[inner]
        held = (role == Role.DATUM) | (role == Role.BRIDGED)
        heights[inner][held] = part[held]


def smoothing_bytes(cells: int) -> int:
    """Return the memory that smoothing a raster of some cells takes, bytes."""
    if cells <= LARGEST_WHOLE:
        return BYTES_PER_CELL * cells
    return BYTES_PER_CELL * (SIDE + 2 * MARGIN) ** 2 + 9 * cells


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
