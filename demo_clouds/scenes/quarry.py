"""A quarry: vertical faces, benches, a ramp cut through them, blasted rock at the foot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..kinds import Kind
from .placing import place
from .planting import scatter, shrubs
from .shapes import ease, rubble, waves
from .site import Site
from .survey import Survey, measure
from .works import Works

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice
    from .model import Scene

    Array = NDArray[np.float64]

SIZE = (190.0, 150.0)
FACE = 0.4
"""From edge to foot of a face in plan, m."""


def quarry(dice: Dice) -> Scene:
    """Vertical benches of 8 to 12 m: tops and faces are ground, machines and shrubs are not."""
    benches = np.cumsum(dice.uniform(6.0, 11.0, 4)) - 6.0
    rises = dice.uniform(8.0, 12.0, 4)
    outline, roll, rough = waves(dice, 45.0, 3.0), waves(dice, 60.0, 0.4), rubble(dice, 1.2, 0.5)
    top = float(rises.sum())
    road = 40.0

    def beyond(x: Array, y: Array) -> Array:
        """How far outside the pit's floor, m."""
        return 62.0 * (np.hypot((x - 85.0) / 78.0, (y - 62.0) / 62.0) - 0.62) + outline(x, y)

    def terrain(x: Array, y: Array) -> Array:
        out = beyond(x, y)
        z = np.zeros(np.shape(x))
        for edge, rise in zip(benches, rises, strict=True):
            z = z + rise * np.clip((out - edge) / FACE, 0.0, 1.0)
        # Blasted rock lies at the foot of the lowest face on one side.
        heap = ease((out + 9.0) / 8.0) * (out < benches[0]) * ease((y - 70.0) / 10.0)
        z = z + heap * (1.5 + rough(x, y))
        ramp = top * np.clip((x - 85.0) / 95.0, 0.0, 1.0)
        beside = np.maximum(np.abs(y - road) - 6.0, 0.0)
        z = np.where(x > 85.0, np.clip(z, ramp - 6.0 * beside, ramp + 6.0 * beside), z)
        return z + roll(x, y) * 0.5 + 0.02 * x

    works = Works(SIZE)
    for x, y, size, high in (
        (70, 55, (9.0, 4.0), 4.2),
        (82, 66, (10.5, 4.5), 5.0),
        (95, 50, (5.0, 3.2), 3.3),
    ):
        foot = float(terrain(np.array([float(x)]), np.array([float(y)]))[0])
        works.add(Kind.VEHICLE, (x, y), size, foot + high, turned=dice.one(0, 180))
    x, y = scatter(dice, SIZE, 5.0)
    keep = (beyond(x, y) > benches[-1] + 2.0) & (dice.uniform(0, 1, len(x)) < 0.3)
    keep &= np.abs(y - road) > 9.0
    site = Site(SIZE, terrain, works, (shrubs(dice, terrain, x[keep], y[keep]),))
    echoes = measure(site, Survey(0.62), dice)
    return place("quarry", quarry.__doc__ or "", site, echoes, dice)
