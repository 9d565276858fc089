"""Random numbers that are the same on every machine and with every numpy.

Only the raw uniform stream of PCG64 is used, which numpy never changes; the other distributions, whose
algorithms it may change, are made from it here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# One stream for each part of the site: more birds must not move the trees.
STREAMS = ("plants", "flight1", "flight2", "echoes1", "echoes2", "air", "twin", "floaters", "scene")


class Dice:
    """Draws from one named stream of a seed.

    Parameters
    ----------
    seed : int
        The site's seed.
    stream : str
        One of :data:`STREAMS`.
    """

    def __init__(self, seed: int, stream: str) -> None:
        sequence = np.random.SeedSequence([seed, STREAMS.index(stream)])
        self._source = np.random.Generator(np.random.PCG64(sequence))

    def uniform(self, low: float, high: float, count: int) -> NDArray[np.float64]:
        """Return ``count`` numbers evenly spread over ``[low, high)``."""
        return low + (high - low) * self._source.random(count)

    def one(self, low: float, high: float) -> float:
        """Return one number evenly spread over ``[low, high)``."""
        return float(self.uniform(low, high, 1)[0])

    def normal(self, sigma: float, count: int) -> NDArray[np.float64]:
        """Return ``count`` numbers of a normal distribution of mean 0 (method of Box and Muller)."""
        radius = np.sqrt(-2.0 * np.log1p(-self._source.random(count)))
        return sigma * radius * np.cos(2.0 * np.pi * self._source.random(count))

    def exponential(self, mean: float, count: int) -> NDArray[np.float64]:
        """Return ``count`` waiting times of a mean length."""
        return -mean * np.log1p(-self._source.random(count))

    def pick(self, candidates: NDArray[np.int64], count: int) -> NDArray[np.int64]:
        """Return up to ``count`` different candidates in their own order."""
        order = np.argsort(self._source.random(len(candidates)), kind="stable")
        return np.sort(candidates[order[:count]])
