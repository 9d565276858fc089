"""Volumes from areas at stations, as earthwork is reckoned by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def average_end_areas(stations: Floats, areas: Floats, *, pyramids: bool = True) -> Floats:
    """Return the volume between each two stations from the areas at both.

    Parameters
    ----------
    stations : ndarray of float64, shape (n,)
        Distances along the axis, ascending.
    areas : ndarray of float64, shape (n,)
        Areas of the sections there, 0 or more.
    pyramids : bool
        Where one of the areas is 0, reckon a pyramid (a third of base and length) instead of half of it.

    Returns
    -------
    ndarray of float64, shape (n - 1,)

    Notes
    -----
    Average end area with pyramids at the ends: any handbook of earthwork.

    Examples
    --------
    >>> average_end_areas(np.array([0.0, 50.0]), np.array([60.0, 50.0]))
    array([2750.])
    """
    length = np.diff(stations)
    a, b = areas[:-1], areas[1:]
    ends = 0.5 * (a + b) * length
    if not pyramids:
        return np.asarray(ends)
    return np.where((a == 0) | (b == 0), (a + b) * length / 3.0, ends)


def prismoidal(stations: Floats, areas: Floats, middle: Floats) -> Floats:
    """Return the volume between each two stations from the areas at both and half-way between them.

    Parameters
    ----------
    stations, areas
        As for :func:`average_end_areas`.
    middle : ndarray of float64, shape (n - 1,)
        Areas of the sections half-way: cut there, not the mean of the ends.

    Notes
    -----
    Simpson's rule: exact for bodies whose section changes with the square of the distance.

    Examples
    --------
    >>> prismoidal(np.array([0.0, 6.0]), np.array([0.0, 9.0]), np.array([2.25]))
    array([18.])
    """
    return np.asarray(np.diff(stations) * (areas[:-1] + 4.0 * middle + areas[1:]) / 6.0)


def areas_between(across: Floats, first: Floats, second: Floats) -> tuple[float, float]:
    """Return the areas between two lines of a section: where the second is above, and where it is below.

    Parameters
    ----------
    across : ndarray of float64, shape (n,)
        Places across the axis, ascending.
    first, second : ndarray of float64, shape (n,)
        Heights; straight between the places. Stretches where either is NaN are left out.

    Returns
    -------
    above, below : float
        Lines that cross are parted where they do.

    Examples
    --------
    >>> areas_between(np.array([0.0, 2.0]), np.array([0.0, 0.0]), np.array([1.0, -1.0]))
    (0.5, 0.5)
    """
    d = second - first
    a, b, wide = d[:-1], d[1:], np.diff(across)
    there = ~(np.isnan(a) | np.isnan(b))
    a, b, wide = a[there], b[there], wide[there]
    crossing = a * b < 0
    with np.errstate(invalid="ignore", divide="ignore"):
        # Of a stretch that crosses, the triangles on either side.
        up = np.where(crossing, np.maximum(a, b) ** 2 / (2 * np.abs(a - b)), np.maximum(a + b, 0) / 2)
        down = np.where(crossing, np.minimum(a, b) ** 2 / (2 * np.abs(a - b)), np.maximum(-(a + b), 0) / 2)
    return float((up * wide).sum()), float((down * wide).sum())
