"""The nearest value of cells that are far from any data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray


@njit(nogil=True, cache=True, error_model="numpy")
def _any_square_empty(held: NDArray[np.bool_], reach: int) -> bool:
    """Tell whether a square of 2 ``reach`` + 1 cells around some cell holds no data."""
    rows, columns = held.shape
    # Data so far in each column, over the rows of the square; and their sums along the row.
    filled = np.zeros(columns, np.int32)
    for r in range(-reach, rows):
        enters, leaves = r + reach, r - reach - 1
        if enters < rows:
            for c in range(columns):
                filled[c] += np.int32(held[enters, c])
        if leaves >= 0:
            for c in range(columns):
                filled[c] -= np.int32(held[leaves, c])
        if r < 0:
            continue
        empty = 0
        for c in range(columns):
            empty = 0 if filled[c] > 0 else empty + 1
            # An empty run of the whole square, or of the part of it that lies within the raster.
            if empty > 2 * reach or (empty > reach and (empty == c + 1 or c == columns - 1)):
                return True
    return False


def nearest_where_far(
    values: NDArray[Any], held: NDArray[np.bool_], reach: float
) -> tuple[NDArray[np.bool_] | None, NDArray[Any]]:
    """Find the cells that are far from any data, and the nearest value.

    Parameters
    ----------
    values : ndarray of float, shape (rows, columns)
        Heights where there are data.
    held : ndarray of bool, shape (rows, columns)
        The cells with data, at least one.
    reach : float
        In cells; infinity for none.

    Returns
    -------
    far : ndarray of bool, shape (rows, columns), or None
        The cells further than that from all data; None if there are none.
    nearest : ndarray of float, shape (rows, columns)
        The nearest datum's value; of several as near, always the same one for the same raster.
    """
    if not np.isfinite(reach):
        return None, values
    # The square that lies within the circle, quickly: nearly always none is empty.
    if not _any_square_empty(held, int(reach / np.sqrt(2))):
        return None, values
    distance, (row, column) = ndimage.distance_transform_edt(~held, return_indices=True)
    far = distance > reach
    if not far.any():
        return None, values
    return far, np.asarray(values[row, column])
