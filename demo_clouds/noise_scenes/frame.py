"""Where a scene lies: nothing in it follows the axes, and its outline starts at no round number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .chance import Chance

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Frame:
    """A turn (degrees anticlockwise) and a shift (m) from the scene's own frame into local metres."""

    turned: float
    shift: tuple[float, float]

    def out(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return local metres of places in the scene's own frame."""
        c, s = np.cos(np.radians(self.turned)), np.sin(np.radians(self.turned))
        return self.shift[0] + x * c - y * s, self.shift[1] + x * s + y * c

    def back(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return places in the scene's own frame of local metres."""
        c, s = np.cos(np.radians(self.turned)), np.sin(np.radians(self.turned))
        dx, dy = x - self.shift[0], y - self.shift[1]
        return dx * c + dy * s, dy * c - dx * s


def make_frame(chance: Chance) -> Frame:
    """Return a frame turned at least 8 degrees off the axes and the diagonals."""
    turned = chance.one(8.0, 37.0) + 45.0 * chance.whole(0, 7)
    return Frame(turned, (chance.one(300.0, 400.0), chance.one(300.0, 400.0)))
