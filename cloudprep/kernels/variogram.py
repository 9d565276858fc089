"""How errors are shared by neighbours: the variogram of differences over ground that hasn't changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.distance import pdist

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_BINS = 24
_FEWEST_PAIRS = 30
_FEWEST_BINS = 5


@dataclass(frozen=True)
class SphericalModel:
    """A spherical variogram with a nugget.

    Parameters
    ----------
    nugget : float
        Variance of what each place has for itself, m2.
    sill : float
        Variance of what neighbours share, m2.
    reach : float
        How far they share it, m.
    """

    nugget: float
    sill: float
    reach: float

    def at(self, distance: Floats) -> Floats:
        """Return half the mean squared difference of two places so far apart."""
        h = np.minimum(distance / self.reach, 1.0) if self.reach > 0 else np.ones_like(distance)
        return np.asarray(self.nugget + self.sill * (1.5 * h - 0.5 * h**3))


def fitted_variogram(x: Floats, y: Floats, values: Floats, farthest: float) -> SphericalModel:
    """Fit a spherical model to the pairs of places.

    Parameters
    ----------
    x, y, values : ndarray of float64, shape (n,)
        Places, m, and what is seen there, m; a few thousand at most.
    farthest : float
        Pairs farther apart don't count, m.

    Returns
    -------
    SphericalModel
        All nugget where there are too few pairs for a shape.

    Notes
    -----
    Matheron 1963, "Principles of geostatistics", Econ. Geol. 58:1246-1266; fitted by least squares with the
    weights of Cressie 1985 (pairs over squared model).
    """
    variance = float(np.var(values)) if len(values) else 0.0
    plain = SphericalModel(variance, 0.0, 0.0)
    if len(values) < _FEWEST_PAIRS or variance == 0:
        return plain
    distance = pdist(np.c_[x, y])
    half = 0.5 * pdist(values[:, None], "sqeuclidean")
    near = distance <= farthest
    # Narrow bins where it matters: close by.
    edges = farthest * (np.arange(_BINS + 1) / _BINS) ** 1.5
    place = np.clip(np.searchsorted(edges, distance[near], "right") - 1, 0, _BINS - 1)
    count = np.bincount(place, minlength=_BINS)
    used = count >= _FEWEST_PAIRS
    if used.sum() < _FEWEST_BINS:
        return plain
    count = count[used]
    lag = np.bincount(place, distance[near], _BINS)[used] / count
    seen = np.bincount(place, half[near], _BINS)[used] / count

    def misfit(p: Floats) -> Floats:
        model = SphericalModel(*np.exp(p)).at(lag)
        return np.asarray(np.sqrt(count) * (seen / model - 1))

    best = None
    for reach in (0.1, 0.3, 0.6):
        start = np.log([variance / 2, variance / 2, reach * farthest])
        low = np.log([variance * 1e-6, variance * 1e-6, max(lag[0] / 2, farthest * 1e-3)])
        high = np.log([4 * variance, 4 * variance, 2 * farthest])
        fit = least_squares(misfit, np.clip(start, low + 1e-9, high - 1e-9), bounds=(low, high))
        if best is None or fit.cost < best.cost:
            best = fit
    assert best is not None  # noqa: S101
    return SphericalModel(*(float(v) for v in np.exp(best.x)))
