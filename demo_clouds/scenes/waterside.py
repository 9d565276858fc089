"""A pond, a river with an island, and dry places that look like water; where it is wet is known exactly."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..dice import Dice
from ..kinds import Kind
from .heights import foot
from .placing import frame, place
from .planting import scatter, trees
from .shapes import ease, waves
from .site import Herbs, Site
from .survey import Echoes, Survey, measure
from .works import Works

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from .model import Height, Scene
    from .site import Mask

    Array = NDArray[np.float64]

SIZE = (430.0, 300.0)
# Metres of fall on a metre of the river's valley.
FALL = 0.002
_RIVER, _POND, _DRY = 0.0, 0.9, 2.2
_POND_Y = 236.0


class Waterside(NamedTuple):
    """A scene with water whose extent and level are known exactly.

    Parameters
    ----------
    scene : Scene
        The cloud.
    river, pond : callable
        ``river(x, y)``: which places of the scene lie in it.
    level : callable
        ``level(x, y)``: height of the water, m; NaN where it is dry.
    traps : dict of str to (x0, y0, x1, y1)
        Dry places that look like water: rectangles in the site's own frame, m.
    inward : callable
        ``inward(x, y)``: places of the scene in the site's own frame.
    """

    scene: Scene
    river: Mask
    pond: Mask
    level: Height
    traps: dict[str, tuple[float, float, float, float]]
    inward: Callable[[Array, Array], tuple[Array, Array]]


TRAPS = {
    "car park": (20.0, 196.0, 100.0, 246.0),
    "dark roof": (128.0, 206.0, 188.0, 246.0),
    "field": (215.0, 10.0, 320.0, 50.0),
    "dry basin": (30.0, 14.0, 90.0, 48.0),
    "gap in the flight": (205.0, 262.0, 260.0, 288.0),
}


class _Land:
    """The shapes of the site, in its own frame, m."""

    def __init__(self, dice: Dice) -> None:
        self.roll, self.bend, self.shore = (
            waves(dice, length, height) for length, height in ((150.0, 0.35), (260.0, 9.0), (60.0, 3.0))
        )
        self.half = dice.one(17.0, 22.0)
        self.island = dice.one(150.0, 230.0)
        self.pond_x = 350.0 + dice.one(-6.0, 6.0)

    def off_river(self, x: Array, y: Array) -> Array:
        """Distance outside the river across its valley; negative on it. It is wider around its island."""
        wide = self.half + 26.0 * ease((90.0 - np.abs(x - self.island)) / 70.0)
        middle = 118.0 + self.bend(x, 0.0 * x)
        island = 15.0 * (1.0 - np.hypot((x - self.island) / 62.0, (y - middle) / 23.0))
        return np.maximum(np.abs(y - middle) - wide, island)

    def off_pond(self, x: Array, y: Array) -> Array:
        """Distance outside the pond; negative on it."""
        oval = np.hypot((x - self.pond_x) / 64.0, (y - _POND_Y) / 48.0)
        return 48.0 * (oval - 1.0) + 0.3 * self.shore(x, y)

    def off_water(self, x: Array, y: Array) -> Array:
        """Distance outside both."""
        return np.minimum(self.off_river(x, y), self.off_pond(x, y))

    def terrain(self, x: Array, y: Array) -> Array:
        """Height of the ground, and of the water where it is wet."""
        x, y = np.broadcast_arrays(np.asarray(x, np.float64), np.asarray(y, np.float64))
        river, pond, stream = self.off_river(x, y), self.off_pond(x, y), _level_of_river(x)
        high = _DRY - FALL * x + self.roll(x, y) + 0.01 * np.maximum(y - 150.0, 0.0)
        bank = stream + 0.25 * ease(river / 0.6) + ease((river - 0.5) / 9.0) * 1.4
        found = np.where(river < 40.0, bank + (high - bank) * ease((river - 6.0) / 30.0), high)
        found = np.where(river < 0, stream, found)
        side = _POND + 0.2 * ease(pond / 0.6) + 0.16 * np.clip(pond, 0.0, None)
        found = np.where(pond < 25.0, side + (found - side) * ease((pond - 3.0) / 18.0), found)
        found = np.where(pond < 0, _POND, found)
        for name, floor, fall in (("car park", 3.2, 0.01), ("field", 1.6, 0.0)):
            plane = floor + fall * (x - TRAPS[name][0]) + 0.002 * (y - TRAPS[name][1])
            found = found + (plane - found) * ease(1.0 - _off_trap(x, y, name) / 8.0)
        basin = _off_trap(x, y, "dry basin")
        return found + (1.0 + 0.001 * x - found) * ease(1.0 - (basin + 2.0) / 9.0)


def _level_of_river(x: Array) -> Array:
    return _RIVER - FALL * x


def _off_trap(x: Array, y: Array, name: str) -> Array:
    """Distance outside a trap's rectangle, m; negative inside."""
    x0, y0, x1, y1 = TRAPS[name]
    return np.maximum(np.maximum(x0 - x, x - x1), np.maximum(y0 - y, y - y1))


def _works(terrain: Height) -> Works:
    works = Works(SIZE)
    x0, y0, x1, y1 = TRAPS["dark roof"]
    centre = ((x0 + x1) / 2, (y0 + y1) / 2)
    works.add(Kind.BUILDING, centre, (x1 - x0, y1 - y0), foot(terrain, *centre) + 8.0)
    for k in range(12):
        car = (26.0 + 6.0 * k, 203.0 + 18.0 * (k % 3))
        works.add(Kind.VEHICLE, car, (1.8, 4.4), foot(terrain, *car) + 1.5)
    return works


def _measured(site: Site, land: _Land, dice: Dice) -> Echoes:
    """Return what a flight sees: dark places dimly, a mirror hardly, and nothing where it never was."""
    echoes = measure(site, Survey(0.9), dice)
    x, y, chance = echoes.x, echoes.y, dice.uniform(0, 1, len(echoes.x))
    dark = (_off_trap(x, y, "car park") < 0) | (echoes.kind == Kind.BUILDING)
    lost = (dark & (chance < 0.16)) | (_off_trap(x, y, "gap in the flight") < 0)
    # The pond is a mirror but for a strip near the nadir of one line.
    lost |= (echoes.kind == Kind.WATER) & (land.off_pond(x, y) < 0) & (np.abs(y - _POND_Y) > 9.0)
    intensity = np.where(dark, np.maximum(echoes.intensity // 6, 1), echoes.intensity).astype(np.uint16)
    return Echoes(*(v[~lost] for v in echoes._replace(intensity=intensity)))


def waterside(seed: int, *, land_only: bool = False) -> Waterside:
    """Return a scene with a pond, a river with an island, and dry traps.

    Parameters
    ----------
    seed : int
        The same seed gives the same points on every machine.
    land_only : bool
        Whether river and pond are dry: a grassy valley and a hollow. Nothing there is water.

    Notes
    -----
    The water sends back a twentieth to a half of the pulses; the pond only along a strip. The traps: a dark
    car park that loses a sixth of its pulses and drains by 1 %, a flat dark roof that loses as many, a level
    field, a dry grassy basin with a level floor, and a place that was never flown.
    """
    dice = Dice(seed * 1000 + 500 + land_only, "scene")
    land = _Land(dice)

    def wet(x: Array, y: Array) -> NDArray[np.bool_]:
        return (land.off_water(x, y) < 0) & (not land_only)

    works = _works(land.terrain)
    x, y = scatter(dice, SIZE, 9.0)
    free = np.minimum.reduce([land.off_water(x, y), *(_off_trap(x, y, name) - 2.0 for name in TRAPS)]) > 2.0
    free &= dice.uniform(0, 1, len(x)) < 0.25
    herbs = Herbs(
        lambda x, y: np.where(np.abs(land.off_water(x, y) - 1.0) < 1.5, 0.5, 0.1),
        lambda x, y: np.where(land.off_water(x, y) < 3.0, 1.2, 0.3),
        lowest=0.05,
    )
    crowns = (trees(dice, land.terrain, x[free], y[free]),)
    site = Site(SIZE, land.terrain, works, crowns, herbs, wet, echo=dice.one(0.05, 0.5))
    echoes = _measured(site, land, dice)
    at = frame(site, dice)
    made = place("waterside", waterside.__doc__ or "", site, echoes, dice, at)

    def inside(off: Height) -> Mask:
        return lambda x, y: (off(*at.inward(x, y)) < 0) & (not land_only)

    def level(x: Array, y: Array) -> Array:
        u, v = at.inward(x, y)
        found = np.where(land.off_pond(u, v) < 0, _POND, _level_of_river(u))
        return np.where(wet(u, v), at.up + found, np.nan)

    return Waterside(made, inside(land.off_river), inside(land.off_pond), level, TRAPS, at.inward)
