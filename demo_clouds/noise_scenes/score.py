"""How well something tells noise from real points, over any number of scenes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .kinds import MOVING, REAL, WIRES, Label

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from .scene import NoiseScene

# Real things that the bar for "other real points" speaks of: all but ground and wires, which have bars of
# their own, and what moved on between two lines.
OTHER_REAL = tuple(label for label in REAL if label not in (Label.GROUND, *WIRES, *MOVING))


class Tally:
    """Counts of points by label: all, those called noise, and the same of noise that is separable at all."""

    def __init__(self) -> None:
        self.count = np.zeros(256, np.int64)
        self.called = np.zeros(256, np.int64)
        self.clear_count = np.zeros(256, np.int64)
        self.clear_called = np.zeros(256, np.int64)

    def add(self, scene: NoiseScene, called: NDArray[np.bool_]) -> None:
        """Add a scene.

        Parameters
        ----------
        scene : NoiseScene
            The scene.
        called : ndarray of bool, shape (n,)
            Which of its points were called noise.
        """
        clear = scene.clearly_noise
        for total, rows in (
            (self.count, scene.label),
            (self.called, scene.label[called]),
            (self.clear_count, scene.label[clear]),
            (self.clear_called, scene.label[clear & called]),
        ):
            total[:] += np.bincount(rows, minlength=256)

    def found(self, labels: Iterable[Label]) -> float:
        """Return the share of separable noise of some kinds that was called noise, NaN if there is none."""
        return _share(self.clear_called, self.clear_count, labels)

    def found_of_all(self, labels: Iterable[Label]) -> float:
        """Return the share of all noise of some kinds, separable or not, that was called noise."""
        return _share(self.called, self.count, labels)

    def lost(self, labels: Iterable[Label]) -> float:
        """Return the share of real points of some kinds that were called noise, NaN if there are none."""
        return _share(self.called, self.count, labels)


def _share(part: NDArray[np.int64], whole: NDArray[np.int64], labels: Iterable[Label]) -> float:
    rows = [int(label) for label in labels]
    total = int(whole[rows].sum())
    return float(part[rows].sum() / total) if total else float("nan")
