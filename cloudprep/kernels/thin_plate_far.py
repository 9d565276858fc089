"""The nearest value of cells that are far from any data."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import ndimage

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Shorter reaches are counted in bytes.
_BYTES = 250


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


def _gaps(reach: float) -> NDArray[np.uint8]:
    """Return, for each column's distance, the rows to go until a cell is further than a reach away."""
    columns = np.arange(int(reach) + 1)
    rows = np.arange(int(reach) + 2)
    within = np.sqrt(columns[:, None] ** 2 + rows[None, :] ** 2) <= reach
    return np.asarray(within.sum(axis=1), np.uint8)


@njit(nogil=True, cache=True, error_model="numpy")
def _any_far(held: NDArray[np.bool_], gaps: NDArray[np.uint8]) -> bool:
    """Tell whether any cell is further than a reach from all data.

    Parameters
    ----------
    held : ndarray of bool, shape (rows, columns)
        Cells with data.
    gaps : ndarray of uint8, shape (n + 1,)
        A datum so many columns away is too far if it is at least so many rows away, as of :func:`_gaps`.
    """
    rows, columns = held.shape
    reach = len(gaps) - 1
    most = gaps[0]
    # Rows to the nearest datum of each column, up to what counts; columns beyond the raster hold none.
    one = np.uint8(1)
    away = np.empty((rows, columns + 2 * reach), np.uint8)
    away[:] = most
    for r in range(rows):
        line = away[r, reach:]
        before = away[max(r - 1, 0), reach:]
        for c in range(columns):
            v = np.uint8(min(before[c], most - one) + one)
            line[c] = np.uint8(0) if held[r, c] else v
    for r in range(rows - 2, -1, -1):
        line, after = away[r, reach:], away[r + 1, reach:]
        for c in range(columns):
            line[c] = min(line[c], np.uint8(min(after[c], most - one) + one))
    far = np.empty(columns, np.uint8)
    for r in range(rows):
        far[:] = 1
        for k in range(-reach, reach + 1):
            gap, line = gaps[abs(k)], away[r, reach + k :]
            for c in range(columns):
                far[c] &= np.uint8(line[c] >= gap)
        some = np.uint8(0)
        for c in range(columns):
            some |= far[c]
        if some:
            return True
    return False


class Far(NamedTuple):
    """Cells far from any data, and the nearest datum of each.

    Parameters
    ----------
    far : ndarray of bool, shape (rows, columns)
        The cells, at least one.
    row, column : ndarray of int32, shape (number of these,)
        The nearest datum; of several as near, always the same one for the same raster.
    """

    far: NDArray[np.bool_]
    row: NDArray[np.int32]
    column: NDArray[np.int32]


def far_from(held: NDArray[np.bool_], reach: float) -> Far | None:
    """Find the cells that are far from any data.

    Parameters
    ----------
    held : ndarray of bool, shape (rows, columns)
        The cells with data, at least one.
    reach : float
        In cells; infinity for none.

    Returns
    -------
    Far or None
        The cells further than that from all data; None if there are none.
    """
    if not np.isfinite(reach):
        return None
    # The square that lies within the circle, quickly: nearly always none is empty.
    if not _any_square_empty(held, int(reach / np.sqrt(2))):
        return None
    # And exactly, where rows are few enough for bytes.
    if reach < _BYTES and not _any_far(held, _gaps(reach)):
        return None
    distance, (row, column) = ndimage.distance_transform_edt(~held, return_indices=True)
    far = distance > reach
    return Far(far, row[far], column[far]) if far.any() else None
