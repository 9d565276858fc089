"""A steep forest under which hardly any pulse reaches the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .placing import place
from .planting import scatter, shrubs, trees
from .shapes import constant, ease, rubble, waves
from .site import Herbs, Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (120.0, 100.0)


def steep_forest(dice: Dice) -> Scene:
    """Dense forest on 30 degrees with a gully: 3 % of the points are ground."""
    rise = float(np.tan(np.radians(30.0)))
    roll, rough, bend = waves(dice, 35.0, 0.6), rubble(dice, 1.5, 0.08), waves(dice, 60.0, 5.0)

    def terrain(x: Array, y: Array) -> Array:
        gully = 3.5 * ease(1.0 - np.abs(x - 60.0 - bend(0.0 * x, y)) / 11.0)
        return rise * y + roll(x, y) + rough(x, y) - gully

    x, y = scatter(dice, SIZE, 3.8, margin=30.0)
    keep = dice.uniform(0, 1, len(x)) < 0.96
    u, v = scatter(dice, SIZE, 3.0, margin=20.0)
    low = dice.uniform(0, 1, len(u)) < 0.4
    crowns = (
        trees(
            dice,
            terrain,
            x[keep],
            y[keep],
            tall=(14.0, 27.0),
            slender=(0.13, 0.18),
            crown=(0.6, 0.8),
            free_path=1.3,
        ),
        shrubs(dice, terrain, u[low], v[low], tall=(0.6, 3.5)),
    )
    herbs = Herbs(constant(0.3), constant(0.7), lowest=0.1)
    site = Site(SIZE, terrain, Works(SIZE), crowns, herbs)
    survey = Survey(0.42, noise=0.04, lean=0.25, stopped=0.5)
    return place("steep_forest", steep_forest.__doc__ or "", site, measure(site, survey, dice), dice)
