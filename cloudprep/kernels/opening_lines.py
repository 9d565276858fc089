"""In how many directions a raster drops when its profiles are opened by a line.

A crest or a bank rises above its surroundings on two sides and goes on in the others; a plant, a wire or a
heap rises in all directions. Opening the one-dimensional profiles through a cell tells them apart.

Only whether the opening lowers a cell by more than a threshold is wanted, and for that no opening needs to
be computed. The opening of a profile is at least v at a cell if some stretch of L cells through it lies
nowhere below v. So a cell drops by more than t if, and only if, there are cells lower than its own value
less t on both sides of it, at most L steps apart from each other. Many cells are searched side by side.

References
----------
P. Soille and H. Talbot, "Directional morphological filtering", IEEE PAMI 23(11), 2001 (openings by lines).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Steps (rows, columns) from cell to cell along the profiles.
DIRECTIONS = ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (1, -2), (2, -1))
# Columns searched side by side: few enough that a search can often stop early.
_STRIP = 128
_NONE = np.int32(1 << 24)
_OUTSIDE = np.float32(-np.inf)


@njit(nogil=True, cache=True, error_model="numpy")
def _first_lower(
    padded: NDArray[np.float32],
    row: int,
    column: int,
    step: tuple[int, int],
    reach: int,
    limit: NDArray[np.float32],
    found: NDArray[np.int32],
) -> bool:
    """Find the first lower cell along a direction, for neighbouring cells of a row.

    Parameters
    ----------
    padded : ndarray of float32
        Values; outside cells hold minus infinity, and there are at least two of them around.
    row, column : int
        The first of the cells, in ``padded``.
    step : tuple of int
        Rows and columns to go from cell to cell.
    reach : int
        Steps to go at most.
    limit : ndarray of float32
        Cells under this are lower.
    found : ndarray of int32
        Receives twice the number of steps to the first lower cell; plus one if the profile ends there;
        _NONE if there is none within reach.

    Returns
    -------
    bool
        Whether any of the cells has a lower one before its profile ends.
    """
    count = len(limit)
    rows, columns = padded.shape
    for c in range(count):
        found[c] = _NONE
    for k in range(1, reach + 1):
        r = row + k * step[0]
        start = column + k * step[1]
        # Beyond the rim everything is outside.
        low, high = max(0, -start), min(count, columns - start)
        if r < 0 or r >= rows or low >= high:
            break
        line, under, first = padded[r, start + low :], limit[low:], found[low:]
        here, end = np.int32(2 * k), np.int32(2 * k + 1)
        for c in range(high - low):
            v = line[c]
            code = end if v == _OUTSIDE else here
            code = code if v < under[c] else _NONE
            first[c] = min(first[c], code)
        if k & 7 == 0:
            latest = np.int32(0)
            for c in range(count):
                latest = max(latest, found[c])
            if latest < _NONE:
                break
    some = np.int32(0)
    for c in range(count):
        some |= (found[c] & np.int32(1)) ^ np.int32(found[c] < _NONE)
    return bool(some > 0)


@njit(nogil=True, cache=True, error_model="numpy")
def _add_dropping(
    padded: NDArray[np.float32],
    limit: NDArray[np.float32],
    rows_by: int,
    columns_by: int,
    cells: int,
    rim: int,
    begin: int,
    end: int,
    count: NDArray[np.uint8],
) -> None:
    """Add one where the profile in a direction drops when it is opened by ``cells`` cells, in some rows."""
    columns = limit.shape[1]
    found = np.empty((2, _STRIP), np.int32)
    for r in range(begin, end):
        for first in range(0, columns, _STRIP):
            width = min(_STRIP, columns - first)
            under = limit[r, first : first + width]
            some = True
            for side in range(2):
                sign = 2 * side - 1
                step = sign * rows_by, sign * columns_by
                if some:
                    some = _first_lower(padded, r + rim, first + rim, step, cells - 1, under, found[side])
            if some:
                out = count[r, first:]
                for c in range(width):
                    before, after = found[0, c], found[1, c]
                    if (before | after) & 1 == 0 and before + after <= 2 * cells:
                        out[c] += np.uint8(1)


def directions_dropping(
    values: NDArray[Any],
    length: float,
    threshold: NDArray[Any],
    inside: NDArray[np.bool_],
    *,
    threads: int = 1,
) -> NDArray[np.uint8]:
    """Count the directions in which opening the profile by a line lowers a cell by more than a threshold.

    Parameters
    ----------
    values : ndarray of float, shape (rows, columns)
        Heights (m); taken as float32. No NaN within ``inside``.
    length : float
        Length of the line, in cells. In a direction whose cells lie ``step`` apart it holds
        round(length / step) + 1 cells, at least 2.
    threshold : ndarray of float, shape (rows, columns)
        Drops (m) to be exceeded, not negative; taken as float32.
    inside : ndarray of bool, shape (rows, columns)
        Profiles end at the other cells, as at the edge of the raster. A line that sticks out over an end
        counts the cells it has, so the last cell of a profile never drops.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ndarray of uint8, shape (rows, columns)
        0 to 8: along rows and columns, the diagonals, and the four directions between (steps of one and two
        cells). 0 outside.

    Raises
    ------
    ValueError
        If the shapes differ or aren't 2-D, or the length isn't a number greater than 0.

    Examples
    --------
    >>> heights = np.zeros((5, 5))
    >>> heights[2] = 3.0
    >>> directions_dropping(heights, 2.0, np.ones((5, 5)), np.ones((5, 5), bool))[2]
    array([1, 5, 7, 5, 1], dtype=uint8)
    """
    shape = values.shape
    if values.ndim != 2 or threshold.shape != shape or inside.shape != shape:
        raise ValueError(f"expected three equal 2-D rasters, got {shape}, {threshold.shape}, {inside.shape}")
    if not 0 < length < np.inf:
        raise ValueError(f"the length must be a number of cells greater than 0, got {length}")
    count = np.zeros(shape, np.uint8)
    if values.size == 0:
        return count
    rim = 2
    padded = np.full((shape[0] + 2 * rim, shape[1] + 2 * rim), -np.inf, np.float32)
    middle = padded[rim:-rim, rim:-rim]
    middle[inside] = values[inside]
    # Nothing is lower than minus infinity: cells outside never drop.
    limit = np.full(shape, -np.inf, np.float32)
    np.subtract(middle, threshold, out=limit, where=inside, dtype=np.float32, casting="same_kind")
    lines = [(r, c, max(2, round(length / math.hypot(r, c)) + 1)) for r, c in DIRECTIONS]

    def part(rows: slice) -> None:
        for line in lines:
            _add_dropping(padded, limit, *line, rim, rows.start, rows.stop, count)

    in_strips(part, (shape[0], shape[1]), threads)
    return count
