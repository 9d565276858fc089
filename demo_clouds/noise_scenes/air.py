"""Noise in the air that pulses meet on their way: birds, fog, haze, rain, dust."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..lines import approach  # noqa: TID252 - the installed package bears another name
from .kinds import Label

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .chance import Chance
    from .echoes import Gathered
    from .pulses import Pulses, Scanner
    from .site import Site

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

WEATHER = (Label.FOG_BANK, Label.HAZE, Label.DUST, Label.RAIN, Label.STRAY_LIGHT)


class Air:
    """The air over a scene as one flight line met it.

    Parameters
    ----------
    site : Site
        The scene.
    pulses : Pulses
        The line's pulses.
    ground : ndarray of shape (n,)
        Range of the ground under each pulse, m.
    first : ndarray of shape (n,)
        Range of the first real thing that each pulse meets, m; the ground's where it meets nothing.
    tallest : float
        Height of the tallest thing in the scene above the mean level, m.
    chance : Chance
        What comes by.
    """

    def __init__(
        self, site: Site, pulses: Pulses, ground: Array, first: Array, tallest: float, chance: Chance
    ) -> None:
        self.site, self.pulses, self.ground, self.chance = site, pulses, ground, chance
        self.first = np.minimum(first, ground)
        self.tallest = tallest
        self._fall = -pulses.direction[:, 2]

    def some(self, count: float) -> Index:
        """Return some pulses, each once."""
        return self.chance.pick(np.arange(len(self.pulses)), int(max(count, 1)))

    def above(self, pulse: Index, up: Array) -> Array:
        """Return the ranges a height (m) above the first thing that pulses meet."""
        return np.asarray(self.first[pulse] - up / self._fall[pulse])

    def clear_middle(self, reach: float, low: float, high: float) -> Array:
        """Return a place in the air, ``low`` to ``high`` metres over everything within its reach."""
        length, width = self.site.extent
        x, y = self.chance.one(0.1, 0.9) * length, self.chance.one(0.1, 0.9) * width
        near = np.hypot(self.pulses.aim[:, 0] - x, self.pulses.aim[:, 1] - y) < reach
        rows = np.flatnonzero(near)
        top = self.site.level(x, y)
        if rows.size:
            top = max(top, float(self.pulses.places(rows, self.first[rows])[:, 2].max()))
        return np.array([x, y, top + self.chance.one(low, high)])

    def through(self, middle: Array, half: Array) -> Index:
        """Return the pulses that pass near a place."""
        return self.pulses.through(middle - half, middle + half)


def add_birds(found: Gathered, air: Air, scanner: Scanner, rate: float) -> None:
    """Add single birds of 0.4 to 1 m span, each met by one or a few pulses."""
    chance, pulses = air.chance, air.pulses
    birds = air.some(max(5.0, rate * len(pulses)))
    ranges = air.above(birds, chance.uniform(5.0, 55.0, birds.size))
    spots = pulses.places(birds, ranges)
    for spot, turned, span in zip(
        spots, chance.uniform(0.0, np.pi, birds.size), chance.uniform(0.2, 0.5, birds.size), strict=True
    ):
        wing = span * np.array([np.cos(turned), np.sin(turned), 0.1])
        rows = air.through(spot, np.abs(wing) + 0.3)
        away, distance = approach(pulses.origin[rows], pulses.direction[rows], spot - wing, spot + wing)
        met = distance < 0.06 + scanner.footprint
        found.add(Label.BIRD, rows[met], away[met], chance.uniform(0.4, 0.9, int(met.sum())), 0.3)


def add_flock(found: Gathered, air: Air, scale: float) -> None:
    """Add a flock in a loose ball."""
    chance = air.chance
    reach = chance.one(4.0, 9.0) * max(scale, 0.4)
    middle = air.clear_middle(reach, 6.0 + reach, 35.0)
    rows = air.through(middle, np.array([reach, reach, 0.1]))
    rows = chance.pick(rows, chance.whole(20, 120))
    z = middle[2] + np.clip(chance.normal(0.35 * reach, rows.size), -reach, reach)
    found.add(Label.FLOCK, rows, air.pulses.range_at(rows, z), chance.uniform(0.3, 0.9, rows.size), 0.3)


def add_fog_bank(found: Gathered, air: Air, scale: float) -> None:
    """Add a drifting bank of fog or smoke: dense in its middle, thin at its rim, above everything."""
    chance, pulses = air.chance, air.pulses
    reach, thick = chance.one(14.0, 38.0) * scale, chance.one(2.0, 10.0) * max(scale, 0.4)
    middle = air.clear_middle(reach, 5.0 + 1.5 * thick, 25.0 + 1.5 * thick)
    rows = air.through(middle, np.array([reach, reach, 0.1]))
    x, y = pulses.at_height(rows, middle[2])
    away = ((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / (0.55 * reach) ** 2
    rows = rows[chance.flags(chance.one(0.2, 0.95) * np.exp(-away), rows.size)]
    z = middle[2] + np.clip(chance.normal(0.4 * thick, rows.size), -1.2 * thick, 1.5 * thick)
    found.add(Label.FOG_BANK, rows, pulses.range_at(rows, z), chance.uniform(0.1, 1.0, rows.size), 0.12)


def add_haze(found: Gathered, air: Air, rate: float) -> None:
    """Add haze: scattered echoes, the more the nearer to the aircraft."""
    chance = air.chance
    rows = air.some(rate * len(air.pulses))
    z = air.site.level(*(0.5 * side for side in air.site.extent)) + air.tallest + 50.0
    ranges = air.pulses.range_at(rows, z - chance.exponential(25.0, rows.size))
    free = ranges < air.first[rows]
    found.add(Label.HAZE, rows[free], ranges[free], 0.2, 0.08)


def add_rain(found: Gathered, air: Air, rate: float) -> None:
    """Add rain or snow: echoes evenly spread over the height."""
    chance = air.chance
    rows = air.some(rate * len(air.pulses))
    ranges = air.above(rows, chance.uniform(0.0, air.tallest + 45.0, rows.size))
    found.add(Label.RAIN, rows, ranges, 0.2, 0.07)


def add_dust(found: Gathered, air: Air, scale: float) -> None:
    """Add a cloud of dust that lies on the ground, as behind a lorry: thinner upwards and outwards."""
    chance, pulses = air.chance, air.pulses
    length, width = air.site.extent
    reach = chance.one(8.0, 20.0) * max(scale, 0.3)
    x, y = chance.one(0.15, 0.85) * length, chance.one(0.15, 0.85) * width
    away = ((pulses.aim[:, 0] - x) ** 2 + (pulses.aim[:, 1] - y) ** 2) / (0.5 * reach) ** 2
    rows = np.flatnonzero(chance.flags(chance.one(0.25, 0.7) * np.exp(-away), away.size))
    up = 0.3 + chance.exponential(2.5 * max(scale, 0.4), rows.size)
    ranges = air.ground[rows] + up / pulses.direction[rows, 2]
    free = ranges < air.first[rows]
    rows, ranges = rows[free], ranges[free]
    found.add(Label.DUST, rows, ranges, chance.uniform(0.2, 1.0, rows.size), 0.12)


def add_multipath_above(found: Gathered, air: Air, rate: float) -> None:
    """Add single echoes 3 to 25 m above things, which a receiver invents."""
    chance = air.chance
    rows = air.some(max(4.0, rate * len(air.pulses)))
    found.add(Label.MULTIPATH_ABOVE, rows, air.above(rows, chance.uniform(3.0, 25.0, rows.size)), 0.0, 0.3)
