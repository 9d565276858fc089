"""Trees and shrubs: crowns as ellipsoids that let part of the light through, trunks as bars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from . import cover, place, terrain
from .kinds import Kind
from .lines import Bars

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .dice import Dice

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Crowns:
    """Ellipsoids full of leaves.

    Parameters
    ----------
    kind : Kind
        TREE or SHRUB.
    centres : ndarray of shape (n, 3)
        Their centres, m.
    radii, half_heights : ndarray of shape (n,)
        Half axes in plan and upwards, m.
    free_path : float
        Mean distance a beam travels between leaves inside, m.
    """

    kind: Kind
    centres: Array
    radii: Array
    half_heights: Array
    free_path: float


@dataclass(frozen=True)
class Plants:
    """Everything that grows taller than herbs."""

    crowns: tuple[Crowns, ...]
    trunks: Bars


# Trees outside the wood: along the upper road, at the houses and by the pond, m.
_LONE = (
    (18, 36),
    (44, 8),
    (205, 41),
    (262, 40),
    (288, 66),
    (196, 84),
    (262, 112),
    (14, 196),
    (22, 214),
    (268, 10),
)


def _scatter(dice: Dice, spacing: float) -> tuple[Array, Array]:
    """Return places of a jittered grid over the site."""
    width, depth = place.EXTENT
    x, y = np.meshgrid(np.arange(spacing / 2, width, spacing), np.arange(spacing / 2, depth, spacing))
    jitter = 0.42 * spacing
    x = x.ravel() + dice.uniform(-jitter, jitter, x.size)
    return x, y.ravel() + dice.uniform(-jitter, jitter, x.size)


def _free(x: Array, y: Array, line: Array) -> NDArray[np.bool_]:
    """Tell which places are away from the power line, whose strip is kept clear."""
    near = np.interp(x, line[:, 0], line[:, 1])
    return np.abs(y - near) > 11.0


def grow(dice: Dice, line: Array) -> Plants:
    """Return the site's plants.

    Parameters
    ----------
    dice : Dice
        Where they stand and how big they are.
    line : ndarray of shape (n, 2)
        Course of the power line from west to east, m.
    """
    x, y = _scatter(dice, 4.8)
    keep = cover.is_wood(x, y) & (dice.uniform(0.0, 1.0, x.size) < 0.85) & _free(x, y, line)
    x, y = x[keep], y[keep]
    lone = np.array(_LONE, np.float64)
    x, y = np.concatenate([x, lone[:, 0]]), np.concatenate([y, lone[:, 1]])
    tall = dice.uniform(11.0, 22.0, x.size)
    radius = dice.uniform(0.12, 0.17, x.size) * tall
    crown = dice.uniform(0.50, 0.68, x.size) * tall
    ground = terrain.height(x, y)
    trees = Crowns(
        Kind.TREE, np.column_stack([x, y, ground + tall - crown / 2]), radius, crown / 2, free_path=1.9
    )
    foot = np.column_stack([x, y, ground - 0.2])
    trunks = Bars(Kind.TREE, foot, foot + np.outer(tall - crown / 2, [0, 0, 1]), 0.16, 0.9, 0.35)

    x, y = _scatter(dice, 4.4)
    keep = cover.is_wood(x, y) & (dice.uniform(0.0, 1.0, x.size) < 0.42) & _free(x, y, line)
    # A hedge between the houses and the pond, and bushes on the quarry's rim.
    hedge_x = np.arange(188.0, 250.0, 1.3)
    hedge_y = 78.0 + 1.5 * np.sin(hedge_x / 9.0)
    rim = (terrain.quarry_distance(x, y) > 22.0) & (terrain.quarry_distance(x, y) < 34.0) & (y > 190.0)
    keep |= rim & (dice.uniform(0.0, 1.0, x.size) < 0.25)
    x, y = np.concatenate([x[keep], hedge_x]), np.concatenate([y[keep], hedge_y])
    tall = dice.uniform(0.7, 3.2, x.size)
    tall[-hedge_x.size :] = dice.uniform(1.5, 2.2, hedge_x.size)
    radius = np.maximum(0.45 * tall, 0.5)
    centres = np.column_stack([x, y, terrain.height(x, y) + 0.48 * tall])
    shrubs = Crowns(Kind.SHRUB, centres, radius, tall / 2, free_path=0.8)
    return Plants((trees, shrubs), trunks)
