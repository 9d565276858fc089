"""Which points may lie near any of a few: a cheap test that spares the others an exact one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit, read_only

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# Sides of the table, and places of it for each marked column: then few are marked by chance.
_SIDES = (256, 512, 1024, 2048, 4096)
_ROOM = 256
# Where heights tell too, fewer do.
_LITTLE_ROOM = 64
# Places of so many points are worked out before any is looked up.
_TOGETHER = 1024


def near_any(x: Floats, y: Floats, few_x: Floats, few_y: Floats, distance: float) -> Flags:
    """Return which points may lie within a distance of any of some places in plan.

    Square columns as wide as the distance are marked around every place, in a table that repeats: what lies
    far away may share a place of it. So none is missed, and not many more are returned.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Coordinates, m.
    few_x, few_y : ndarray of float64, shape (m,)
        The places, m.
    distance : float
        How far from them, m, > 0.

    Returns
    -------
    ndarray of bool, shape (n,)
        True at all points within the distance, and at some others.

    Examples
    --------
    >>> import numpy as np
    >>> near_any(np.array([0.0, 2.5, 9.0]), np.zeros(3), np.array([1.0]), np.zeros(1), 2.0).tolist()
    [True, True, False]
    """
    side = next((s for s in _SIDES if s * s >= _ROOM * len(few_x)), _SIDES[-1])
    marked = np.zeros((side, side), np.bool_)
    found = np.zeros(len(x), np.bool_)
    per_metre = _columns_per_metre(distance)
    _mark(few_x, few_y, per_metre, marked)
    _look_up(read_only(x), read_only(y), per_metre, marked, found)
    return found


def near_and_no_lower(
    x: Floats,
    y: Floats,
    z: Floats,
    few_x: Floats,
    few_y: Floats,
    few_z: Floats,
    distance: float,
    depth: float,
) -> Flags:
    """Return which points may lie within a distance of places in plan, and no deeper below than a depth.

    As :func:`near_any`, with the lowest place around in each column: so what lies deep under all of them is
    left out.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates, m.
    few_x, few_y, few_z : ndarray of float64, shape (m,)
        The places, m.
    distance : float
        How far from them in plan, m, > 0.
    depth : float
        How far below them, m.

    Returns
    -------
    ndarray of bool, shape (n,)
        True at all points within the distance of a place in plan that are no lower than the depth below it,
        and at some others.

    Examples
    --------
    >>> import numpy as np
    >>> x, z = np.array([0.0, 0.5, 9.0]), np.array([4.0, -1.0, 5.0])
    >>> near_and_no_lower(x, np.zeros(3), z, np.ones(1), np.zeros(1), np.full(1, 5.0), 2.0, 1.0).tolist()
    [True, False, False]
    """
    side = next((s for s in _SIDES[:3] if s * s >= _LITTLE_ROOM * len(few_x)), _SIDES[2])
    lowest = np.full((side, side), np.inf)
    found = np.empty(len(x), np.bool_)
    per_metre = _columns_per_metre(distance)
    _lower(few_x, few_y, few_z, per_metre, lowest)
    _look_down(x, y, z, per_metre, depth, lowest, found)
    return found


def _columns_per_metre(distance: float) -> float:
    """Return how many columns there are to a metre; they are a hair wider than the distance, to miss none."""
    return 1.0 / (distance * (1.0 + 1e-9))


@njit(nogil=True, cache=True)
def _lower(x: Floats, y: Floats, z: Floats, per_metre: float, lowest: Floats) -> None:
    last = lowest.shape[0] - 1
    for i in range(x.shape[0]):
        column, row = np.int64(np.floor(x[i] * per_metre)), np.int64(np.floor(y[i] * per_metre))
        for r in range(row - 1, row + 2):
            for c in range(column - 1, column + 2):
                lowest[r & last, c & last] = min(lowest[r & last, c & last], z[i])


@njit(nogil=True, cache=True)
def _look_down(
    x: Floats, y: Floats, z: Floats, per_metre: float, depth: float, lowest: Floats, found: Flags
) -> None:
    table = lowest.reshape(-1)
    places = np.empty(_TOGETHER, np.int32)
    for first in range(0, x.shape[0], _TOGETHER):
        count = min(_TOGETHER, x.shape[0] - first)
        _fill_places(x, y, per_metre, first, count, lowest.shape[0], places)
        for k in range(count):
            i = first + k
            found[i] = z[i] - table[np.uint64(places[k])] >= -depth


@njit(nogil=True, cache=True)
def _mark(x: Floats, y: Floats, per_metre: float, marked: Flags) -> None:
    last = marked.shape[0] - 1
    for i in range(x.shape[0]):
        column, row = np.int64(np.floor(x[i] * per_metre)), np.int64(np.floor(y[i] * per_metre))
        for r in range(row - 1, row + 2):
            for c in range(column - 1, column + 2):
                marked[r & last, c & last] = True


@njit(nogil=True, cache=True)
def _look_up(x: Floats, y: Floats, per_metre: float, marked: Flags, found: Flags) -> None:
    table = marked.reshape(-1)
    places = np.empty(_TOGETHER, np.int32)
    for first in range(0, x.shape[0], _TOGETHER):
        count = min(_TOGETHER, x.shape[0] - first)
        _fill_places(x, y, per_metre, first, count, marked.shape[0], places)
        for k in range(count):
            found[first + k] = table[np.uint64(places[k])]


@njit(nogil=True, cache=True)
def _fill_places(
    x: Floats, y: Floats, per_metre: float, first: int, count: int, side: int, places: NDArray[np.int32]
) -> None:
    """Write where in a table of a side some points look; by themselves these are vector instructions."""
    wide, part = np.float64(side), 1.0 / side  # powers of two: all is exact
    for k in range(count):
        i = np.uint64(first + k)
        column, row = np.floor(x[i] * per_metre), np.floor(y[i] * per_metre)
        column -= np.floor(column * part) * wide
        row -= np.floor(row * part) * wide
        places[np.uint64(k)] = np.int32(row * wide + column)
