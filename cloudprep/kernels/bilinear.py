"""Reads a raster between its cell centres."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit, read_only
from cloudprep.kernels.plain import rasters as plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@njit(nogil=True, cache=True, error_model="numpy")
def _bilinear(values: NDArray[Any], across: Floats, up: Floats, out: Floats) -> None:
    rows, columns = values.shape
    for i in range(len(out)):
        # Beyond the outermost centres the outermost value goes on.
        x = min(max(across[i] - 0.5, 0.0), columns - 1.0)
        y = min(max(up[i] - 0.5, 0.0), rows - 1.0)
        c0, r0 = int(x), int(y)
        c1, r1 = min(c0 + 1, columns - 1), min(r0 + 1, rows - 1)
        tx, ty = x - c0, y - r0
        total = weight = 0.0
        for k in range(4):
            r = r1 if k // 2 else r0
            c = c1 if k % 2 else c0
            w = (ty if k // 2 else 1.0 - ty) * (tx if k % 2 else 1.0 - tx)
            v = values[r, c]
            if w > 0 and v == v:  # noqa: PLR0124 - NaN
                total += w * v
                weight += w
        out[i] = total / weight if weight > 0 else np.nan


class Corners(NamedTuple):
    """The four cells whose centres lie around a position, and where it lies between them (0 to 1)."""

    row: int
    next_row: int
    column: int
    next_column: int
    across: float
    up: float


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def corners_of(rows: int, columns: int, across: float, up: float) -> Corners:
    """Return what a value is read between, for other kernels; see :func:`bilinear`."""
    x = min(max(across - 0.5, 0.0), columns - 1.0)
    y = min(max(up - 0.5, 0.0), rows - 1.0)
    c, r = int(x), int(y)
    return Corners(r, min(r + 1, rows - 1), c, min(c + 1, columns - 1), x - c, y - r)


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def read_corners(values: NDArray[Any], at: Corners) -> Any:
    """Return one value of :func:`bilinear`, for other kernels; the raster holds no NaN."""
    lower = (1.0 - at.across) * values[at.row, at.column] + at.across * values[at.row, at.next_column]
    upper = (1.0 - at.across) * values[at.next_row, at.column] + at.across * values[
        at.next_row, at.next_column
    ]
    return (1.0 - at.up) * lower + at.up * upper


def bilinear(values: NDArray[Any], across: Floats, up: Floats) -> Floats:
    """Return raster values at positions between the cell centres.

    Parameters
    ----------
    values : ndarray of float, shape (rows, columns)
        NaN marks empty cells; they are left out and the others count for them.
    across, up : ndarray of float64, shape (n,)
        Positions in cells from the raster's first corner: the centre of cell (row 0, column 0) is (0.5, 0.5).
        None of them NaN.

    Returns
    -------
    ndarray of float64, shape (n,)
        NaN where all four cells around a position are empty.

    Examples
    --------
    >>> bilinear(np.array([[0.0, 10.0]]), np.array([0.5, 1.0, 9.0]), np.array([0.5, 0.5, 0.5]))
    array([ 0.,  5., 10.])
    """
    out = np.empty(len(across))
    if values.size == 0:
        out[:] = np.nan
    elif not COMPILED:
        return plain.bilinear(values, across, up)
    else:
        _bilinear(read_only(values), across, up, out)
    return out
