"""The ground of a noise scene as a formula: tilted waves, stockpiles, water."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .chance import Chance

    Array = NDArray[np.float64]

LEVEL = 100.0
# Tangent of the angle at which loose rock rests: 35 degrees.
_REPOSE = 0.70
# Tangent of an excavation's sides.
_BANK = 1.5


@dataclass(frozen=True)
class Ground:
    """Heights in the scene's own frame, m.

    Parameters
    ----------
    waves : ndarray of shape (k, 4)
        Amplitude (m), two wave numbers (radians/m) and phase of each wave.
    piles : ndarray of shape (p, 3)
        Place and height of stockpiles, which are ground.
    digs : ndarray of shape (d, 4)
        Place, radius and depth of excavations, which are ground too.
    water : float
        Level of the water, -inf if there is none.
    """

    waves: Array
    piles: Array
    digs: Array
    water: float

    def dry(self, x: Array, y: Array) -> Array:
        """Return the height of the ground, under water its bed."""
        z = np.full(np.shape(x), LEVEL)
        for amplitude, across, up, phase in self.waves:
            z += amplitude * np.sin(across * x + up * y + phase)
        raised = z
        for px, py, tall in self.piles:
            raised = np.maximum(raised, z + tall - _REPOSE * np.hypot(x - px, y - py))
        for px, py, radius, deep in self.digs:
            raised = raised - np.clip(_BANK * (radius - np.hypot(x - px, y - py)), 0.0, deep)
        return raised

    def height(self, x: Array, y: Array) -> Array:
        """Return the height of the ground or, where that is higher, of the water."""
        return np.maximum(self.dry(x, y), self.water)

    def wet(self, x: Array, y: Array) -> NDArray[np.bool_]:
        """Tell where water is."""
        return self.dry(x, y) < self.water

    def steepness(self, x: Array, y: Array) -> Array:
        """Return the tangent of the slope."""
        step = 0.05
        east = self.height(x + step, y) - self.height(x - step, y)
        north = self.height(x, y + step) - self.height(x, y - step)
        return np.hypot(east, north) / (2.0 * step)

    def at(self, x: float, y: float) -> float:
        """Return the height at one place."""
        return float(self.height(np.array([x]), np.array([y]))[0])


def make_ground(
    extent: tuple[float, float],
    slope: float,
    chance: Chance,
    *,
    water: bool = False,
    piles: int = 0,
    digs: int = 1,
) -> Ground:
    """Return the ground of a scene.

    Parameters
    ----------
    extent : tuple of float
        Length and width of the scene, m.
    slope : float
        About the steepest slope of its hills, as a tangent.
    chance : Chance
        Where the hills are.
    water : bool
        Fill the lowest third with water.
    piles : int
        Number of stockpiles.
    digs : int
        Number of excavations.
    """
    rows = []
    for length, share in ((1.1, 1.0), (0.7, 0.6), (0.32, 0.35), (0.16, 0.2)):
        wave = extent[0] * length * chance.one(0.85, 1.15)
        heading = chance.one(0.0, 2.0 * np.pi)
        number = 2.0 * np.pi / wave
        amplitude = slope * share / 1.6 / number
        rows.append((amplitude, number * np.cos(heading), number * np.sin(heading), chance.one(0.0, 6.28)))
    for wave in (11.0, 6.5):  # what every meadow has
        heading, number = chance.one(0.0, 2.0 * np.pi), 2.0 * np.pi / wave
        rows.append((0.05, number * np.cos(heading), number * np.sin(heading), chance.one(0.0, 6.28)))
    heaps = [
        (
            chance.one(0.15, 0.85) * extent[0],
            chance.one(0.15, 0.85) * extent[1],
            chance.one(0.05, 0.09) * extent[1],
        )
        for _ in range(piles)
    ]
    # Real holes: what lies in them is no low noise.
    holes = [
        (
            chance.one(0.1, 0.9) * extent[0],
            chance.one(0.1, 0.9) * extent[1],
            chance.one(0.03, 0.05) * extent[1] + 1.0,
            chance.one(0.02, 0.03) * extent[1] + 1.0,
        )
        for _ in range(digs)
    ]
    ground = Ground(np.array(rows), np.array(heaps).reshape(-1, 3), np.array(holes).reshape(-1, 4), -np.inf)
    if not water:
        return ground
    x, y = np.meshgrid(np.linspace(0.0, extent[0], 40), np.linspace(0.0, extent[1], 40))
    return replace(ground, water=float(np.quantile(ground.dry(x, y), 0.3)))
