"""Discs painted by NumPy: of several values for one pixel it keeps the last."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Pixels of discs that are worked on together.
_AT_ONCE = 60_000


def paint_discs(
    image: NDArray[np.float32],
    distance: NDArray[np.float32],
    colours: NDArray[np.float32],
    column: Floats,
    row: Floats,
    depth: Floats,
    radius: Floats,
    order: NDArray[np.int64],
) -> None:
    """Paint discs in a given order into ``image`` and ``distance``: a later one covers the earlier ones."""
    tall, wide = distance.shape
    widest = math.ceil(radius.max(initial=1.0))
    for part in np.array_split(order, max(len(order) * widest * widest // _AT_ONCE, 1)):
        most = math.ceil(radius[part].max(initial=1.0))
        reach = np.arange(-most, most + 1)
        dx, dy = (a.ravel() for a in np.meshgrid(reach, reach))
        c = np.floor(column[part]).astype(np.int64)[:, np.newaxis] + dx
        r = np.floor(row[part]).astype(np.int64)[:, np.newaxis] + dy
        off = (c + 0.5 - column[part, np.newaxis]) ** 2 + (r + 0.5 - row[part, np.newaxis]) ** 2
        hit = (off <= radius[part, np.newaxis] ** 2) & (c >= 0) & (c < wide) & (r >= 0) & (r < tall)
        whose = np.broadcast_to(part[:, np.newaxis], hit.shape)[hit]
        image[:, r[hit], c[hit]] = colours[whose].T
        distance[r[hit], c[hit]] = depth[whose]
