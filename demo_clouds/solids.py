"""Convex bodies with flat faces: how a beam meets them and how high they stand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .kinds import Kind

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Solid:
    """The points p with ``normals @ p <= offsets``.

    Parameters
    ----------
    kind : Kind
        What it is.
    normals : ndarray of shape (faces, 3)
        Outward unit normals.
    offsets : ndarray of shape (faces,)
        Distance of each face from the origin along its normal, m.
    centre : tuple of float
        A place inside, x and y, m.
    radius : float
        How far it reaches from the centre in plan, m.
    reflectance : float
        Brightness, 0 to 1.
    colour : tuple of float
        Red, green, blue, 0 to 255.
    """

    kind: Kind
    normals: Array
    offsets: Array
    centre: tuple[float, float]
    radius: float
    reflectance: float
    colour: tuple[float, float, float]


class Crossing(NamedTuple):
    """Where beams enter a solid: range (m, inf where they miss) and whether through an upright face."""

    entry: Array
    upright: NDArray[np.bool_]


def enter(solid: Solid, origin: Array, direction: Array, grow: float = 0.0) -> Crossing:
    """Return where beams enter a solid.

    Parameters
    ----------
    solid : Solid
        The body.
    origin, direction : ndarray of shape (n, 3)
        The beams; directions of length 1.
    grow : float
        Move the upright faces outwards by this much, m: the half-width of a beam that grazes an edge.

    Returns
    -------
    Crossing
        Two arrays of shape (n,).
    """
    upright_face = solid.normals[:, 2] == 0.0
    towards = direction @ solid.normals.T
    gap = solid.offsets + grow * upright_face - origin @ solid.normals.T
    with np.errstate(divide="ignore", invalid="ignore"):
        ranges = gap / towards
    entering = np.where(towards < 0.0, ranges, -np.inf)
    leaving = np.where(towards > 0.0, ranges, np.inf).min(axis=1)
    entry = entering.max(axis=1)
    beside = ((towards == 0.0) & (gap < 0.0)).any(axis=1)
    miss = (entry >= leaving) | (entry <= 0.0) | beside
    return Crossing(np.where(miss, np.inf, entry), upright_face[entering.argmax(axis=1)])


def top(solid: Solid, x: Array, y: Array) -> Array:
    """Return the height of a solid's upper side at places in plan, -inf beside it."""
    nx, ny, nz = solid.normals.T
    side = solid.offsets - np.multiply.outer(x, nx) - np.multiply.outer(y, ny)
    up = nz > 0.0
    inside = (side[..., nz == 0.0] >= 0.0).all(axis=-1)
    return np.where(inside, (side[..., up] / nz[up]).min(axis=-1), -np.inf)


def prism(
    kind: Kind,
    centre: tuple[float, float],
    size: tuple[float, float],
    span: tuple[float, float],
    turned: float,
    *,
    ridge: float = 0.0,
    reflectance: float = 0.4,
    colour: tuple[float, float, float] = (170.0, 160.0, 150.0),
) -> Solid:
    """Return an upright body with a rectangular base, and a gable roof if it has a ridge.

    Parameters
    ----------
    kind : Kind
        What it is.
    centre : tuple of float
        x, y of the base's centre, m.
    size : tuple of float
        Length (along the ridge) and width, m.
    span : tuple of float
        Height of the base and of the eaves, m.
    turned : float
        Direction of the length, degrees anticlockwise from east.
    ridge : float
        Height of the ridge above the eaves, m; 0 gives a flat roof.
    reflectance, colour : float, tuple of float
        See :class:`Solid`.
    """
    along = np.array([np.cos(np.radians(turned)), np.sin(np.radians(turned)), 0.0])
    across = np.array([-along[1], along[0], 0.0])
    middle = np.array([centre[0], centre[1], 0.0])
    length, width = size
    up = np.array([0.0, 0.0, 1.0])
    faces = [(along, length / 2), (-along, length / 2), (across, width / 2), (-across, width / 2)]
    normals = [normal for normal, _ in faces]
    offsets = [normal @ middle + reach for normal, reach in faces]
    normals.append(-up)
    offsets.append(-span[0])
    if ridge > 0.0:
        pitch = np.arctan2(ridge, width / 2)
        for side in (across, -across):
            roof = np.sin(pitch) * side + np.cos(pitch) * up
            normals.append(roof)
            offsets.append(roof @ (middle + (span[1] + ridge) * up))
    else:
        normals.append(up)
        offsets.append(span[1])
    radius = float(np.hypot(length, width) / 2)
    return Solid(kind, np.array(normals), np.array(offsets), centre, radius, reflectance, colour)


def beam(
    kind: Kind,
    start: tuple[float, float, float],
    end: tuple[float, float, float],
    width: float,
    thickness: float,
    *,
    reflectance: float = 0.3,
    colour: tuple[float, float, float] = (120.0, 120.0, 120.0),
) -> Solid:
    """Return a straight, maybe inclined body of rectangular section between the centres of its ends."""
    a, b = np.array(start), np.array(end)
    length = float(np.sqrt(((b - a) ** 2).sum()))
    along = (b - a) / length
    across = np.array([-along[1], along[0], 0.0]) / np.hypot(along[0], along[1])
    over = np.cross(along, across)
    middle = (a + b) / 2
    faces = [(along, length / 2), (across, width / 2), (over, thickness / 2)]
    normals = np.array([sign * normal for normal, _ in faces for sign in (1.0, -1.0)])
    reaches = np.array([reach for _, reach in faces for _ in range(2)])
    centre = (float(middle[0]), float(middle[1]))
    return Solid(kind, normals, normals @ middle + reaches, centre, (length + width) / 2, reflectance, colour)
