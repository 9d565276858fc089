"""Fills the empty cells of a raster from the nearest cell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray


def fill_nearest(values: NDArray[Any], inside: NDArray[np.bool_]) -> NDArray[Any]:
    """Give empty cells the value of the nearest cell that has one.

    Parameters
    ----------
    values : ndarray of float, shape (rows, columns)
        NaN marks empty cells.
    inside : ndarray of bool, shape (rows, columns)
        Which cells to fill; the other empty ones stay empty.

    Returns
    -------
    ndarray
        A filled copy. Distances are between cell centres; of equally near cells the exact distance transform
        of ``scipy.ndimage`` picks one, always the same for the same raster.
    """
    empty = np.isnan(values)
    wanted = empty & inside
    filled = values.copy()
    if wanted.any() and not empty.all():
        row, column = ndimage.distance_transform_edt(empty, return_distances=False, return_indices=True)
        filled[wanted] = values[row[wanted], column[wanted]]
    return filled
