"""The slope of a raster of heights."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray


@njit(nogil=True, cache=True, error_model="numpy")
def _steepness(
    z: NDArray[np.float64], cell: float, steepest: float, begin: int, end: int, slope: NDArray[np.float64]
) -> None:
    rows, columns = z.shape
    for r in range(begin, end):
        # At the rim the difference to the one neighbour stands for both sides.
        below, above = max(r - 1, 0), min(r + 1, rows - 1)
        run = max(above - below, 1) * cell
        for c in range(1, columns - 1):
            up = (z[above, c] - z[below, c]) / run
            right = (z[r, c + 1] - z[r, c - 1]) / (2 * cell)
            slope[r, c] = min(math.sqrt(up * up + right * right), steepest)
        for c in (0, columns - 1):
            before, after = max(c - 1, 0), min(c + 1, columns - 1)
            up = (z[above, c] - z[below, c]) / run
            right = (z[r, after] - z[r, before]) / (max(after - before, 1) * cell)
            slope[r, c] = min(math.sqrt(up * up + right * right), steepest)


def steepness(
    surface: NDArray[np.float64], cell: float, *, steepest: float = math.inf, threads: int = 1
) -> NDArray[np.float64]:
    """Return the slope (rise over run) of a raster of heights by central differences.

    Parameters
    ----------
    surface : ndarray of float64, shape (rows, columns)
        Heights, m; no NaN.
    cell : float
        Side of a cell, m.
    steepest : float
        Slopes beyond this count as this.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        At the rim by the difference to the neighbour inside; 0 along an axis of one cell.

    Examples
    --------
    >>> steepness(np.array([[0.0, 1.0, 4.0], [0.0, 1.0, 4.0]]), 1.0)
    array([[1., 2., 3.],
           [1., 2., 3.]])
    """
    slope = np.empty(surface.shape)
    if surface.size:
        z = np.ascontiguousarray(surface, np.float64)
        in_strips(
            lambda part: _steepness(z, cell, steepest, part.start, part.stop, slope),
            (z.shape[0], z.shape[1]),
            threads,
        )
    return slope
