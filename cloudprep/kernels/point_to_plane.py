"""Distances from points to the planes of a surface, and what they tell of a motion between the two.

A motion is a vector of six: turns about the axes east, north, up (radians) about zero, then shifts (m). A
vertical shift has one free part of them, a shift three, a rigid motion all six.

References
----------
Chen and Medioni 1992, "Object modelling by registration of multiple range images" (point to plane).
Beaton and Tukey 1974, "The fitting of power series, meaning polynomials, illustrated on band-spectroscopic
data" (biweight). Huber 1981, "Robust Statistics", chapter 7 (errors of such estimates).
Bell and McCaffrey 2002, "Bias reduction in standard errors for linear regression with multi-stage samples"
(jackknife over groups that share errors). Fuller 1987, "Measurement Error Models", chapter 1 (reliability).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import eigh
from scipy.spatial import cKDTree

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FREE = {"vertical": (5,), "shift": (3, 4, 5), "rigid": (0, 1, 2, 3, 4, 5)}
"""Which of the six parts are free."""
TUKEY = 4.685
"""The biweight's limit in standard deviations: 95 % efficiency for normal errors (Holland, Welsch 1977)."""
MAD_TO_SIGMA = 1.4826
_NEIGHBOURS = 12
_LEAST_NEIGHBOURS = 6
# A plane is one where points scatter three times less across it than along it, in both directions.
_FLATTEST = 1.0 / 9.0
_STRAIGHTEST = 0.05
_AT_ONCE = 100_000


@dataclass(frozen=True)
class Planes:
    """Pieces of a surface.

    Parameters
    ----------
    places : ndarray of float64, shape (n, 3)
        A point of each, m.
    normals : ndarray of float64, shape (n, 3)
        Unit vectors, upwards.
    doubt : ndarray of float64, shape (n, 3, 3)
        Covariance of the normal, from how far the neighbours lie off the plane.
    """

    places: Floats
    normals: Floats
    doubt: Floats


def fitted_planes(points: Floats, radius: float) -> Planes:
    """Fit a plane around every point by total least squares; leave out where points make none.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
        m.
    radius : float
        How far neighbours may be, m. The twelve nearest count.

    Returns
    -------
    Planes
        Of the points with at least six neighbours (themselves included) that lie in a plane.
    """
    parts = [
        _some_planes(points, cKDTree(points), radius, slice(start, start + _AT_ONCE))
        for start in range(0, len(points), _AT_ONCE)
    ]
    if not parts:
        return Planes(np.empty((0, 3)), np.empty((0, 3)), np.empty((0, 3, 3)))
    places, normals, doubt = (np.concatenate([p[i] for p in parts]) for i in range(3))
    return Planes(places, normals, doubt)


def _some_planes(points: Floats, tree: cKDTree, radius: float, rows: slice) -> tuple[Floats, Floats, Floats]:
    around, near = map(np.asarray, tree.query(points[rows], k=_NEIGHBOURS, distance_upper_bound=radius))
    there = np.isfinite(around)
    count = there.sum(axis=1)
    enough = count >= _LEAST_NEIGHBOURS
    own, near, there, count = points[rows][enough], near[enough], there[enough], count[enough].astype(float)
    away = points[np.where(there, near, 0)] - own[:, None, :]
    away[~there] = 0.0
    away -= (away.sum(axis=1) / count[:, None])[:, None, :]
    away[~there] = 0.0
    spread, axes = np.linalg.eigh(np.einsum("nki,nkj->nij", away, away) / count[:, None, None])
    flat = (spread[:, 0] <= _FLATTEST * spread[:, 1]) & (spread[:, 1] >= _STRAIGHTEST * spread[:, 2])
    spread, axes, count = spread[flat], axes[flat], count[flat]
    normals = axes[:, :, 0] * np.where(axes[:, 2, 0] < 0, -1.0, 1.0)[:, None]
    noise = spread[:, 0] * count / (count - 3)
    doubt = np.zeros((len(count), 3, 3))
    for k in (1, 2):
        tilt = noise / (count * np.maximum(spread[:, k], 1e-300))
        doubt += tilt[:, None, None] * axes[:, :, k, None] * axes[:, None, :, k]
    return own[flat], normals, doubt


@dataclass(frozen=True)
class Pairs:
    """Points with the pieces of the surface that they lie on.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
        Where the points lie now, m.
    rows, planes : ndarray of int64, shape (n,)
        Which point, which plane.
    distances : ndarray of float64, shape (n,)
        How far they lie above the planes, m.
    """

    points: Floats
    rows: NDArray[np.int64]
    planes: NDArray[np.int64]
    distances: Floats


def paired(points: Floats, planes: Planes, tree: cKDTree, reach: float) -> Pairs:
    """Pair every point with the plane whose place is nearest, if that is within reach."""
    apart, near = map(np.asarray, tree.query(points, distance_upper_bound=reach))
    rows = np.flatnonzero(np.isfinite(apart))
    near, at = near[rows].astype(np.int64), points[rows]
    distances = np.einsum("ni,ni->n", at - planes.places[near], planes.normals[near])
    return Pairs(at, rows, near, distances)


def robust_spread(distances: Floats) -> float:
    """Return the standard deviation about zero that the median of the absolute values implies."""
    return MAD_TO_SIGMA * float(np.median(np.abs(distances)))


def biweights(distances: Floats, limit: float) -> Floats:
    """Return Tukey's weights, 0 beyond the limit."""
    inside = np.clip(1.0 - (distances / limit) ** 2, 0.0, None)
    return inside * inside


def design(pairs: Pairs, planes: Planes, free: tuple[int, ...]) -> Floats:
    """Return how distances change with the free parts of a motion, shape (n, len(free))."""
    normals = planes.normals[pairs.planes]
    return np.concatenate([np.cross(pairs.points, normals), normals], axis=1)[:, free]


def doubt_of_design(pairs: Pairs, planes: Planes, weights: Floats, free: tuple[int, ...]) -> Floats:
    """Return what doubt about the normals adds to the normal matrix, shape (len(free), len(free))."""
    doubt = planes.doubt[pairs.planes] * weights[:, None, None]
    x, y, z = pairs.points.T
    zero = np.zeros_like(x)
    across = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=1).reshape(-1, 3, 3)
    turned = np.einsum("nij,njk->nik", across, doubt)
    whole = np.empty((6, 6))
    whole[:3, :3] = np.einsum("nij,nkj->ik", turned, across)
    whole[:3, 3:] = turned.sum(axis=0)
    whole[3:, :3] = whole[:3, 3:].T
    whole[3:, 3:] = doubt.sum(axis=0)
    return whole[np.ix_(free, free)]


def solved(matrix: Floats, right: Floats) -> Floats:
    """Return the solution of normal equations, the least one where they leave some part open."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    step: Floats = np.linalg.lstsq(matrix / np.outer(scale, scale), right / scale, rcond=1e-9)[0] / scale
    return step


@dataclass(frozen=True)
class Shown:
    """What of a motion a surface shows.

    Parameters
    ----------
    reliability : float
        In the motion that the surface shows least: the share of the normal matrix that isn't noise of the
        normals. 1 is perfect; at 0 the surface shows nothing of it.
    condition : float
        Least by largest eigenvalue of the normal matrix without that noise, turns times the size of the site.
    weakest : ndarray of float64, shape (p,)
        That motion; turns times the size of the site.
    """

    reliability: float
    condition: float
    weakest: Floats


def shown(pairs: Pairs, planes: Planes, free: tuple[int, ...], limit: float) -> Shown:
    """Tell what of a motion a surface shows.

    Parameters
    ----------
    pairs, planes
        Points on their planes.
    free : tuple of int
        Free parts.
    limit : float
        Pairs farther apart don't count, m.

    Notes
    -----
    Normals fitted to noisy points tilt at random, and so seem to show a horizontal shift on level ground;
    what they must add by chance is taken off the normal matrix.
    """
    size = float(np.sqrt(np.mean(np.sum(pairs.points**2, axis=1)))) or 1.0
    scale = np.where(np.asarray(free) < 3, 1.0 / size, 1.0)
    counted = np.abs(pairs.distances) < limit
    scaled = (design(pairs, planes, free) * scale)[counted]
    whole = scaled.T @ scaled
    noise = doubt_of_design(pairs, planes, counted.astype(float), free) * np.outer(scale, scale)
    tiny = 1e-12 * np.trace(whole) * np.eye(len(free))
    shares, motions = eigh(whole - noise, whole + tiny)
    weakest = motions[:, 0] / np.linalg.norm(motions[:, 0])
    eigenvalues = np.linalg.eigvalsh(whole - noise)
    return Shown(float(shares[0]), float(eigenvalues[0] / eigenvalues[-1]), weakest)


def group_scores(
    pairs: Pairs, planes: Planes, free: tuple[int, ...], limit: float, groups: NDArray[np.int64], number: int
) -> Floats:
    """Return the right-hand side of the normal equations by groups of points.

    Parameters
    ----------
    pairs, planes
        Points on their planes.
    free : tuple of int
        Free parts.
    limit : float
        Of Tukey's weights, m.
    groups : ndarray of int64
        Group of each point (of all, not of each pair), 0 to ``number`` - 1.
    number : int
        How many groups there are.

    Returns
    -------
    ndarray of float64, shape (number, len(free))
    """
    scores = design(pairs, planes, free) * (biweights(pairs.distances, limit) * pairs.distances)[:, None]
    which = groups[pairs.rows]
    return np.stack([np.bincount(which, scores[:, i], number) for i in range(len(free))], axis=1)


def jackknifed(scores: Floats, responses: Floats) -> Floats:
    """Return the covariance of an estimate by leaving out one group after the other, to first order.

    Parameters
    ----------
    scores : ndarray of float64, shape (g, p)
        Of each group, at the solution.
    responses : ndarray of float64, shape (g, p, p)
        How each group's scores change with the parts of the motion.

    Returns
    -------
    ndarray of float64, shape (p, p)
    """
    scale = np.sqrt(np.maximum(np.abs(np.diag(responses.sum(axis=0))), 1e-300))
    scores, responses = scores / scale, responses / np.outer(scale, scale)
    whole = responses.sum(axis=0)
    shifts = np.array([np.linalg.pinv(whole - r) @ s for s, r in zip(scores, responses, strict=True)])
    held = max(int(np.any(scores != 0, axis=1).sum()), 1)
    found: Floats = (held - 1) / held * shifts.T @ shifts / np.outer(scale, scale)
    return found
