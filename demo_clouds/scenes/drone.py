"""Drone flights: dense, precise, and low plants that only precision can tell from ground."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .heights import foot
from .placing import place
from .planting import scatter, shrubs
from .shapes import away, ease, rubble, waves
from .site import Herbs, Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Height, Scene

    Array = NDArray[np.float64]

SIZE = (50.0, 42.0)


def _land(dice: Dice) -> Height:
    roll, rough = waves(dice, 30.0, 0.5), rubble(dice, 0.5, 0.015)
    track = ((-10.0, 12.0), (20.0, 20.0), (60.0, 17.0))

    def terrain(x: Array, y: Array) -> Array:
        across, _ = away(x, y, track)
        rut = 0.10 * ease(1.0 - np.abs(np.abs(across) - 0.8) / 0.35)
        bank = 1.4 * ease((y - 30.0) / 2.2)
        return 0.05 * x + roll(x, y) + rough(x, y) - rut + bank

    return terrain


def drone_plants(dice: Dice) -> Scene:
    """Drone lidar, 150 points/m2, noise 2 cm: plants of 0.1 to 0.4 m with ground showing in places."""
    terrain = _land(dice)
    patch, tuft, tall = waves(dice, 14.0, 1.0), waves(dice, 0.9, 1.0, 7), waves(dice, 5.0, 1.0)

    def cover(x: Array, y: Array) -> Array:
        grown = ease(0.5 + 0.9 * (patch(x, y) + 0.35))
        return np.clip(0.93 * grown * ease(1.3 + 1.2 * tuft(x, y)), 0.0, 0.93)

    def height(x: Array, y: Array) -> Array:
        return np.clip(0.26 + 0.09 * tall(x, y), 0.14, 0.4)

    works = Works(SIZE)
    works.add(Kind.VEHICLE, (24.0, 20.5), (4.5, 1.9), foot(terrain, 24.0, 20.5) + 1.6, turned=10.0)
    x, y = scatter(dice, SIZE, 6.0)
    low = dice.uniform(0, 1, len(x)) < 0.2
    crowns = (shrubs(dice, terrain, x[low], y[low], tall=(0.5, 1.6), free_path=0.25),)
    site = Site(SIZE, terrain, works, crowns, Herbs(cover, height, lowest=0.1))
    survey = Survey(0.098, noise=0.02, lines=3, lean=0.45, resolution=0.5)
    return place("drone_plants", drone_plants.__doc__ or "", site, measure(site, survey, dice), dice)


def drone_grass(dice: Dice) -> Scene:
    """Drone lidar over a meadow of 0.3 to 0.9 m: one pulse in fifteen reaches the ground."""
    terrain = _land(dice)
    tall, mown = waves(dice, 6.0, 1.0), waves(dice, 25.0, 1.0)

    def cover(x: Array, y: Array) -> Array:
        return np.where(mown(x, y) > 1.1, 0.5, 0.94)

    def height(x: Array, y: Array) -> Array:
        return np.clip(0.6 + 0.15 * tall(x, y), 0.3, 0.9)

    site = Site(SIZE, terrain, Works(SIZE), (), Herbs(cover, height, lowest=0.05))
    survey = Survey(0.13, noise=0.02, lines=3, lean=0.45)
    return place("drone_grass", drone_grass.__doc__ or "", site, measure(site, survey, dice), dice)
