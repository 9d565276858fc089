"""The pulses of one flight line over a noise scene."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .ground import LEVEL

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .chance import Chance

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

# Pulses that pass the scene's outline by less than this are sent too, m.
_MARGIN = 3.0
# Pulses are looked up in strips of this width, m; a key is a strip's number times the other figure and y.
_STRIP, _STRIP_KEY = 2.0, 1e5
# A line thins out over this share of the scene's width.
_SOFT = 0.12


@dataclass(frozen=True)
class Scanner:
    """How a scene is flown.

    Parameters
    ----------
    altitude : float
        Height above the ground's mean level, m.
    footprint : float
        Half width of a beam at the ground, m.
    separation : float
        Echoes nearer to each other than this run together, m.
    sigma : float
        Standard deviation of a range, m.
    """

    altitude: float
    footprint: float
    separation: float
    sigma: float


class Pulses:
    """Pulses of one line in the order they were sent.

    Parameters
    ----------
    origin : ndarray of shape (n, 3)
        Where they start, m.
    aim : ndarray of shape (n, 2)
        Where they pass the scene's mean level, m.
    time : ndarray of shape (n,)
        When they were sent, s, rising.
    """

    def __init__(self, origin: Array, aim: Array, time: Array) -> None:
        way = np.column_stack([aim, np.full(len(aim), LEVEL)]) - origin
        self.origin = origin
        self.direction = way / np.sqrt((way**2).sum(axis=1))[:, None]
        self.aim = aim
        self.time = time
        self._lean = self.direction[:, :2] / -self.direction[:, 2:]
        self._steepest = np.abs(self._lean).max(axis=0, initial=0.0)
        # In strips along y, and within each by y.
        keys = np.floor(aim[:, 0] / _STRIP) * _STRIP_KEY + aim[:, 1]
        self._order = np.argsort(keys, kind="stable")
        self._keys = keys[self._order]

    def __len__(self) -> int:
        return len(self.time)

    def places(self, pulse: Index, ranges: Array) -> Array:
        """Return the places (n, 3) at ranges along some pulses."""
        return np.asarray(self.origin[pulse] + ranges[:, None] * self.direction[pulse])

    def range_at(self, pulse: Index, z: Array | float) -> Array:
        """Return the ranges at which pulses pass heights (m)."""
        return np.asarray((z - self.origin[pulse, 2]) / self.direction[pulse, 2])

    def at_height(self, pulse: Index, z: Array | float) -> tuple[Array, Array]:
        """Return where pulses pass heights (m), x and y."""
        fall = LEVEL - np.asarray(z)
        return (
            self.aim[pulse, 0] + fall * self._lean[pulse, 0],
            self.aim[pulse, 1] + fall * self._lean[pulse, 1],
        )

    def through(self, low: Array, high: Array) -> Index:
        """Return the pulses that may pass a box given by its lowest and highest corner (m)."""
        pad = self._steepest * float(max(abs(low[2] - LEVEL), abs(high[2] - LEVEL))) + 0.01
        edges = np.floor(np.array([low[0] - pad[0], high[0] + pad[0]]) / _STRIP)
        strips = np.arange(edges[0], edges[1] + 1.0) * _STRIP_KEY
        first = np.searchsorted(self._keys, strips + (low[1] - pad[1]))
        last = np.searchsorted(self._keys, strips + (high[1] + pad[1]))
        rows = np.concatenate([self._order[a:b] for a, b in zip(first, last, strict=True)])
        bottom, top = self.at_height(rows, low[2]), self.at_height(rows, high[2])
        meets = np.ones(rows.size, bool)
        for axis in range(2):
            meets &= np.minimum(bottom[axis], top[axis]) <= high[axis]
            meets &= np.maximum(bottom[axis], top[axis]) >= low[axis]
        return rows[meets]


def fly(
    extent: tuple[float, float],
    density: float,
    cover: tuple[float, float],
    scanner: Scanner,
    start: float,
    chance: Chance,
) -> Pulses:
    """Return one line's pulses over a scene.

    Parameters
    ----------
    extent : tuple of float
        Length and width of the scene, m.
    density : float
        Pulses a square metre, on average over the covered part.
    cover : tuple of float
        The part of the width that the line covers, as shares; it thins out towards its edges.
    scanner : Scanner
        Altitude and rhythm.
    start : float
        Time of the first pulse, s.
    chance : Chance
        Heading, speed and jitter.
    """
    heading = np.radians(chance.one(-12.0, 12.0) + 180.0 * chance.whole(0, 1))
    along = np.array([np.cos(heading), np.sin(heading)])
    across = np.array([-along[1], along[0]])
    centre = np.array(extent) / 2.0
    reach = 0.5 * float(np.hypot(*extent)) + _MARGIN
    spacing = float(1.0 / np.sqrt(density))

    count = int(2.0 * reach / spacing * 1.05)
    turns = chance.one(1.0, 3.0)
    pace = 1.0 + 0.3 * np.sin(np.arange(count) / count * 2.0 * np.pi * turns + chance.one(0.0, 6.28))
    way: Array = np.cumsum(spacing * pace) - reach  # along the line
    swing = int(2.0 * reach / spacing)
    sideways = np.linspace(-reach, reach, swing)
    flip = np.where(np.arange(count) % 2 == 0, 1.0, -1.0)  # the mirror swings to and fro
    a = way[:, None] + (np.arange(swing) / swing * spacing)[None, :]
    c = flip[:, None] * sideways[None, :]
    a = a.ravel() + chance.normal(0.07 * spacing, a.size)
    c = c.ravel() + chance.normal(0.07 * spacing, c.size)
    aim = centre + a[:, None] * along + c[:, None] * across
    keep = ((aim > -_MARGIN) & (aim < np.array(extent) + _MARGIN)).all(axis=1)
    # The line ends within the scene on one side or on none, and thins out there.
    low, high = (share * extent[1] for share in cover)
    soft = _SOFT * extent[1]
    inside = np.full(len(aim), np.inf)
    if cover[0] > 0.0:
        inside = np.minimum(inside, (aim[:, 1] - low) / soft)
    if cover[1] < 1.0:
        inside = np.minimum(inside, (high - aim[:, 1]) / soft)
    keep &= chance.flags(np.clip(inside, 0.0, 1.0), inside.size)
    aim, a = aim[keep], a[keep]
    beside = chance.one(-0.3, 0.3) * scanner.altitude
    origin = np.full((len(aim), 3), LEVEL + scanner.altitude)
    origin[:, :2] = centre + a[:, None] * along + beside * across
    time = start + 1e-5 * np.flatnonzero(keep)
    return Pulses(origin, aim, time.astype(np.float64))
