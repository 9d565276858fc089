"""Gaussian smoothing of a raster of heights that keeps planes, holes and a limit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

_DEVIATIONS = 2.5


def smoothing_reach(deviation: float) -> int:
    """Return how many cells on either side take part for a standard deviation in cells."""
    return math.ceil(_DEVIATIONS * deviation) if deviation > 0 else 0


def smooth_rows(
    heights: NDArray[np.floating], first: int, beyond: int, deviation: float, limit: float
) -> NDArray[np.float64]:
    """Return some rows of a raster smoothed, the same to the bit whichever rows are asked for together.

    Gaussian weights along rows, then along columns. Cells count in pairs, one on either side at the same
    distance, and only where both have heights: so a plane stays the plane, also beside a hole and at the rim,
    and a hole stays as large as it is. No height changes by more than the limit.

    Parameters
    ----------
    heights : ndarray of shape (rows, columns)
        Heights; NaN where there is nothing.
    first, beyond : int
        The rows wanted: first, and one past the last.
    deviation : float
        Standard deviation of the weights, cells; 0 leaves the heights as they are.
    limit : float
        The largest change, in the unit of the heights.

    Returns
    -------
    ndarray of float64, shape (beyond - first, columns)
        An array of its own.

    Examples
    --------
    >>> spike = np.zeros((5, 5)); spike[2, 2] = 1.0
    >>> smooth_rows(spike, 2, 3, 1.0, 0.5).round(2).tolist()
    [[0.0, 0.11, 0.5, 0.11, 0.0]]
    """
    reach = smoothing_reach(deviation)
    if reach == 0:
        return np.array(heights[first:beyond], np.float64)
    low, high = max(0, first - reach), min(len(heights), beyond + reach)
    rows = np.ascontiguousarray(heights[low:high], np.float64)
    weights = np.exp(-0.5 * (np.arange(reach + 1) / deviation) ** 2)
    across = np.empty_like(rows)
    _along_rows(rows, weights, across)
    smooth = np.empty((beyond - first, rows.shape[1]))
    _along_columns(rows, across, weights, first - low, limit, smooth)
    return smooth


@njit(nogil=True, cache=True)
def _along_rows(z, weights, out):  # type: ignore[no-untyped-def]
    rows, columns = z.shape
    for r in range(rows):
        for c in range(columns):
            total = weights[0] * z[r, c]
            weight = weights[0]
            for k in range(1, min(len(weights), c + 1, columns - c)):
                pair = z[r, c - k] + z[r, c + k]
                if not np.isnan(pair):
                    total += weights[k] * pair
                    weight += 2 * weights[k]
            out[r, c] = total / weight


@njit(nogil=True, cache=True)
def _along_columns(z, across, weights, first, limit, out):  # type: ignore[no-untyped-def]
    rows, columns = across.shape
    sums = np.empty(columns)
    shares = np.empty(columns)
    for i in range(out.shape[0]):
        r = first + i
        for c in range(columns):
            sums[c] = weights[0] * across[r, c]
            shares[c] = weights[0]
        for k in range(1, min(len(weights), r + 1, rows - r)):
            for c in range(columns):
                pair = across[r - k, c] + across[r + k, c]
                if not np.isnan(pair):
                    sums[c] += weights[k] * pair
                    shares[c] += 2 * weights[k]
        for c in range(columns):
            smooth = sums[c] / shares[c]
            out[i, c] = min(max(smooth, z[r, c] - limit), z[r, c] + limit)
