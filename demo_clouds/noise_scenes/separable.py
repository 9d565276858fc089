"""Which noise can be told from real things at all."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from .kinds import FIRST_NOISE, MOVING, PLANTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .site import Site

    Array = NDArray[np.float64]

# Nearer than this to a real surface, m, or to a plant's leaves, a point in the air may belong to it.
_SURFACE, _LEAVES = 0.5, 1.5
_SPACINGS = 3.0
_SIGMAS = 6.0


def clearly_noise(
    places: Array, label: NDArray[np.uint8], site: Site, spacing: float, sigma: float
) -> NDArray[np.bool_]:
    """Tell which noise points are separable: no judge could take them for a part of something real.

    A noise point below the ground is separable if it lies deeper than 6 sigma and deeper than half a point
    spacing, measured across the surface: 3 sigma for the point's own error and 3 for the surface's, and
    between two neighbours any ground may dip by that much. A noise point above the ground is separable if no
    real point lies within 3 spacings or within 0.5 m, and no point of a plant within 1.5 m either: leaves
    have gaps, and a point in or beside a crown may be one. Dust or rain between leaves and the first
    decimetres of a dust cloud are therefore not separable, nor is a pit of a few sigma. Vehicles and people
    that moved on don't count as real here.

    Parameters
    ----------
    places : ndarray of shape (n, 3)
        Points in the scene's own frame, m.
    label : ndarray of shape (n,)
        Values of :class:`.kinds.Label`.
    site : Site
        The scene.
    spacing, sigma : float
        Point spacing and error of a height, m.

    Returns
    -------
    ndarray of bool, shape (n,)
        False for real points.
    """
    x, y, z = places.T
    clear = np.zeros(len(places), bool)
    noise = np.flatnonzero(label >= FIRST_NOISE)
    depth = site.ground.height(x[noise], y[noise]) - z[noise]
    depth /= np.sqrt(1.0 + site.ground.steepness(x[noise], y[noise]) ** 2)
    below = depth > 0.0
    clear[noise] = below & (depth > max(_SIGMAS * sigma, 0.5 * spacing))
    above = noise[~below]

    real = (label < FIRST_NOISE) & ~np.isin(label, MOVING)
    leaves = real & np.isin(label, PLANTS)
    far = np.ones(above.size, bool)
    for mask, least in ((real & ~leaves, _SURFACE), (leaves, _LEAVES)):
        reach = max(_SPACINGS * spacing, least)
        if mask.any() and above.size:
            nearest, _ = cKDTree(places[mask]).query(places[above], distance_upper_bound=reach)
            far &= np.isinf(nearest)
    clear[above] = far
    return clear
