"""Sums over all pairs of places, by their distance: what variograms and shared errors are made of."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit
from cloudprep.kernels.plain import pairs as plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]

# Steps of the table that tells where to start looking for a bin.
_STEPS = 256


@njit(cache=True, nogil=True)
def _pairs(
    x: Floats, y: Floats, values: Floats, edges: Floats, start: Integers, count: Integers, distances: Floats,
    halves: Floats,
) -> None:  # fmt: skip
    scale, nearest, farthest = len(start) / edges[-1], edges[0], edges[-1]
    n, last = len(x), len(edges) - 2
    away = np.empty(n)  # of one place from those after it: a loop of its own, that goes several at once
    for i in range(n - 1):
        for j in range(i + 1, n):
            across, north = x[i] - x[j], y[i] - y[j]
            away[j] = np.sqrt(across * across + north * north)
        for j in range(i + 1, n):
            distance = away[j]
            if distance < nearest or distance > farthest:
                continue
            k = start[min(int(distance * scale), len(start) - 1)]
            while k < last and distance >= edges[k + 1]:
                k += 1
            while k > 0 and distance < edges[k]:
                k -= 1
            more = values[i] - values[j]
            count[k] += 1
            distances[k] += distance
            halves[k] += 0.5 * (more * more)


@njit(cache=True, nogil=True)
def _shared(x: Floats, y: Floats, weights: Floats, reach: float) -> float:
    total = 0.0
    n = len(x)
    most = reach * reach
    for i in range(n - 1):
        row = 0.0
        for j in range(i + 1, n):
            across, north = x[i] - x[j], y[i] - y[j]
            square = across * across + north * north
            if square < most:
                h = np.sqrt(square) / reach
                row += weights[j] * (1 - h * (1.5 - 0.5 * h * h))
        total += weights[i] * row
    return total


def pairs_by_distance(
    x: Floats, y: Floats, values: Floats, edges: Floats
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Return how many pairs fall in each bin, and the sums of their distances and of half their squares.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Places, m.
    values : ndarray of float64, shape (n,)
        What is seen there.
    edges : ndarray of float64, shape (bins + 1,)
        Limits of the bins, m, ascending, from 0 or more. A pair at a limit falls in the bin above it, at the
        last one in the last bin; pairs farther apart don't count.

    Returns
    -------
    count : ndarray of int64, shape (bins,)
        Pairs.
    distances : ndarray of float64, shape (bins,)
        Sum of their distances, m.
    halves : ndarray of float64, shape (bins,)
        Sum of half the squares of the differences of their values.
    """
    x, y, values, edges = (np.ascontiguousarray(v, np.float64) for v in (x, y, values, edges))
    if not COMPILED:
        return plain.pairs_by_distance(x, y, values, edges)
    bins = len(edges) - 1
    count, distances, halves = np.zeros(bins, np.int64), np.zeros(bins), np.zeros(bins)
    lower = np.arange(_STEPS) * (edges[-1] / _STEPS)
    start = np.clip(np.searchsorted(edges, lower, "right") - 1, 0, bins - 1)
    _pairs(x, y, values, edges, start, count, distances, halves)
    return count, distances, halves


def shared_by_pairs(x: Floats, y: Floats, weights: Floats, reach: float) -> float:
    """Return the sum over all pairs of places of the product of their weights and what they share.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Places, m.
    weights : ndarray of float64, shape (n,)
        Of the places.
    reach : float
        Of a spherical covariance of variance 1, m, > 0.

    Notes
    -----
    Each pair counts once, and no place with itself. Without compiled code the sum is taken in another order
    (by a part in 10^12).
    """
    x, y, weights = (np.ascontiguousarray(v, np.float64) for v in (x, y, weights))
    if not COMPILED:
        return plain.shared_by_pairs(x, y, weights, reach)
    return float(_shared(x, y, weights, float(reach)))
