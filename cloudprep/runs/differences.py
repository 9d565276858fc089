"""Figures of many differences, taken part by part: memory does not grow with their number."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Differences"]

# Of the bits of a float32 all but the last eleven: sign apart, one part in 4,096 of the value.
_DROPPED = 11
_BINS = 1 << (31 - _DROPPED)


class Differences:
    """Running figures of differences.

    Means and the largest are exact. Quantiles are the smallest of the values that at least so many don't
    exceed, cut off after twelve binary digits (one part in 4,096): whole numbers up to 4,096 are exact.

    Examples
    --------
    >>> found = Differences()
    >>> found.add(np.array([-1.0, 0.0, 0.0, 3.0]))
    >>> found.count, found.mean, found.largest, found.quantile(0.75), found.of_size(0.95)
    (4, 0.5, 3.0, 0.0, 3.0)
    """

    def __init__(self) -> None:
        self.count = 0
        self.differing = 0
        self.largest = 0.0
        self._sums: list[float] = []
        self._squares: list[float] = []
        self._below = np.zeros(_BINS, np.int64)
        self._above = np.zeros(_BINS, np.int64)

    def add(self, values: NDArray[np.float64]) -> None:
        """Take in differences, finite, of shape (n,)."""
        if len(values) == 0:
            return
        sizes = np.abs(values)
        self.count += len(values)
        self.differing += int(np.count_nonzero(values))
        self.largest = max(self.largest, float(sizes.max()))
        self._sums.append(float(values.sum()))
        self._squares.append(float(np.dot(values, values)))
        bins = sizes.astype(np.float32).view(np.uint32) >> _DROPPED
        below = values < 0
        self._below += np.bincount(bins[below], minlength=_BINS)
        self._above += np.bincount(bins[~below], minlength=_BINS)

    def join(self, other: Differences) -> None:
        """Take in the figures of other differences."""
        self.count += other.count
        self.differing += other.differing
        self.largest = max(self.largest, other.largest)
        self._sums += other._sums
        self._squares += other._squares
        self._below += other._below
        self._above += other._above

    @property
    def mean(self) -> float:
        """The mean; 0 without any."""
        return math.fsum(self._sums) / self.count if self.count else 0.0

    @property
    def rmse(self) -> float:
        """The square root of the mean square; 0 without any."""
        return math.sqrt(math.fsum(self._squares) / self.count) if self.count else 0.0

    def quantile(self, share: float) -> float:
        """Return the difference that a share of all does not exceed; 0 without any."""
        signed = np.concatenate([self._below[::-1], self._above])
        place = self._rank(signed, share)
        if place < _BINS:
            return -_value(_BINS - 1 - place) if self.count else 0.0
        return _value(place - _BINS)

    def of_size(self, share: float) -> float:
        """Return the size (without its sign) that a share of all does not exceed; 0 without any."""
        return _value(self._rank(self._below + self._above, share)) if self.count else 0.0

    def _rank(self, counts: NDArray[np.int64], share: float) -> int:
        wanted = max(1, math.ceil(share * self.count))
        return int(np.searchsorted(np.cumsum(counts), wanted))

    def figures(self) -> dict[str, float]:
        """Return all figures by name."""
        return {
            "count": self.count,
            "differing": self.differing,
            "mean": self.mean,
            "median": self.quantile(0.5),
            "rmse": self.rmse,
            "size_95": self.of_size(0.95),
            "largest": self.largest,
        }


def _value(place: int) -> float:
    return float(np.array([place << _DROPPED], np.uint32).view(np.float32)[0])
