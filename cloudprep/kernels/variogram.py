"""How errors are shared by neighbours: the variogram of differences over ground that hasn't changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

from cloudprep.kernels.pairs import pairs_by_distance

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
    # Narrow bins where it matters: close by.
    edges = farthest * (np.arange(_BINS + 1) / _BINS) ** 1.5
    count, distances, halves = pairs_by_distance(x, y, values, edges)
    used = count >= _FEWEST_PAIRS
    if used.sum() < _FEWEST_BINS:
        return plain
    count = count[used]
    lag, seen = distances[used] / count, halves[used] / count

    def misfit(p: Floats) -> Floats:
        model = SphericalModel(*np.exp(p)).at(lag)
        return np.asarray(np.sqrt(count) * (seen / model - 1))

    def slopes(p: Floats) -> Floats:
        """Return the derivatives of the misfit by the logarithms; by differences it takes twice as long."""
        nugget, sill, reach = np.exp(p)
        h = np.minimum(lag / reach, 1.0)
        by = [np.full_like(lag, nugget), sill * (1.5 * h - 0.5 * h**3), -1.5 * sill * h * (1 - h * h)]
        model = nugget + by[1]
        return np.asarray(-np.sqrt(count) * seen / model**2 * np.array(by)).T

    best = None
    for reach in (0.1, 0.3, 0.6):
        start = np.log([variance / 2, variance / 2, reach * farthest])
        low = np.log([variance * 1e-6, variance * 1e-6, max(lag[0] / 2, farthest * 1e-3)])
        high = np.log([4 * variance, 4 * variance, 2 * farthest])
        fit = least_squares(misfit, np.clip(start, low + 1e-9, high - 1e-9), slopes, bounds=(low, high))
        if best is None or fit.cost < best.cost:
            best = fit
    assert best is not None  # noqa: S101
    return SphericalModel(*(float(v) for v in np.exp(best.x)))
