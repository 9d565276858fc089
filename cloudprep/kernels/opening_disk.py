"""Grey openings and closings of rasters with disks, where cells outside the data count for nothing.

A disk is a stack of horizontal chords. Every row's running minima are taken once for each distinct length
of chord, by doubling (a minimum over 2 w + 1 cells is the meeting of two over the largest power of two that
fits in), and every cell then takes the lowest of one such minimum per row of the disk. Cells are compared
as integers that are ordered like the floats they stand for: that is exact, and vectorises.

References
----------
P. Soille, "Morphological Image Analysis", 2nd ed., Springer 2003, chapters 3 and 4 (erosion, opening; minima
over lines by doubling).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

_HIGHEST = np.int32(2**31 - 1)
_LOWEST = np.int32(-(2**31))
# Flips all bits but the sign: negative floats, read as integers, are ordered the wrong way round.
_FLIP = np.int32(0x7FFFFFFF)
# Columns handled side by side: the minima of a disk's rows over so many stay in the cache.
_STRIP = 512


def chords(radius: float) -> NDArray[np.int64]:
    """Return how far a disk reaches to either side, in each of its rows.

    Parameters
    ----------
    radius : float
        In cells; the disk holds the offsets with dx^2 + dy^2 <= radius^2.

    Returns
    -------
    ndarray of int64, shape (2 * floor(radius) + 1,)
        From the uppermost row to the lowest.

    Examples
    --------
    >>> chords(2)
    array([0, 1, 2, 1, 0])
    """
    squared = float(radius) * float(radius)
    highest = int(np.floor(radius))
    rows = np.arange(-highest, highest + 1)
    # Rounded down by counting: a square root could fall just short of a whole number.
    widths = np.arange(highest + 1)
    return np.asarray((widths[None, :] ** 2 + rows[:, None] ** 2 <= squared).sum(axis=1) - 1)


@njit(nogil=True, cache=True, error_model="numpy")
def _ordered(
    bits: NDArray[np.int32], inside: NDArray[np.bool_], flip: np.int32, target: NDArray[np.int32]
) -> None:
    """Write integers ordered like the floats, or the opposite way (``flip`` = -1); outside the highest."""
    for r in range(bits.shape[0]):
        line, use, out = bits[r], inside[r], target[r]
        for c in range(len(line)):
            b = line[c]
            b = (b ^ ((b >> np.int32(31)) & _FLIP)) ^ flip
            out[c] = b if use[c] else _HIGHEST


@njit(nogil=True, cache=True, error_model="numpy")
def _restored(
    values: NDArray[np.int32],
    inside: NDArray[np.bool_],
    flip: np.int32,
    bits: NDArray[np.int32],
    target: NDArray[np.int32],
) -> None:
    """Turn ordered integers into the bits of floats again; cells outside get those they had."""
    for r in range(values.shape[0]):
        line, use, had, out = values[r], inside[r], bits[r], target[r]
        for c in range(len(line)):
            b = line[c] ^ flip
            b ^= (b >> np.int32(31)) & _FLIP
            out[c] = b if use[c] else had[c]


@njit(nogil=True, cache=True, error_model="numpy")
def _turned(values: NDArray[np.int32], inside: NDArray[np.bool_]) -> None:
    """Turn the order of all values round, in place; cells outside become the highest again."""
    for r in range(values.shape[0]):
        line, use = values[r], inside[r]
        for c in range(len(line)):
            line[c] = ~line[c] if use[c] else _HIGHEST


@njit(nogil=True, cache=True, error_model="numpy")
def _meet(a: NDArray[np.int32], b: NDArray[np.int32], out: NDArray[np.int32]) -> None:
    """Write the lower of two rows."""
    for c in range(len(out)):
        out[c] = min(a[c], b[c])


@njit(nogil=True, cache=True, error_model="numpy")
def _lower(out: NDArray[np.int32], a: NDArray[np.int32]) -> None:
    """Lower a row where another one is lower."""
    for c in range(len(out)):
        out[c] = min(out[c], a[c])


@njit(nogil=True, cache=True, error_model="numpy")
def _eroded(
    source: NDArray[np.int32], reach: NDArray[np.int64], strip: int, target: NDArray[np.int32]
) -> None:
    """Write the lowest value within the disk around each cell; ``reach`` as from :func:`chords`."""
    rows, columns = source.shape
    radius = len(reach) // 2
    widest = reach[radius]
    # A chord longer than the raster reaches no further cell.
    power = 1
    while (2 << power) <= 2 * widest + 1:
        power += 1
    doubled = np.empty((power + 1, strip + 2 * widest), np.int32)
    minima = np.empty(strip, np.int32)
    target[:] = _HIGHEST
    for first in range(0, columns, strip):
        width = min(strip, columns - first)
        length = width + 2 * widest
        start, stop = max(0, widest - first), min(length, columns - first + widest)
        for r in range(rows):
            line = doubled[0]
            line[:start] = _HIGHEST
            line[stop:] = _HIGHEST
            line[start:stop] = source[r, first - widest + start : first - widest + stop]
            for k in range(1, power + 1):
                half = 1 << (k - 1)
                count = length - 2 * half + 1
                _meet(doubled[k - 1, :count], doubled[k - 1, half : half + count], doubled[k, :count])
            # Rows of the disk, in pairs above and below, from the middle (the longest chord) outwards.
            ready = -1
            for d in range(radius + 1):
                w = reach[radius + d]
                if w != ready:
                    ready = w
                    k = 0
                    while (2 << k) <= 2 * w + 1:
                        k += 1
                    left, right = widest - w, widest + w + 1 - (1 << k)
                    _meet(doubled[k, left : left + width], doubled[k, right : right + width], minima[:width])
                if r - d >= 0:
                    _lower(target[r - d, first : first + width], minima[:width])
                if d > 0 and r + d < rows:
                    _lower(target[r + d, first : first + width], minima[:width])


def _checked(
    values: NDArray[Any], radius: float, inside: NDArray[Any]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    if values.ndim != 2 or values.dtype != np.float32:
        raise ValueError(f"expected a 2-D float32 raster, got {values.ndim}-D {values.dtype}")
    if inside.shape != values.shape or inside.dtype != np.bool_:
        raise ValueError(f"expected a mask of bool, shape {values.shape}, got {inside.dtype}, {inside.shape}")
    if not 1 <= radius < np.inf:
        raise ValueError(f"the radius must be at least one cell, got {radius}")
    return np.ascontiguousarray(values), np.ascontiguousarray(inside)


def _opened(
    values: NDArray[np.float32], radius: float, inside: NDArray[np.bool_], flip: int
) -> NDArray[np.float32]:
    """Return the opening, or the closing (``flip`` = -1, which turns the order of the values round)."""
    values, inside = _checked(values, radius, inside)
    result = np.empty_like(values)
    if values.size == 0:
        return result
    # A disk that covers the raster from each of its cells; beyond, nothing changes any more.
    reach = chords(min(float(radius), float(np.hypot(*values.shape)) + 1))
    bits, turn = values.view(np.int32), np.int32(flip)
    before, after = np.empty_like(bits), np.empty_like(bits)
    _ordered(bits, inside, turn, before)
    _eroded(before, reach, _STRIP, after)
    # Highest within the disk = lowest of the values in opposite order.
    _turned(after, inside)
    _eroded(after, reach, _STRIP, before)
    _restored(before, inside, np.int32(~flip), bits, result.view(np.int32))
    return result


def opened_by_disk(
    values: NDArray[np.float32], radius: float, inside: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Return the grey opening by a disk: the lowest value within the disk, then the highest of those.

    It cuts off what rises above its surroundings and holds no disk of this size; nothing is raised.

    Parameters
    ----------
    values : ndarray of float32, shape (rows, columns)
        No NaN within ``inside``.
    radius : float
        In cells, at least 1; the disk holds the offsets with dx^2 + dy^2 <= radius^2.
    inside : ndarray of bool, shape (rows, columns)
        The cells that take part. The others neither lower nor raise anything, like what lies beyond the
        raster, and keep their value.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Exact: every value is one of ``values``.

    Raises
    ------
    ValueError
        If the raster isn't 2-D float32, the mask doesn't fit, or the radius is less than 1.

    Examples
    --------
    >>> line = np.array([[1, 1, 5, 1, 1]], np.float32)
    >>> opened_by_disk(line, 1, np.ones(line.shape, bool))
    array([[1., 1., 1., 1., 1.]], dtype=float32)
    """
    return _opened(values, radius, inside, 0)


def closed_by_disk(
    values: NDArray[np.float32], radius: float, inside: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Return the grey closing by a disk: it fills what no disk fits into; nothing is lowered.

    Parameters, result and errors are those of :func:`opened_by_disk`.

    Examples
    --------
    >>> line = np.array([[5, 5, 1, 5, 5]], np.float32)
    >>> closed_by_disk(line, 1, np.ones(line.shape, bool))
    array([[5., 5., 5., 5., 5.]], dtype=float32)
    """
    return _opened(values, radius, inside, -1)
