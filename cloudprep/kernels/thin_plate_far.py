"""The nearest value of cells that are far from any data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray


def nearest_where_far(
    values: NDArray[Any], held: NDArray[np.bool_], reach: float
) -> tuple[NDArray[np.bool_] | None, NDArray[Any]]:
    """Return which cells are further than ``reach`` from any that is held, and the nearest held value."""
    if not np.isfinite(reach) or held.all():
        return None, values
    distance, (row, column) = ndimage.distance_transform_edt(~held, return_indices=True)
    far = distance > reach
    if not far.any():
        return None, values
    return far, values[row, column]
