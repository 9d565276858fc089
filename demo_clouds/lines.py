"""Thin straight members: wires in short pieces, lattice bars, poles, fence rails."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .kinds import Kind

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bars:
    """Straight members of one kind.

    Parameters
    ----------
    kind : Kind
        What they are.
    starts, ends : ndarray of shape (n, 3)
        Their ends, m.
    radius : float
        Half thickness, m.
    opacity : float
        Share of a beam's energy that one of them stops, 0 to 1.
    reflectance : float
        Brightness, 0 to 1.
    """

    kind: Kind
    starts: Array
    ends: Array
    radius: float
    opacity: float
    reflectance: float


def approach(origin: Array, direction: Array, start: Array, end: Array) -> tuple[Array, Array]:
    """Return where beams come nearest to one bar: range along the beam and distance to the bar, m.

    Parameters
    ----------
    origin, direction : ndarray of shape (n, 3)
        The beams; directions of length 1.
    start, end : ndarray of shape (3,)
        The bar.

    Returns
    -------
    tuple of ndarray of shape (n,)
        Range and distance.
    """
    bar = end - start
    between = origin - start
    b = direction @ bar
    c = float(bar @ bar)
    d = (direction * between).sum(axis=1)
    e = between @ bar
    share = np.clip((e - b * d) / np.maximum(c - b * b, 1e-12), 0.0, 1.0)
    ranges = share * b - d
    miss = between + ranges[:, None] * direction - share[:, None] * bar
    return ranges, np.sqrt((miss**2).sum(axis=1))


def catenary(start: Array, end: Array, sag: float, step: float = 6.0) -> Array:
    """Return points along a wire that hangs between two places.

    Parameters
    ----------
    start, end : ndarray of shape (3,)
        Where it is fastened, m.
    sag : float
        How far its middle hangs below the straight line, m.
    step : float
        Largest distance of the points in plan, m.

    Returns
    -------
    ndarray of shape (n, 3)
        Points of the catenary; between fastenings of unequal height it is sheared, which a shallow wire
        nearly is.
    """
    span = float(np.hypot(end[0] - start[0], end[1] - start[1]))
    # a (cosh(span / 2a) - 1) = sag fixes the parameter a. The sag falls about as 1 / a, so scaling a by the
    # sag it gives over the sag it should give converges at once.
    a = span**2 / (8.0 * sag)
    for _ in range(8):
        a *= a * (np.cosh(span / (2.0 * a)) - 1.0) / sag
    share = np.linspace(0.0, 1.0, int(np.ceil(span / step)) + 1)
    points = start + share[:, None] * (end - start)
    points[:, 2] -= sag + a - a * np.cosh((share - 0.5) * span / a)
    return points
