"""Rasters: running minima and disks by SciPy, reading between cell centres by NumPy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def lowest_in_square(values: NDArray[Any], radius: int, sign: float) -> NDArray[Any]:
    """Return ``sign`` times the minimum of ``sign * values`` over squares; NaN counts as nothing there."""
    from scipy import ndimage  # noqa: PLC0415 - takes long to load, and compiled kernels need none

    signed = np.where(np.isnan(values), np.inf, sign * values).astype(values.dtype)
    size = [2 * min(radius, n - 1) + 1 for n in values.shape]
    found: NDArray[Any] = sign * ndimage.minimum_filter(signed, size, mode="constant", cval=np.inf)
    return found.astype(values.dtype)


def opened_by_disk(
    values: NDArray[np.float32], radius: float, inside: NDArray[np.bool_], sign: float
) -> NDArray[np.float32]:
    """Return the opening by a disk (the closing if the sign is -1); cells outside keep their value."""
    from scipy import ndimage  # noqa: PLC0415 - takes long to load, and compiled kernels need none

    around = np.arange(-int(radius), int(radius) + 1)
    disk = around[:, None] ** 2 + around**2 <= radius * radius
    lowest = np.where(inside, sign * values, np.inf)
    lowest = ndimage.minimum_filter(lowest, footprint=disk, mode="constant", cval=np.inf)
    lowest[~inside] = -np.inf
    highest = ndimage.maximum_filter(lowest, footprint=disk, mode="constant", cval=-np.inf)
    return np.where(inside, sign * highest, values).astype(np.float32)


def bilinear(values: NDArray[Any], across: Floats, up: Floats) -> Floats:
    """Return raster values at positions between the cell centres, empty cells left out."""
    rows, columns = values.shape
    x, y = np.clip(across - 0.5, 0.0, columns - 1.0), np.clip(up - 0.5, 0.0, rows - 1.0)
    c, r = x.astype(np.int64), y.astype(np.int64)
    tx, ty = x - c, y - r
    total, weight = np.zeros(len(x)), np.zeros(len(x))
    for k in range(4):
        v = values[np.minimum(r + k // 2, rows - 1), np.minimum(c + k % 2, columns - 1)]
        w = (ty if k // 2 else 1.0 - ty) * (tx if k % 2 else 1.0 - tx)
        counts = (w > 0) & ~np.isnan(v)
        total[counts] += (w * v)[counts]
        weight[counts] += w[counts]
    read: Floats = np.divide(total, weight, out=np.full(len(x), np.nan), where=weight > 0)
    return read
