"""Finds the plausible band of coordinates that come in pieces, without holding them all."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.engine.stray import Band, band_between, outer_ranks

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

_BINS = 65_536


class Spread:
    """Counts of one raw coordinate of a flight, in bins over what the header promises.

    Parameters
    ----------
    low, high : int
        Range of raw values to expect; values beyond it are counted in the outer bins.
    """

    def __init__(self, low: int, high: int) -> None:
        self.start = low
        self.shift = max(0, max(high - low, 1).bit_length() - _BINS.bit_length() + 1)
        self.counts = np.zeros(_BINS, np.int64)
        self.least = np.iinfo(np.int64).max
        self.most = np.iinfo(np.int64).min

    def add(self, raw: NDArray[np.int32]) -> None:
        """Count a piece."""
        self.least = min(self.least, int(raw.min()))
        self.most = max(self.most, int(raw.max()))
        bins = np.clip((raw.astype(np.int64) - self.start) >> self.shift, 0, _BINS - 1)
        self.counts += np.bincount(bins, minlength=_BINS)

    def ranked(self, rank: int) -> tuple[int, int]:
        """Return the closed range of raw values that the value of a rank lies in."""
        bin_ = int(np.searchsorted(np.cumsum(self.counts), rank, side="right"))
        low = self.least if bin_ == 0 else self.start + (bin_ << self.shift)
        high = self.most if bin_ == _BINS - 1 else self.start + ((bin_ + 1) << self.shift) - 1
        return max(low, self.least), min(high, self.most)


def plausible_metres(
    spread: Spread,
    metres: Callable[[NDArray[np.int32]], NDArray[np.float64]],
    everything: Callable[[], NDArray[np.int32]],
    *,
    height: bool,
) -> Band | None:
    """Return the band that one coordinate of a flight plausibly lies in, m, or None where none lies beyond.

    Parameters
    ----------
    spread : Spread
        Of all raw values.
    metres : callable
        Turns raw values into metres, rising or falling.
    everything : callable
        Gives all raw values; called only where the counts can't rule out that some lie beyond.
    height : bool
        Whether they are heights.
    """
    count = int(spread.counts.sum())
    ends = np.sort(metres(np.array([spread.least, spread.most], np.int32)))
    rising = bool(np.diff(metres(np.array([0, 1], np.int32)))[0] >= 0)
    lower, upper = outer_ranks(count)
    if not rising:
        lower, upper = count - 1 - lower, count - 1 - upper
    low = np.sort(metres(np.array(spread.ranked(lower), np.int32)))
    high = np.sort(metres(np.array(spread.ranked(upper), np.int32)))
    # The narrowest band that these ranges allow: if it holds all values, so does the true one.
    narrow = band_between(float(low[1]), max(float(high[0]), float(low[1])), count, height=height)
    if narrow.low <= ends[0] and ends[1] <= narrow.high - max(0.0, float(low[1] - high[0])):
        return None
    values = metres(everything())
    ordered = np.partition(values, outer_ranks(count))
    a, b = outer_ranks(count)
    band = band_between(float(ordered[a]), float(ordered[b]), count, height=height)
    return None if band.low <= ends[0] and ends[1] <= band.high else band
