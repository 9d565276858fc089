"""Profiles along lines: places at even steps, and the few that a profile bends at."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


class Stations(NamedTuple):
    """Places along a line.

    Parameters
    ----------
    along : ndarray of float64, shape (n,)
        Distance from the line's start, in plan.
    x, y : ndarray of float64, shape (n,)
        Places.
    """

    along: Floats
    x: Floats
    y: Floats


def stations(line: Floats, step: float) -> Stations:
    """Return places along a line: its own corners, and between them evenly, at most a step apart.

    Parameters
    ----------
    line : ndarray of float64, shape (k, 2)
        Its corners; two in one place count once.
    step : float
        Largest distance between places.

    Examples
    --------
    >>> stations(np.array([[0.0, 0.0], [3.0, 4.0]]), 2.5).along
    array([0. , 2.5, 5. ])
    """
    line = line[np.r_[True, (np.diff(line, axis=0) != 0).any(axis=1)]]
    lengths = np.hypot(*np.diff(line, axis=0).T)
    begin = np.r_[0.0, np.cumsum(lengths)]
    along = [np.array([0.0])]
    for start, length in zip(begin[:-1], lengths, strict=True):
        count = max(1, int(np.ceil(length / step - 1e-9)))
        along.append(start + length * np.arange(1, count + 1) / count)
    at = np.concatenate(along)
    return Stations(at, np.interp(at, begin, line[:, 0]), np.interp(at, begin, line[:, 1]))


def grade_breaks(along: Floats, height: Floats, tolerance: float) -> NDArray[np.int64]:
    """Return which places of a profile are enough to draw it within a tolerance.

    Parameters
    ----------
    along, height : ndarray of float64, shape (n,)
        A profile without gaps, ascending.
    tolerance : float
        Largest vertical distance between the profile and the straight lines through the chosen places.

    Returns
    -------
    ndarray of int64
        Ascending; the first and the last are among them.

    Notes
    -----
    Douglas and Peucker 1973, "Algorithms for the reduction of the number of points required to represent a
    digitized line", with vertical distances.

    Examples
    --------
    >>> grade_breaks(np.arange(5.0), np.array([0.0, 1.0, 2.0, 2.0, 2.0]), 0.1)
    array([0, 2, 4])
    """
    if len(along) == 0:
        return np.empty(0, np.int64)
    kept = np.zeros(len(along), bool)
    kept[[0, -1]] = True
    open_parts = [(0, len(along) - 1)]
    while open_parts:
        a, b = open_parts.pop()
        if b - a < 2:
            continue
        inner = slice(a + 1, b)
        straight = height[a] + (height[b] - height[a]) * (along[inner] - along[a]) / (along[b] - along[a])
        off = np.abs(height[inner] - straight)
        most = int(np.argmax(off))
        if off[most] > tolerance:
            middle = a + 1 + most
            kept[middle] = True
            open_parts += [(a, middle), (middle, b)]
    return np.flatnonzero(kept)


def beside_line(line: Floats, x: Floats, y: Floats, half_width: float) -> tuple[Floats, Floats]:
    """Return where points lie along a line, and how far to its left.

    Parameters
    ----------
    line : ndarray of float64, shape (k, 2)
        Corners.
    x, y : ndarray of float64, shape (n,)
        Points.
    half_width : float
        Points farther away get NaN.

    Returns
    -------
    along, left : ndarray of float64, shape (n,)
        By the nearest place on the line; negative to its right.
    """
    along, left = np.full(len(x), np.nan), np.full(len(x), np.nan)
    nearest = np.full(len(x), np.inf)
    start = 0.0
    for (x0, y0), (x1, y1) in itertools.pairwise(line):
        length = float(np.hypot(x1 - x0, y1 - y0))
        if length == 0:
            continue
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        t = np.clip((x - x0) * ux + (y - y0) * uy, 0, length)
        across, up = x - x0 - t * ux, y - y0 - t * uy
        distance = np.hypot(across, up)
        closer = (distance < nearest) & (distance <= half_width)
        nearest[closer] = distance[closer]
        along[closer] = start + t[closer]
        side = np.where(ux * up - uy * across < 0, -1.0, 1.0)
        left[closer] = (side * distance)[closer]
        start += length
    return along, left


def directions(line: Floats, along: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return places at distances along a line, and which way it runs there.

    Parameters
    ----------
    line : ndarray of float64, shape (k, 2)
        Corners.
    along : ndarray of float64, shape (n,)
        Distances from its start.

    Returns
    -------
    x, y : ndarray of float64, shape (n,)
        Places.
    east, north : ndarray of float64, shape (n,)
        Unit vectors; at a corner the one that halves the angle.

    Examples
    --------
    >>> line = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0]])
    >>> [v.round(3).tolist() for v in directions(line, np.array([1.0, 2.0, 3.0]))]
    [[1.0, 2.0, 2.0], [0.0, 0.0, 1.0], [1.0, 0.707, 0.0], [0.0, 0.707, 1.0]]
    """
    line = line[np.r_[True, (np.diff(line, axis=0) != 0).any(axis=1)]]
    steps = np.diff(line, axis=0)
    lengths = np.hypot(*steps.T)
    begin = np.r_[0.0, np.cumsum(lengths)]
    near = 1e-9 * begin[-1]
    last = len(lengths) - 1
    before = np.clip(np.searchsorted(begin, along - near, side="right") - 1, 0, last)
    after = np.clip(np.searchsorted(begin, along + near, side="right") - 1, 0, last)
    unit = steps / lengths[:, None]
    way = unit[before] + unit[after]
    long = np.hypot(*way.T)
    # A line that turns right back has no such direction: the one after the corner counts.
    way = np.where(long[:, None] > 1e-9, way / np.maximum(long, 1e-9)[:, None], unit[after])
    return np.interp(along, begin, line[:, 0]), np.interp(along, begin, line[:, 1]), way[:, 0], way[:, 1]
