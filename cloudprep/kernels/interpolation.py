"""Heights at cell centres from the nearest points: inverse distance weighting, or the nearest point."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import scipy  # its parts are loaded when they are first used

from cloudprep.kernels.tin_points import SUBSTEPS

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Distances and indices of neighbours held at one time.
_NEIGHBOURS_AT_ONCE = 1 << 19
_SPARE = 4


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

    A position on a point has that point's height. Where points are equally far and not all of them take part,
    those come first that lie further west, then further south. So the bits depend on the points alone.

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
    return nearest_means(steps, z, columns, rows, power=power, neighbours=neighbours, radius=radius)[0]


def nearest_means(
    steps: NDArray[np.float64],
    z: NDArray[np.float64],
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    *,
    power: float,
    neighbours: int,
    radius: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the heights of :func:`inverse_distance_heights`, and how far their points reach.

    Parameters
    ----------
    steps, z, columns, rows, power, neighbours, radius
        As there.

    Returns
    -------
    heights : ndarray of float64, shape (r, c)
        Heights, NaN where no point lies within the radius.
    reached : ndarray of float64, shape (r, c)
        Distance (steps) of the farthest point that takes part; infinite where fewer than ``neighbours`` lie
        within the radius. Points farther away than that would change nothing.
    """
    heights = np.full((len(rows), len(columns)), np.nan)
    reached = np.full((len(rows), len(columns)), np.inf)
    if len(z) == 0 or heights.size == 0:
        return heights, reached
    order = np.lexsort((steps[:, 1], steps[:, 0]))
    tree = scipy.spatial.cKDTree(steps[order])
    x = columns / SUBSTEPS
    padded = np.append(z[order], 0.0)
    together = max(1, _NEIGHBOURS_AT_ONCE // (len(columns) * (neighbours + _SPARE)))
    for begin in range(0, len(rows), together):
        y = rows[begin : begin + together] / SUBSTEPS
        at = np.column_stack((np.tile(x, len(y)), np.repeat(y, len(x))))
        distances, found = _nearest(tree, at, neighbours, _reaching(radius))
        means = _weighted(distances, padded[found], power)
        heights[begin : begin + together] = means.reshape(len(y), len(x))
        reached[begin : begin + together] = distances[:, -1].reshape(len(y), len(x))
    return heights, reached


def _nearest(
    tree: scipy.spatial.cKDTree, at: NDArray[np.float64], count: int, bound: float
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return distances and indices of the nearest points; of those equally far the first ones.

    The tree gives such points in any order and cuts them off anywhere, hence the spare ones.
    """
    distances = np.full((len(at), count), np.inf)
    found = np.full((len(at), count), tree.n, np.intp)
    asked = np.arange(len(at))
    spare = _SPARE
    while len(asked):
        wanted = count + spare
        far, near = (
            np.asarray(a)
            for a in tree.query(at[asked], k=[*range(1, wanted + 1)], distance_upper_bound=bound)
        )
        with np.errstate(invalid="ignore"):
            ties = np.flatnonzero((np.diff(far, axis=1) == 0).any(axis=1))
        if len(ties):
            sorting = np.lexsort((near[ties], far[ties]), axis=1)
            near[ties] = np.take_along_axis(near[ties], sorting, axis=1)
        distances[asked], found[asked] = far[:, :count], near[:, :count]
        cut = np.isfinite(far[:, -1]) & (far[:, -1] == far[:, count - 1])
        asked = asked[cut]
        spare *= 2
    return distances, found


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
