"""Which cells of a raster the data reach."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.opening import dilation, erosion

if TYPE_CHECKING:
    from numpy.typing import NDArray


def covered(have: NDArray[np.bool_], gap: int, *, threads: int = 1) -> NDArray[np.bool_]:
    """Return the cells that the data cover: those with data, and narrow gaps between them.

    What lies beyond (the corners of the raster, wide water, a notch in the flight) is nobody's ground.
    Filled from the nearest cell it would carry the roofs at the rim outwards, until they are too wide for
    any window.

    Parameters
    ----------
    have : ndarray of bool, shape (rows, columns)
        Cells with data.
    gap : int
        Gaps of up to twice as many cells are closed (a closing with a square of 2 ``gap`` + 1 cells).
    threads : int
        Threads to use.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
        True for every cell with data, and for the cells of narrow gaps.

    Examples
    --------
    >>> covered(np.array([[False, True, False, True, False]]), 1)
    array([[False,  True,  True,  True, False]])
    """
    # A rim of its own, so that the closing treats the raster's edge like any other edge of the data.
    rim = gap + 1
    padded = np.pad(have, rim).astype(np.float32)
    size = 2 * gap + 1
    closed = erosion(dilation(padded, size, threads=threads), size, threads=threads) > 0
    return np.asarray(closed[rim:-rim, rim:-rim] | have)
