"""Labelled made-up scenes of hard ground: every point's truth and the exact terrain are known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..dice import Dice
from .bridge import bridge
from .city import city
from .country import hillside_houses, rolling, vineyard
from .drone import drone_grass, drone_plants
from .embankment import embankment
from .empty import canopy_only, thicket_only
from .forest import steep_forest
from .halls import hall, hall_on_slope
from .image_matching import building_site
from .junction import junction
from .model import Scene
from .multipath import low_multipath
from .overhang import overhang
from .quarry import quarry
from .terraces import terraces
from .water import water
from .yard import stockpiles

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["SCENES", "Scene", "scene"]

_MAKERS: dict[str, Callable[[Dice], Scene]] = {
    maker.__name__: maker
    for maker in (
        rolling,
        quarry,
        terraces,
        stockpiles,
        embankment,
        hall,
        hall_on_slope,
        city,
        bridge,
        junction,
        hillside_houses,
        vineyard,
        steep_forest,
        drone_plants,
        drone_grass,
        building_site,
        canopy_only,
        thicket_only,
        overhang,
        water,
        low_multipath,
    )
}

SCENES: tuple[str, ...] = tuple(_MAKERS)
"""Names of all scenes."""


def scene(name: str, seed: int) -> Scene:
    """Return a scene.

    Parameters
    ----------
    name : str
        One of :data:`SCENES`.
    seed : int
        The same seed gives the same points on every machine; another one gives another site of the kind.

    Raises
    ------
    ValueError
        If there is no such scene.
    """
    if name not in _MAKERS:
        raise ValueError(f"no scene is called '{name}' (there are: {', '.join(SCENES)})")
    return _MAKERS[name](Dice(seed * 1000 + SCENES.index(name), "scene"))
