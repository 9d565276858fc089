"""Water put into a raster: cells that take its level, and the cells along them that may not lie below it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray


def raise_rims(heights: NDArray[Any], source: NDArray[np.uint8], wet: int, lowest: int, beyond: int) -> None:
    """Raise cells beside water that lie below it to its level, in place; eight neighbours count.

    Parameters
    ----------
    heights : ndarray of float32, shape (rows, columns)
        m; cells without a height (NaN) stay.
    source : ndarray of uint8, shape (rows, columns)
        Which cells are water.
    wet : int
        The code of water.
    lowest, beyond : int
        The rows whose cells are looked at; their neighbours may lie outside. A cell that touches several
        waters takes the highest level, so rows can be done in any order.
    """
    _raise_rims(heights, source, wet, lowest, beyond)


@njit(nogil=True, cache=True)
def _raise_rims(heights, source, wet, lowest, beyond):  # type: ignore[no-untyped-def]
    rows, columns = heights.shape
    for r in range(lowest, beyond):
        for c in range(columns):
            if source[r, c] == wet:
                continue
            h = heights[r, c]
            if np.isnan(h):
                continue
            for i in range(max(r - 1, 0), min(r + 2, rows)):
                for j in range(max(c - 1, 0), min(c + 2, columns)):
                    if source[i, j] == wet and heights[i, j] > h:
                        h = heights[i, j]
            heights[r, c] = h
