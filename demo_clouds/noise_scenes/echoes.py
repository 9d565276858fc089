"""What the pulses of a line meet, and which of it comes back as returns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ..hits import numbering  # noqa: TID252 - the installed package bears another name

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .kinds import Label

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Labels = NDArray[np.uint8]

MOST_RETURNS = 5
# Share of a pulse's energy that must be left for one more echo.
_LEAST_LEFT = 0.12


@dataclass(frozen=True)
class Echoes:
    """Echoes with their pulse, range (m), opacity, brightness and label; arrays of shape (n,)."""

    pulse: Index
    ranges: Array
    opacity: Array
    brightness: Array
    label: Labels

    def take(self, rows: NDArray[np.bool_] | Index) -> Echoes:
        """Return some of them."""
        return Echoes(
            self.pulse[rows], self.ranges[rows], self.opacity[rows], self.brightness[rows], self.label[rows]
        )


@dataclass
class Gathered:
    """Echoes gathered piece by piece, in no order."""

    parts: list[Echoes] = field(default_factory=list)

    def add(
        self, label: Label, pulse: Index, ranges: Array, opacity: Array | float, brightness: Array | float
    ) -> None:
        """Add echoes of one kind; opacity and brightness may be one number for all."""
        count = len(pulse)
        self.parts.append(
            Echoes(
                np.asarray(pulse, np.int64),
                np.asarray(ranges, np.float64),
                np.broadcast_to(np.asarray(opacity, np.float64), count),
                np.broadcast_to(np.asarray(brightness, np.float64), count),
                np.full(count, int(label), np.uint8),
            )
        )

    def joined(self) -> Echoes:
        """Return all of them, sorted by pulse and range."""
        return joined(*self.parts)

    def first(self, pulses: int) -> Array:
        """Return the range of the first echo of each pulse, inf where there is none."""
        nearest = np.full(pulses, np.inf)
        for part in self.parts:
            np.minimum.at(nearest, part.pulse, part.ranges)
        return nearest


def joined(*parts: Echoes) -> Echoes:
    """Return echoes of several pieces, sorted by pulse and range."""
    every = Echoes(
        np.concatenate([p.pulse for p in parts]),
        np.concatenate([p.ranges for p in parts]),
        np.concatenate([p.opacity for p in parts]),
        np.concatenate([p.brightness for p in parts]),
        np.concatenate([p.label for p in parts]),
    )
    return every.take(np.lexsort((every.ranges, every.pulse)))


def received(echoes: Echoes, pulses: int, separation: float) -> Echoes:
    """Send each pulse through its echoes from near to far and keep what the receiver tells apart.

    Parameters
    ----------
    echoes : Echoes
        Sorted by pulse and range.
    pulses : int
        How many pulses were sent.
    separation : float
        Least distance of two echoes of one pulse, m; the second of two nearer ones is lost.
    """
    place, _ = numbering(echoes.pulse)
    left = np.ones(pulses)
    last = np.full(pulses, -np.inf)
    count = np.zeros(pulses, np.int64)
    keep = np.zeros(echoes.pulse.size, bool)
    for k in range(int(place.max(initial=-1)) + 1):
        rows = np.flatnonzero(place == k)
        p = echoes.pulse[rows]
        seen = left[p] > _LEAST_LEFT
        seen &= (echoes.ranges[rows] - last[p] > separation) & (count[p] < MOST_RETURNS)
        keep[rows] = seen
        left[p] *= 1.0 - echoes.opacity[rows]
        last[p[seen]] = echoes.ranges[rows[seen]]
        count[p[seen]] += 1
    return echoes.take(keep)
