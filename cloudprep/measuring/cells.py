"""What several measurements do with the cells of a raster of heights."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.measuring.bases import between_cells

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.io.raster_reading import OpenedRaster

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

STRIP_CELLS = 2_000_000
"""Rasters are gone over by strips of about this many cells."""
SLIVER = 1e-9
"""Smaller shares of a cell are rounding."""


def heights_of_parts(z: Floats, r: Indices, c: Indices, share: Floats, dx: Floats, dy: Floats) -> Floats:
    """Return the heights of cells at the middle of the part that counts: exact on planes.

    Parameters
    ----------
    z : ndarray of float64, shape (rows + 2, columns + 2)
        Heights of the window and of one cell around it, m; NaN on gaps.
    r, c : ndarray of int64, shape (n,)
        Which cells of the window.
    share : ndarray of float64, shape (n,)
        Which share of each counts.
    dx, dy : ndarray of float64, shape (n,)
        Where the middle of that part lies from the cell's centre, in cells.

    Returns
    -------
    ndarray of float64, shape (n,)
        A whole cell has its own height; the rise over a part is read from what neighbours are there.
    """
    height = z[r + 1, c + 1]
    partial = share < 1 - SLIVER
    r2, c2 = r[partial] + 1, c[partial] + 1
    height[partial] += dx[partial] * _rise(z[r2, c2 - 1], z[r2, c2], z[r2, c2 + 1])
    height[partial] += dy[partial] * _rise(z[r2 - 1, c2], z[r2, c2], z[r2 + 1, c2])
    return height


def _rise(before: Floats, own: Floats, after: Floats) -> Floats:
    """Return the rise a cell from what neighbours are there."""
    both = (after - before) / 2
    one = np.where(np.isnan(after), own - before, after - own)
    rise = np.where(np.isnan(both), one, both)
    return np.where(np.isnan(rise), 0.0, rise)


def heights_between(file: OpenedRaster, cell: float, up: float, x: Floats, y: Floats) -> Floats:
    """Return heights (m) at positions, between cell centres; NaN outside and on gaps.

    Parameters
    ----------
    file : OpenedRaster
        The raster.
    cell : float
        Side of a cell, m.
    up : float
        Metres in one unit of its heights.
    x, y : ndarray of float64, shape (n,)
        Positions in metres from its south-western corner.
    """
    across, north = x / cell, y / cell
    found = np.full(len(x), np.nan)
    inside = (across >= 0) & (north >= 0)
    inside &= (across <= file.raster.columns) & (north <= file.raster.rows)
    if not inside.any():
        return found
    # Few rows at a time: an area may be as wide as the raster.
    strip = max(16, STRIP_CELLS // max(1, int(np.ptp(across[inside])) + 4))
    band = np.where(inside, np.floor(north / strip), -1).astype(np.int64)
    for b in np.unique(band[inside]):
        here = band == b
        r0, r1 = math.floor(north[here].min()) - 1, math.ceil(north[here].max()) + 2
        c0, c1 = math.floor(across[here].min()) - 1, math.ceil(across[here].max()) + 2
        # Not beyond the raster: what lies between its rim and the outermost centres has their height.
        r0, c0 = max(r0, 0), max(c0, 0)
        r1, c1 = min(r1, file.raster.rows), min(c1, file.raster.columns)
        values = file.window(r0, c0, r1 - r0, c1 - c0) * up
        found[here] = between_cells(values, across[here] - c0, north[here] - r0)
    return found
