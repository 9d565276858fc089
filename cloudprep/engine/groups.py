"""A run is one site: tells flights that belong together from flights that lie far apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.model.bounds import Bounds

# Flights of one site overlap or touch; a kilometre of nothing between them is two sites.
LARGEST_GAP = 1000.0


def _apart(a: Bounds, b: Bounds) -> float:
    dx = max(a.x0 - b.x1, b.x0 - a.x1, 0.0)
    dy = max(a.y0 - b.y1, b.y0 - a.y1, 0.0)
    return float((dx * dx + dy * dy) ** 0.5)


def site_groups(boxes: Sequence[Bounds], gap: float = LARGEST_GAP) -> list[list[int]]:
    """Group flights whose extents lie within ``gap`` of each other, directly or through others.

    Parameters
    ----------
    boxes : sequence of Bounds
        Extents, m.
    gap : float
        Largest distance inside a group, m.

    Returns
    -------
    list of list of int
        Indices of the flights of each group, in the order of the first of each.

    >>> from cloudprep.model.bounds import Bounds
    >>> site_groups([Bounds(0, 0, 1, 1), Bounds(9e3, 0, 9.1e3, 1), Bounds(50, 0, 60, 1)])
    [[0, 2], [1]]
    """
    group = list(range(len(boxes)))
    for i in range(len(boxes)):
        for j in range(i):
            if group[i] != group[j] and _apart(boxes[i], boxes[j]) <= gap:
                keep, drop = sorted((group[i], group[j]))
                group = [keep if g == drop else g for g in group]
    return [[i for i, g in enumerate(group) if g == first] for first in dict.fromkeys(group)]
