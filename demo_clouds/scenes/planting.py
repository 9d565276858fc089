"""Where trees and shrubs stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .site import Crowns

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Height

    Array = NDArray[np.float64]
    Mask = Callable[[Array, Array], NDArray[np.bool_]]


def scatter(
    dice: Dice, size: tuple[float, float], spacing: float, margin: float = 8.0
) -> tuple[Array, Array]:
    """Return places of a jittered grid over a site and a margin around it."""
    x, y = np.meshgrid(
        np.arange(-margin, size[0] + margin, spacing), np.arange(-margin, size[1] + margin, spacing)
    )
    jitter = 0.42 * spacing
    return x.ravel() + dice.uniform(-jitter, jitter, x.size), y.ravel() + dice.uniform(
        -jitter, jitter, x.size
    )


def trees(
    dice: Dice,
    terrain: Height,
    x: Array,
    y: Array,
    *,
    tall: tuple[float, float] = (10.0, 20.0),
    slender: tuple[float, float] = (0.14, 0.22),
    crown: tuple[float, float] = (0.5, 0.7),
    free_path: float = 2.0,
) -> Crowns:
    """Return trees at places.

    Parameters
    ----------
    dice : Dice
        How big each one is.
    terrain : callable
        The ground.
    x, y : ndarray of shape (n,)
        Where they stand.
    tall : tuple of float
        Least and greatest height, m.
    slender, crown : tuple of float
        Least and greatest share of the height that is the crown's radius, and its depth.
    free_path : float
        Mean distance a pulse travels between leaves, m.
    """
    n = len(x)
    height = dice.uniform(*tall, n)
    radius, depth = height * dice.uniform(*slender, n), height * dice.uniform(*crown, n)
    return Crowns(Kind.TREE, x, y, terrain(x, y) + height - depth / 2, radius, depth / 2, free_path)


def shrubs(
    dice: Dice,
    terrain: Height,
    x: Array,
    y: Array,
    *,
    tall: tuple[float, float] = (0.8, 3.0),
    free_path: float = 0.5,
) -> Crowns:
    """Return shrubs at places; they reach down to the ground."""
    height = dice.uniform(*tall, len(x))
    radius = np.maximum(0.5 * height, 0.5)
    return Crowns(Kind.SHRUB, x, y, terrain(x, y) + 0.5 * height, radius, height / 2, free_path)
