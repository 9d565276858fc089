"""A site before anybody measures it: ground, bodies, plants and water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from ..kinds import Kind

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from .model import Height
    from .works import Works

    Array = NDArray[np.float64]
    Mask = Callable[[Array, Array], NDArray[np.bool_]]


class Crowns(NamedTuple):
    """Ellipsoids full of leaves, all of one kind.

    Parameters
    ----------
    kind : Kind
        TREE or SHRUB.
    x, y, middle : ndarray of shape (n,)
        Their centres, m.
    radius, half : ndarray of shape (n,)
        Half axes in plan and upwards, m.
    free_path : float
        Mean distance a pulse travels between leaves, m.
    """

    kind: Kind
    x: Array
    y: Array
    middle: Array
    radius: Array
    half: Array
    free_path: float


@dataclass(frozen=True)
class Herbs:
    """Low plants, as a layer on the ground.

    Parameters
    ----------
    cover : callable
        ``cover(x, y)``: chance that a pulse is stopped, 0 to 1.
    height : callable
        ``height(x, y)``: height of the layer's top, m.
    lowest : float
        Where the lowest echoes come from, m above ground.
    kind : Kind
        What they count as.
    """

    cover: Height
    height: Height
    lowest: float = 0.03
    kind: Kind = Kind.HERB


@dataclass(frozen=True)
class Site:
    """A rectangle of land from (0, 0) to ``size``, m.

    Parameters
    ----------
    size : tuple of float
        Width and depth, m.
    terrain : callable
        Height of the ground.
    works : Works
        What people built.
    crowns : tuple of Crowns
        Trees and shrubs.
    herbs : Herbs, optional
        Low plants.
    water : callable, optional
        Where water stands; the terrain has its surface there.
    echo : float
        Share of pulses that water sends back.
    """

    size: tuple[float, float]
    terrain: Height
    works: Works
    crowns: tuple[Crowns, ...] = ()
    herbs: Herbs | None = None
    water: Mask | None = None
    echo: float = 0.02
