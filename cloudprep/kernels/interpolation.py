"""Heights at cell centres from the nearest points: inverse distance weighting, or the nearest point."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from cloudprep.kernels.tin_points import SUBSTEPS

if TYPE_CHECKING:
    from numpy.typing import NDArray

_POSITIONS_AT_ONCE = 1 << 17


def inverse_distance_heights(
    steps: NDArray[np.float64],
    z: NDArray[np.float64],
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    *,
    power: float = 2.0,
    neighbours: int = 12,
    radius: float = np.inf,
) -> NDArray[np.float64]:
    """Return the mean height of the nearest points, weighted by ``distance ** -power``.

    A position on a point has that point's height. Equal input gives equal bits; a canonical order of the
    points (see :func:`cloudprep.kernels.tin_points.sites_of`) makes them independent of the cloud's order.

    Parameters
    ----------
    steps : ndarray of float64, shape (n, 2)
        Whole-number coordinates of distinct points.
    z : ndarray of float64, shape (n,)
        Heights.
    columns, rows : ndarray of int64, shapes (c,) and (r,)
        Positions in x and y, in 1/256 of a step.
    power : float
        Exponent, > 0; 1 and 2 are usual.
    neighbours : int
        How many of the nearest points take part, >= 1.
    radius : float
        Points farther than this (steps) don't take part.

    Returns
    -------
    ndarray of float64, shape (r, c)
        Heights, NaN where no point lies within the radius.

    Notes
    -----
    Shepard 1968, "A two-dimensional interpolation function for irregularly-spaced data".
    """
    heights = np.full((len(rows), len(columns)), np.nan)
    if len(z) == 0 or heights.size == 0:
        return heights
    tree = cKDTree(steps)
    k = min(neighbours, len(z))
    x = columns / SUBSTEPS
    padded = np.append(z, 0.0)
    together = max(1, _POSITIONS_AT_ONCE // len(columns))
    for begin in range(0, len(rows), together):
        y = rows[begin : begin + together] / SUBSTEPS
        at = np.column_stack((np.tile(x, len(y)), np.repeat(y, len(x))))
        distances, found = tree.query(at, k=[*range(1, k + 1)], distance_upper_bound=_reaching(radius))
        means = _weighted(np.asarray(distances), padded[found], power)
        heights[begin : begin + together] = means.reshape(len(y), len(x))
    return heights


def nearest_heights(
    steps: NDArray[np.float64],
    z: NDArray[np.float64],
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    *,
    radius: float = np.inf,
) -> NDArray[np.float64]:
    """Return the height of the nearest point.

    Parameters
    ----------
    steps, z, columns, rows, radius
        As for :func:`inverse_distance_heights`.

    Returns
    -------
    ndarray of float64, shape (r, c)
        Heights, NaN where no point lies within the radius.
    """
    return inverse_distance_heights(steps, z, columns, rows, neighbours=1, radius=radius)


def _reaching(radius: float) -> float:
    """Return the bound that lets a point AT the radius take part (the tree's bound is exclusive)."""
    return float(np.nextafter(radius, np.inf))


def _weighted(
    distances: NDArray[np.float64], heights: NDArray[np.float64], power: float
) -> NDArray[np.float64]:
    """Return weighted means; rows are positions, columns neighbours by rising distance (infinite: none)."""
    nearest = distances[:, :1]
    hit = nearest[:, 0] == 0.0
    none = np.isinf(nearest[:, 0])
    # Weights relative to the nearest point, which has 1: no overflow close to a point, whatever the power.
    ratios = np.divide(
        nearest, distances, out=np.zeros_like(distances), where=np.isfinite(distances) & (distances > 0)
    )
    weights = ratios**power
    weights[hit | none, 0] = 1.0
    means: NDArray[np.float64] = (weights * heights).sum(axis=1) / weights.sum(axis=1)
    # Exactly the one height where a single point counts.
    means = np.where(hit | (weights[:, 1:] == 0.0).all(axis=1), heights[:, 0], means)
    means[none] = np.nan
    return means
