"""Where points of some kind lie: counts in coarse squares, and what to tell a person of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.model.points import Points

# Side of a square, m; squares that touch are one place.
_SQUARE = 10
_ROW = 2**31
# So many places are told, the largest first, if they hold so many points; nothing of fewer points in all.
_TOLD = 5
_POINTS_LEAST = 5


class Places(NamedTuple):
    """Squares in ascending order of (y, x) in whole squares, and the points in each."""

    x: NDArray[np.int64]
    y: NDArray[np.int64]
    points: NDArray[np.int64]

    @property
    def told(self) -> bool:
        """Whether there are enough points to tell a person of."""
        return self.total >= _POINTS_LEAST

    @property
    def total(self) -> int:
        """How many points there are."""
        return int(self.points.sum())


def places_of(points: Points, chosen: NDArray[np.bool_]) -> Places:
    """Return where chosen points lie."""
    x, y = (np.floor(points[axis][chosen] / _SQUARE).astype(np.int64) for axis in "xy")
    return joined_places([Places(x, y, np.ones(len(x), np.int64))])


def joined_places(parts: Sequence[Places]) -> Places:
    """Return the places of several parts as one."""
    x, y, points = (np.concatenate(values) for values in zip(*parts, strict=True))
    keys, which = np.unique(y * _ROW + x + _ROW // 2, return_inverse=True)
    count = np.bincount(which, weights=points, minlength=len(keys)).astype(np.int64)
    return Places(keys % _ROW - _ROW // 2, keys // _ROW, count)


def places_in_words(places: Places, origin: tuple[float, float]) -> str:
    """Return how many points there are, and the extents of the largest places as eastings and northings.

    Parameters
    ----------
    places : Places
        At least one.
    origin : tuple of float
        Global easting and northing of the local zero, m.
    """
    group = _touching(places)
    found = []
    for g in np.unique(group):
        mine = group == g
        x, y = places.x[mine] * _SQUARE + origin[0], places.y[mine] * _SQUARE + origin[1]
        found.append((int(places.points[mine].sum()), x.min(), x.max() + _SQUARE, y.min(), y.max() + _SQUARE))
    found.sort(key=lambda f: (-f[0], f[1:]))
    told = [f for f in found if f[0] >= _POINTS_LEAST][:_TOLD]
    words = "; ".join(f"{n} at E {a:.0f} to {b:.0f}, N {c:.0f} to {d:.0f}" for n, a, b, c, d in told)
    rest = len(found) - len(told)
    more = f"{'; ' if told else ''}{rest} smaller place{'s' if rest > 1 else ''}" if rest else ""
    return f"{places.total} points ({words}{more})"


def _touching(places: Places) -> NDArray[np.int64]:
    """Return a number for each square, the same for squares that touch."""
    at = {(int(x), int(y)): i for i, (x, y) in enumerate(zip(places.x, places.y, strict=True))}
    group = np.full(len(places.x), -1, np.int64)
    for start in range(len(group)):
        if group[start] >= 0:
            continue
        group[start] = start
        todo = [start]
        while todo:
            i = todo.pop()
            for dx in (-1, 0, 1):
                for dy in (-1, 0, 1):
                    j = at.get((int(places.x[i]) + dx, int(places.y[i]) + dy))
                    if j is not None and group[j] < 0:
                        group[j] = start
                        todo.append(j)
    return group
