"""Discs painted into a picture, one over the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.plain import discs as plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def paint_discs(
    image: NDArray[np.float32],
    distance: NDArray[np.float32],
    colours: NDArray[np.float32],
    column: Floats,
    row: Floats,
    depth: Floats,
    radius: Floats,
    order: NDArray[np.int64],
) -> None:
    """Paint discs in a given order: a later one covers the earlier ones.

    Parameters
    ----------
    image : ndarray of float32, shape (3, rows, columns)
        Red, green and blue; changed in place.
    distance : ndarray of float32, shape (rows, columns)
        How far away what is seen in each pixel is; changed in place.
    colours : ndarray of float32, shape (n, 3)
        Of each disc.
    column, row : ndarray of float64, shape (n,)
        Their middles, pixels; the first pixel's middle is at 0.5.
    depth : ndarray of float64, shape (n,)
        How far away they are.
    radius : ndarray of float64, shape (n,)
        Pixels; a pixel belongs to a disc if its middle does.
    order : ndarray of int64
        Which are painted, one after the other.
    """
    paint = _paint if COMPILED else plain.paint_discs
    paint(image, distance, colours, column, row, depth, radius, order)


@njit(nogil=True, cache=True)
def _paint(
    image: NDArray[np.float32],
    distance: NDArray[np.float32],
    colours: NDArray[np.float32],
    column: Floats,
    row: Floats,
    depth: Floats,
    radius: Floats,
    order: NDArray[np.int64],
) -> None:
    tall, wide = distance.shape
    for k in range(len(order)):
        i = order[k]
        x, y, reach = column[i], row[i], radius[i]
        for r in range(max(int(np.floor(y - reach)), 0), min(int(np.floor(y + reach)) + 1, tall)):
            for c in range(max(int(np.floor(x - reach)), 0), min(int(np.floor(x + reach)) + 1, wide)):
                across, down = c + 0.5 - x, r + 0.5 - y
                if across * across + down * down <= reach * reach:
                    image[0, r, c] = colours[i, 0]
                    image[1, r, c] = colours[i, 1]
                    image[2, r, c] = colours[i, 2]
                    distance[r, c] = depth[i]
