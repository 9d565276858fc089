"""Shapes that terrains are put together from."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Height

    Array = NDArray[np.float64]


def constant(value: float) -> Height:
    """Return a function of the place that is the same everywhere."""

    def height(x: Array, y: Array) -> Array:
        return np.full(np.broadcast(x, y).shape, value)

    return height


def ease(value: Array) -> Array:
    """Return 0 below 0, 1 above 1 and a smooth rise in between."""
    t = np.clip(value, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def waves(dice: Dice, wavelength: float, amplitude: float, count: int = 5) -> Height:
    """Return smooth irregular undulations: waves of random directions and phases.

    Parameters
    ----------
    dice : Dice
        Directions, lengths (0.7 to 1.4 times ``wavelength``) and phases.
    wavelength : float
        Typical length, m.
    amplitude : float
        Standard deviation of the heights, m.
    count : int
        Number of waves.
    """
    turn = dice.uniform(0.0, 2.0 * np.pi, count)
    number = 2.0 * np.pi / (wavelength * dice.uniform(0.7, 1.4, count))
    phase = dice.uniform(0.0, 2.0 * np.pi, count)
    scale = amplitude * np.sqrt(2.0 / count)

    def height(x: Array, y: Array) -> Array:
        total = np.zeros(np.shape(x))
        for a, k, p in zip(turn, number, phase, strict=True):
            total += np.sin(k * (np.cos(a) * x + np.sin(a) * y) + p)
        return scale * total

    return height


def rubble(dice: Dice, size: float, amplitude: float) -> Height:
    """Return a rough surface of lumps about ``size`` m wide: waves upon waves, folded at zero."""
    coarse, fine = waves(dice, 2.0 * size, 1.0, 4), waves(dice, 0.8 * size, 0.5, 4)

    def height(x: Array, y: Array) -> Array:
        return amplitude * np.abs(coarse(x, y) + fine(x, y))

    return height


def away(x: Array, y: Array, course: Sequence[tuple[float, float]]) -> tuple[Array, Array]:
    """Return the distance from a course and how far along it the nearest place lies, m.

    Parameters
    ----------
    x, y : ndarray of shape (n,)
        Places, m.
    course : sequence of (x, y)
        Its corners, two or more.
    """
    best, along = np.full(np.shape(x), np.inf), np.zeros(np.shape(x))
    before = 0.0
    for (ax, ay), (bx, by) in pairwise(course):
        length = float(np.hypot(bx - ax, by - ay))
        t = np.clip(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length**2, 0.0, 1.0)
        distance = np.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay))
        along = np.where(distance < best, before + t * length, along)
        best = np.minimum(best, distance)
        before += length
    return best, along
