"""What each pulse meets on its way, and which of it the receiver reports as returns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .kinds import Kind

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

MOST_RETURNS = 5
# Echoes nearer to each other than this, m, run together into the first.
SEPARATION = 0.75
# Share of the sent energy, times reflectance, below which nothing is reported.
FAINTEST = 0.035


@dataclass
class Hits:
    """Candidate echoes in no order, gathered piece by piece.

    An echo has a pulse, a range (m), an opacity (share of the energy it stops), a brightness and a kind.
    """

    pulse: list[Index] = field(default_factory=list)
    ranges: list[Array] = field(default_factory=list)
    opacity: list[Array] = field(default_factory=list)
    reflectance: list[Array] = field(default_factory=list)
    kind: list[NDArray[np.uint8]] = field(default_factory=list)

    def add(
        self, kind: Kind, pulse: Index, ranges: Array, opacity: Array | float, reflectance: Array | float
    ) -> None:
        """Add echoes of one kind; opacity and reflectance may be one number for all."""
        count = len(pulse)
        self.pulse.append(pulse)
        self.ranges.append(ranges)
        self.opacity.append(np.broadcast_to(np.asarray(opacity, np.float64), count))
        self.reflectance.append(np.broadcast_to(np.asarray(reflectance, np.float64), count))
        self.kind.append(np.full(count, int(kind), np.uint8))


@dataclass(frozen=True)
class Returns:
    """Reported echoes, sorted by pulse and range; arrays of shape (n,)."""

    pulse: Index
    ranges: Array
    energy: Array
    kind: NDArray[np.uint8]

    def take(self, rows: NDArray[np.bool_] | Index) -> Returns:
        """Return some of them."""
        return Returns(self.pulse[rows], self.ranges[rows], self.energy[rows], self.kind[rows])

    def joined(self, *others: Returns) -> Returns:
        """Return these and others, sorted by pulse and range."""
        every = (self, *others)
        pulse = np.concatenate([part.pulse for part in every])
        ranges = np.concatenate([part.ranges for part in every])
        order = np.lexsort((ranges, pulse))
        energy = np.concatenate([part.energy for part in every])
        kind = np.concatenate([part.kind for part in every])
        return Returns(pulse[order], ranges[order], energy[order], kind[order])


def numbering(pulse: Index) -> tuple[Index, Index]:
    """Return each row's place within its pulse (from 0) and its pulse's number of rows; pulses are sorted."""
    first = np.flatnonzero(np.r_[True, pulse[1:] != pulse[:-1]]) if pulse.size else np.zeros(0, np.int64)
    counts = np.diff(np.r_[first, pulse.size])
    return np.arange(pulse.size) - np.repeat(first, counts), np.repeat(counts, counts)


def receive(hits: Hits) -> Returns:
    """Send each pulse through its candidates from near to far and keep what the receiver can tell apart.

    Each echo takes its opacity of what is left of the pulse. It is reported if what comes back is bright
    enough, far enough behind the last reported one, and not the sixth.
    """
    pulse = np.concatenate(hits.pulse)
    ranges = np.concatenate(hits.ranges)
    order = np.lexsort((ranges, pulse))
    pulse, ranges = pulse[order], ranges[order]
    opacity = np.concatenate(hits.opacity)[order]
    reflectance = np.concatenate(hits.reflectance)[order]
    kind = np.concatenate(hits.kind)[order]

    place, _ = numbering(pulse)
    pulses = int(pulse[-1]) + 1
    left = np.ones(pulses)
    last = np.full(pulses, -np.inf)
    reported = np.zeros(pulses, np.int64)
    keep = np.zeros(pulse.size, bool)
    energy = np.zeros(pulse.size)
    for k in range(int(place.max()) + 1):
        rows = np.flatnonzero(place == k)
        p = pulse[rows]
        energy[rows] = left[p] * opacity[rows] * reflectance[rows]
        seen = (
            (energy[rows] > FAINTEST) & (ranges[rows] - last[p] > SEPARATION) & (reported[p] < MOST_RETURNS)
        )
        keep[rows] = seen
        left[p] *= 1.0 - opacity[rows]
        last[p[seen]] = ranges[rows[seen]]
        reported[p[seen]] += 1
    return Returns(pulse[keep], ranges[keep], energy[keep], kind[keep])
