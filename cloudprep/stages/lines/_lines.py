"""Shapely lines from vertices in one array."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray


def lines_from(
    xyz: NDArray[np.float64], starts: NDArray[np.int64], closed: NDArray[np.bool_]
) -> NDArray[np.object_]:
    """Return 3D lines; a ring ends where it began.

    Parameters
    ----------
    xyz : ndarray of float64, shape (n, 3)
        Vertices of all lines, one line after the other; a ring's first vertex isn't repeated.
    starts : ndarray of int64, shape (m + 1,)
        Where each line begins, and the end of the last.
    closed : ndarray of bool, shape (m,)
        Which are rings.

    Returns
    -------
    ndarray of object, shape (m,)
        Line strings.
    """
    if len(closed) == 0:
        return np.empty(0, object)
    counts = np.diff(starts) + closed
    which = np.repeat(np.arange(len(closed)), counts)
    begin = np.cumsum(counts) - counts
    place = np.arange(int(counts.sum())) - begin[which]
    size = np.diff(starts)[which]
    source = starts[:-1][which] + np.where(place == size, 0, place)
    found: NDArray[np.object_] = shapely.linestrings(xyz[source], indices=which)
    return found
