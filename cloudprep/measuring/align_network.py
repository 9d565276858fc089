"""Several flights brought together at once, from how each lies against those that it overlaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.model.motion import Motion

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.model.motion import Three

    Floats = NDArray[np.float64]

_ROUNDS = 6


@dataclass(frozen=True)
class Tie:
    """How one flight lies against another.

    Parameters
    ----------
    moving, reference : int
        Which flights.
    motion : Motion
        Brings the first onto the second.
    covariance : ndarray of float64, shape (6, 6)
        Of turns and shifts about the motion's centre.
    """

    moving: int
    reference: int
    motion: Motion
    covariance: Floats


@dataclass(frozen=True)
class Network:
    """Where each flight goes.

    Parameters
    ----------
    motions : tuple of Motion
        One a flight, about a common centre.
    covariances : tuple of ndarray of float64, shape (6, 6)
        Of each.
    misclosures : ndarray of float64, shape (ties, 6)
        What remains of each tie: turns (radians), and shifts at its centre (m). Nothing where no flights
        lie in a ring.
    """

    motions: tuple[Motion, ...]
    covariances: tuple[Floats, ...]
    misclosures: Floats


def parts_of(count: int, ties: Sequence[tuple[int, int]]) -> list[list[int]]:
    """Return which flights hang together.

    >>> parts_of(4, [(0, 2), (2, 3)])
    [[0, 2, 3], [1]]
    """
    label = list(range(count))
    for a, b in ties:
        old, new = max(label[a], label[b]), min(label[a], label[b])
        label = [new if x == old else x for x in label]
    return [[i for i in range(count) if label[i] == k] for k in sorted(set(label))]


def adjusted(
    count: int, ties: Sequence[Tie], free: tuple[int, ...], centre: Three, held: int | None = None
) -> Network:
    """Adjust all flights together by least squares, each tie weighted by how sure it is.

    Parameters
    ----------
    count : int
        Flights; all hang together.
    ties : sequence of Tie
        At least ``count - 1``.
    free : tuple of int
        Free parts of the motions.
    centre : tuple of float
        Local metres.
    held : int, optional
        A flight that stays; without one the mean of all motions is zero.

    Returns
    -------
    Network
        Motions with errors against the held flight, or against the mean.

    Notes
    -----
    Without a held flight it is a free network: of all solutions the shortest is taken, by the pseudo-inverse
    (Meissl 1969, "Zusammenfassung und Ausbau der inneren Fehlertheorie eines Punkthaufens").
    """
    size = len(free)
    motions = [Motion(centre=centre) for _ in range(count)]
    arms = [max(float(np.linalg.norm(np.subtract(t.motion.centre, centre))), 1.0) for t in ties]
    # Turns count times the size of the site, or the shortest solution would depend on the unit of angles.
    scale = np.where(np.asarray(free) < 3, 1.0 / max(arms), 1.0)
    scales = np.tile(scale, count)
    moving_ones = [i for i in range(count) if i != held]
    columns = np.concatenate([np.arange(i * size, (i + 1) * size) for i in moving_ones])
    misclosures = np.zeros((len(ties), 6))
    cofactor = np.zeros((count * size, count * size))
    for turn in range(_ROUNDS):
        matrix, right = np.zeros((count * size, count * size)), np.zeros(count * size)
        for k, tie in enumerate(ties):
            i, j = tie.moving, tie.reference
            away = np.subtract(tie.motion.centre, centre)
            rest = motions[i].inverse().then(tie.motion.about(centre)).then(motions[j])
            misclosures[k] = _at(away) @ np.array([*rest.turn, *rest.shift])
            lever = _at(away)[np.ix_(free, free)] * scale
            weight = np.linalg.pinv(tie.covariance[np.ix_(free, free)], rcond=1e-14)
            design = np.zeros((size, count * size))
            design[:, i * size : (i + 1) * size] = -lever
            design[:, j * size : (j + 1) * size] = lever
            matrix += design.T @ weight @ design
            right -= design.T @ weight @ misclosures[k][list(free)]
        if turn == _ROUNDS - 1:
            break
        inverse = np.linalg.pinv(matrix[np.ix_(columns, columns)], rcond=1e-10, hermitian=True)
        cofactor[np.ix_(columns, columns)] = inverse
        step = np.zeros(count * size)
        step[columns] = inverse @ right[columns]
        step *= scales
        for i in range(count):
            change = np.zeros(6)
            change[list(free)] = step[i * size : (i + 1) * size]
            motions[i] = motions[i].then(_motion(change, centre))
    covariances = []
    for i in range(count):
        whole = np.zeros((6, 6))
        own = slice(i * size, (i + 1) * size)
        whole[np.ix_(free, free)] = cofactor[own, own] * np.outer(scale, scale)
        covariances.append(whole)
    return Network(tuple(m.rounded() for m in motions), tuple(covariances), misclosures)


def _at(away: Floats) -> Floats:
    """Return the matrix that gives a small motion's parts about a place, from those about the centre."""
    x, y, z = away
    matrix = np.eye(6)
    matrix[3:, :3] = [[0, z, -y], [-z, 0, x], [y, -x, 0]]
    return matrix


def _motion(parts: Floats, centre: Three) -> Motion:
    a, b, c, x, y, z = (float(v) for v in parts)
    return Motion((x, y, z), (a, b, c), centre)
