"""Tiles on which no pulse reached the ground."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ..kinds import Kind
from .placing import place
from .planting import scatter, shrubs, trees
from .shapes import waves
from .site import Site
from .survey import Echoes, Survey, measure
from .works import Works

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene
    from .site import Crowns

    Array = NDArray[np.float64]

SIZE = (100.0, 90.0)


def _plants_alone(dice: Dice, site: Site, crowns: tuple[Crowns, ...], clear: float) -> Echoes:
    """Return the echoes of plants higher than ``clear`` metres above the ground."""
    echoes = measure(replace(site, crowns=crowns), Survey(0.45, stopped=0.55), dice)
    above = echoes.z - site.terrain(echoes.x, echoes.y)
    keep = (echoes.kind != Kind.GROUND) & (above > clear)
    return Echoes(*(values[keep] for values in echoes))


def canopy_only(dice: Dice) -> Scene:
    """A closed wood in full leaf: crowns between 4 and 26 m above the ground, and no ground at all."""
    roll = waves(dice, 50.0, 1.5)

    def terrain(x: Array, y: Array) -> Array:
        return 0.15 * x + roll(x, y)

    x, y = scatter(dice, SIZE, 3.6, margin=15.0)
    crowns = (trees(dice, terrain, x, y, tall=(13.0, 26.0), slender=(0.14, 0.2), free_path=1.2),)
    site = Site(SIZE, terrain, Works(SIZE))
    return place("canopy_only", canopy_only.__doc__ or "", site, _plants_alone(dice, site, crowns, 4.0), dice)


def thicket_only(dice: Dice) -> Scene:
    """Thorn scrub of 1 to 5 m without a gap: plants from 0.5 m upwards, and no ground at all."""
    roll = waves(dice, 50.0, 1.5)

    def terrain(x: Array, y: Array) -> Array:
        return 0.1 * y + roll(x, y)

    x, y = scatter(dice, SIZE, 1.7)
    crowns = (shrubs(dice, terrain, x, y, tall=(1.0, 5.0), free_path=0.7),)
    site = Site(SIZE, terrain, Works(SIZE))
    return place(
        "thicket_only", thicket_only.__doc__ or "", site, _plants_alone(dice, site, crowns, 0.5), dice
    )
