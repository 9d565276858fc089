"""Slopes of a height grid and its relief in light."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def horn_slopes(
    heights: NDArray[np.floating], cell: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the rise to the east and to the north from the eight neighbours of each cell.

    A neighbour that is missing (outside, or NaN) is given the height of the cell itself.

    Parameters
    ----------
    heights : ndarray of shape (rows, columns)
        Heights, row 0 the southernmost; NaN where there is nothing.
    cell : float
        Cell size, in the unit of the heights, > 0.

    Returns
    -------
    east, north : ndarray of float64, shape (rows, columns)
        Rise over run; NaN where the cell itself has no height.

    Notes
    -----
    Horn 1981, "Hill shading and the reflectance map": the middle neighbours count twice.
    """
    rows, columns = heights.shape
    padded = np.full((rows + 2, columns + 2), np.nan)
    padded[1:-1, 1:-1] = heights

    def neighbour(up: int, right: int) -> NDArray[np.float64]:
        values = padded[1 + up : 1 + up + rows, 1 + right : 1 + right + columns]
        return np.where(np.isnan(values), heights, values)

    north_west, north_east = neighbour(1, -1), neighbour(1, 1)
    south_west, south_east = neighbour(-1, -1), neighbour(-1, 1)
    # The cell's own height is not among the eight, so a hole would be shaded from its rim.
    run = np.where(np.isnan(heights), np.nan, 8 * cell)
    east = (north_east + 2 * neighbour(0, 1) + south_east) - (north_west + 2 * neighbour(0, -1) + south_west)
    north = (north_west + 2 * neighbour(1, 0) + north_east) - (south_west + 2 * neighbour(-1, 0) + south_east)
    return east / run, north / run


def hillshade(
    heights: NDArray[np.floating],
    cell: float,
    *,
    azimuth: float = 315.0,
    altitude: float = 45.0,
    exaggeration: float = 1.0,
) -> NDArray[np.float64]:
    """Return how bright each cell is in parallel light: 0 dark to 255 facing the light.

    Parameters
    ----------
    heights : ndarray of shape (rows, columns)
        Heights, row 0 the southernmost; NaN where there is nothing.
    cell : float
        Cell size, in the unit of the heights, > 0.
    azimuth : float
        Where the light comes from, degrees clockwise from north.
    altitude : float
        The light's height above the horizon, degrees.
    exaggeration : float
        Heights are multiplied by it.

    Returns
    -------
    ndarray of float64, shape (rows, columns)
        Brightness; NaN where the cell has no height.

    Notes
    -----
    ``255 (cos(zenith) cos(slope) + sin(zenith) sin(slope) cos(azimuth - aspect))``, negative values 0, which
    is the cosine between the light and the surface normal ``(-east, -north, 1)`` (Horn 1981).
    """
    east, north = horn_slopes(heights, cell)
    east *= exaggeration
    north *= exaggeration
    up = math.sin(math.radians(altitude))
    flat = math.cos(math.radians(altitude))
    to_east = flat * math.sin(math.radians(azimuth))
    to_north = flat * math.cos(math.radians(azimuth))
    cosine = (up - to_east * east - to_north * north) / np.sqrt(1 + east * east + north * north)
    return np.maximum(255.0 * cosine, 0.0)
