"""Sums over all pairs of places, by their distance, all at once in arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.distance import pdist

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def pairs_by_distance(
    x: Floats, y: Floats, values: Floats, edges: Floats
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Return how many pairs fall in each bin, and the sums of their distances and of half their squares."""
    bins = len(edges) - 1
    distance = pdist(np.c_[x, y])
    half = 0.5 * pdist(values[:, None], "sqeuclidean")
    near = (distance >= edges[0]) & (distance <= edges[-1])
    place = np.clip(np.searchsorted(edges, distance[near], "right") - 1, 0, bins - 1)
    return (
        np.bincount(place, minlength=bins).astype(np.int64),
        np.bincount(place, distance[near], bins).astype(np.float64),
        np.bincount(place, half[near], bins).astype(np.float64),
    )


def shared_by_pairs(x: Floats, y: Floats, weights: Floats, reach: float) -> float:
    """Return the sum over all pairs of their weights and what they share; equal to a part in 10^12."""
    h = np.minimum(pdist(np.c_[x, y]) / reach, 1.0)
    a, b = np.triu_indices(len(x), 1)
    return float((weights[a] * weights[b] * (1 - h * (1.5 - 0.5 * h * h))).sum())
