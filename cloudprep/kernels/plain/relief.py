"""Slope, aspect and brightness of rasters by NumPy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Heights = NDArray[np.floating[Any]]


def gradients(heights: Heights, cell: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the rise to the east and to the north; see :func:`cloudprep.kernels.relief.slopes`."""
    rows, columns = heights.shape
    padded = np.full((rows + 2, columns + 2), np.nan)
    padded[1:-1, 1:-1] = heights
    own = padded[1:-1, 1:-1]

    def at(up: int, right: int) -> NDArray[np.float64]:
        return padded[1 + up : 1 + up + rows, 1 + right : 1 + right + columns]

    def neighbour(up: int, right: int, otherwise: NDArray[np.float64]) -> NDArray[np.float64]:
        straight, opposite = at(up, right), at(-up, -right)
        mirrored = np.where(np.isnan(opposite), otherwise, 2.0 * own - opposite)
        return np.where(np.isnan(straight), mirrored, straight)

    n, s = neighbour(1, 0, own), neighbour(-1, 0, own)
    e, w = neighbour(0, 1, own), neighbour(0, -1, own)
    nw, ne = neighbour(1, -1, n + w - own), neighbour(1, 1, n + e - own)
    sw, se = neighbour(-1, -1, s + w - own), neighbour(-1, 1, s + e - own)
    # The cell's own height is not among the eight, so a void would get the slope of its rim.
    run = np.where(np.isnan(own), np.nan, 8.0 * cell)
    east = ((ne + 2.0 * e + se) - (nw + 2.0 * w + sw)) / run
    north = ((nw + 2.0 * n + ne) - (sw + 2.0 * s + se)) / run
    return east, north


def slopes(heights: Heights, cell: float, *, percent: bool) -> NDArray[np.float32]:
    """Stand in for :func:`cloudprep.kernels.relief.slopes`."""
    east, north = gradients(heights, cell)
    rise = np.sqrt(east * east + north * north)
    return (100.0 * rise if percent else np.degrees(np.arctan(rise))).astype(np.float32)


def aspects(heights: Heights, cell: float, *, flat: float) -> NDArray[np.float32]:
    """Stand in for :func:`cloudprep.kernels.relief.aspects`."""
    east, north = gradients(heights, cell)
    turned = (np.degrees(np.arctan2(-east, -north)) % 360.0).astype(np.float32)
    turned[turned >= 360.0] = 0.0
    with np.errstate(invalid="ignore"):
        falls = np.sqrt(east * east + north * north) > flat
    return np.where(falls, turned, np.float32(np.nan))


def shades(
    heights: Heights,
    cell: float,
    lights: list[tuple[float, float, float]],
    *,
    oblique: bool,
    exaggeration: float,
) -> NDArray[np.float32]:
    """Stand in for :func:`cloudprep.kernels.relief.shades`."""
    east, north = gradients(heights, cell)
    east, north = east * exaggeration, north * exaggeration
    steep = east * east + north * north
    length = np.sqrt(1.0 + steep)
    total, weights = np.zeros(heights.shape), np.zeros(heights.shape)
    for a, b, up in lights:
        cosine = np.maximum((up - a * east - b * north) / length, 0.0)
        weight: Any = 1.0
        if oblique:
            across = a * north - b * east
            with np.errstate(invalid="ignore", divide="ignore"):
                weight = np.where(steep > 0, across * across / (steep * (a * a + b * b)), 0.5)
        total += weight * cosine
        weights += weight
    with np.errstate(invalid="ignore", divide="ignore"):
        light = np.where(weights > 0, 255.0 * total / weights, 0.0)
    return np.where(np.isnan(heights), np.nan, light).astype(np.float32)
