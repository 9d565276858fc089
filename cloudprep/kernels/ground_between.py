"""Ground between the lowest points of wide cells, where it shows in single points only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.boxes import box_mean
from cloudprep.kernels.steepness import steepness

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints

    Floats = NDArray[np.float64]

_STEEPEST = 4.0


class Between(NamedTuple):
    """Which points draw the surface between those that carry it; lengths in metres, slopes as rise over run.

    Parameters
    ----------
    nearness, slope_share : float
        So far above and below the surface a lowest point draws it, and further by this share of the slope.
    plant_height, plant_slope : float
        A point so far above it (m, and a share of the slope) weighs half: plants stand there.
    rounds : int
        How often, for each width of the cells.
    around : float
        Noise is measured over squares of so many metres, ...
    steadying : float
        ... and counts as much as so many points of the whole do.
    deviations : float
        How far ground may lie above the surface, in standard deviations of the noise.
    """

    nearness: float = 0.3
    slope_share: float = 1.0
    plant_height: float = 0.1
    plant_slope: float = 0.05
    rounds: int = 5
    around: float = 16.0
    steadying: float = 8.0
    deviations: float = 3.0


class Drawn(NamedTuple):
    """The surface, and how far above it ground may lie, m; both of shape (rows, columns)."""

    height: NDArray[np.float64]
    tolerance: NDArray[np.float64]


def _noise(above: Floats, at: tuple[Any, Any], shape: tuple[int, ...], cell: float, rules: Between) -> Floats:
    """Return the standard deviation of the ground about the surface, from the points below it, m."""
    below = above < 0
    count, square = np.zeros(shape), np.zeros(shape)
    count[at[0][below], at[1][below]] = 1.0
    square[at[0][below], at[1][below]] = above[below] ** 2
    size = 2 * round(rules.around / cell / 2) + 1
    whole = square.sum() / max(count.sum(), 1.0)
    many, total = (box_mean(raster, size) * size**2 for raster in (count, square))
    return np.asarray(np.sqrt((total + rules.steadying * whole) / (many + rules.steadying)))


def drawn_between(
    height: Floats,
    levels: Sequence[LowestPoints],
    corner: tuple[float, float],
    *,
    cell: float,
    surface: Callable[..., Floats],
    closely: float,
    rules: Between | None = None,
) -> Drawn | None:
    """Draw a surface to the lowest points of narrower and narrower cells.

    Wide cells hold some ground each, but what lies between their lowest points is guessed: on a slope that
    bends the guess is off by more than plants are high. Where a narrower cell holds ground, too, that is its
    lowest point and lies near the guess; where it doesn't, the lowest point is a plant and mostly further
    off, or weighs little.

    Parameters
    ----------
    height : ndarray of float64, shape (rows, columns)
        The surface that wide cells gave, at the cell centres, m; no NaN.
    levels : sequence of LowestPoints
        Of narrower cells, the widest first.
    corner : tuple of float
        Left and lower edge of the raster, m.
    cell : float
        Side of its cells, m.
    surface : callable
        Fits a surface to values and weights, with the arguments ``start`` and ``tolerance``.
    closely : float
        The tolerance, m.
    rules : Between, optional
        The rules.

    Returns
    -------
    Drawn or None
        None if no point is near, or there are no levels.
    """
    rules = rules or Between()
    drawn = None
    rows, columns = height.shape
    for points in levels:
        have = points.have
        z = points.z[have]
        across, up = (points.x[have] - corner[0]) / cell, (points.y[have] - corner[1]) / cell
        row = np.clip(np.floor(up).astype(np.int64), 0, rows - 1)
        column = np.clip(np.floor(across).astype(np.int64), 0, columns - 1)
        for _ in range(rules.rounds):
            rise = steepness(height, cell, steepest=_STEEPEST)
            slope, above = bilinear(rise, across, up), z - bilinear(height, across, up)
            near = np.abs(above) <= rules.nearness + rules.slope_share * slope
            if not near.any():
                break
            at = row[near], column[near]
            over = np.maximum(above[near], 0.0) / (rules.plant_height + rules.plant_slope * slope[near])
            values, weights = np.zeros(height.shape), np.zeros(height.shape)
            # At the centre of its cell the point says what it says where it lies.
            values[at] = height[at] + above[near]
            weights[at] = 1.0 / (1.0 + over * over)
            height = surface(values, weights, start=height, tolerance=closely)
            left = z[near] - bilinear(height, across[near], up[near])
            drawn = left, at
    if drawn is None:
        return None
    noise = _noise(*drawn, height.shape, cell, rules)
    return Drawn(height, rules.deviations * noise)
