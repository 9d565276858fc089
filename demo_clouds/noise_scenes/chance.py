"""Random numbers of a noise scene: a stream for each seed, density, kind and purpose."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

import numpy as np

from ..dice import Dice  # noqa: TID252 - the installed package bears another name

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Chance(Dice):
    """Draws from one stream, named by numbers and words.

    Parameters
    ----------
    *names : int or str
        The seed first; then what tells this stream from others of that seed.
    """

    def __init__(self, *names: int | str) -> None:
        keys = [zlib.crc32(name.encode()) if isinstance(name, str) else name for name in names]
        self._source = np.random.Generator(np.random.PCG64(np.random.SeedSequence(keys)))

    def whole(self, low: int, high: int) -> int:
        """Return one of the whole numbers from ``low`` to ``high``, both included."""
        return min(int(self.one(low, high + 1)), high)

    def in_scale(self, low: float, high: float) -> float:
        """Return one number between two positive ones, evenly spread in its logarithm."""
        return float(low * (high / low) ** self.one(0.0, 1.0))

    def in_scales(self, low: float, high: float, count: int) -> NDArray[np.float64]:
        """Return numbers between two positive ones, evenly spread in their logarithm."""
        return np.asarray(low * (high / low) ** self.uniform(0.0, 1.0, count))

    def flags(self, chance: float | NDArray[np.float64], count: int) -> NDArray[np.bool_]:
        """Return flags that are true with a chance, one for all or one each."""
        return self.uniform(0.0, 1.0, count) < chance

    def pick(self, candidates: NDArray[np.int64], count: int) -> NDArray[np.int64]:
        """Return up to ``count`` different candidates in their own order."""
        if count >= len(candidates):
            return np.sort(candidates)
        drawn = self.uniform(0.0, 1.0, len(candidates))
        return np.sort(candidates[np.argpartition(drawn, count)[:count]])

    def sign(self) -> float:
        """Return 1 or -1."""
        return 1.0 if self.one(0.0, 1.0) < 0.5 else -1.0

    def ball(self, spread: float, count: int, flat: float = 1.0) -> NDArray[np.float64]:
        """Return places (n, 3) of a normal clump about zero, its height squeezed by ``flat``."""
        return np.column_stack([self.normal(spread * share, count) for share in (1.0, 1.0, flat)])
