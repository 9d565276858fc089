"""Half-open rectangles in the site's metres."""

from __future__ import annotations

import math
from typing import NamedTuple


class Bounds(NamedTuple):
    """``x0 <= x < x1`` and ``y0 <= y < y1``, metres from the site's origin."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def width(self) -> float:
        """Extent along x, m."""
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        """Extent along y, m."""
        return self.y1 - self.y0

    def grown(self, by: float) -> Bounds:
        """Return the rectangle with every side moved outwards.

        >>> Bounds(0, 0, 10, 10).grown(2)
        Bounds(x0=-2, y0=-2, x1=12, y1=12)
        """
        return Bounds(self.x0 - by, self.y0 - by, self.x1 + by, self.y1 + by)

    def contains(self, other: Bounds) -> bool:
        """Tell whether the other rectangle lies wholly inside."""
        return self.x0 <= other.x0 and self.y0 <= other.y0 and self.x1 >= other.x1 and self.y1 >= other.y1


EVERYWHERE = Bounds(-math.inf, -math.inf, math.inf, math.inf)

NOWHERE = Bounds(math.inf, math.inf, -math.inf, -math.inf)
"""The extent of a flight of which no point is used."""
