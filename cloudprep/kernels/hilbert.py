"""Order along the Hilbert curve: neighbours in the order are neighbours on the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Digits of 8 bits: 256 write positions stay in the nearest cache; 11 bits took 1.5 times as long.
_DIGIT = 8
_DIGIT_MASK = (1 << _DIGIT) - 1
# Leading digits are taken until they have this many bits more than the number of keys.
_SPARE = 3

# One level of the curve: row = orientation of the square (0 plain, 1 transposed, 2 turned by 180 degrees,
# 3 both), column = quadrant as 2 * (x bit) + (y bit). First the quadrant's place along the curve, then the
# orientation within it. The plain square is passed lower left, upper left, upper right, lower right.
_PLACE = ((0, 1, 3, 2), (0, 3, 1, 2), (2, 3, 1, 0), (2, 1, 3, 0))
_THEN = ((1, 0, 3, 0), (0, 2, 1, 1), (2, 1, 2, 3), (3, 3, 0, 2))

_LEVELS = 3
"""Levels taken in one look-up."""


def _combined(levels: int) -> NDArray[np.int64]:
    """Return the table for some levels at once: ``place << 2 | orientation`` by (orientation, x, y bits)."""
    side = 1 << levels
    table = np.empty((4, side, side), np.int64)
    for first in range(4):
        for x in range(side):
            for y in range(side):
                key = 0
                state = first
                for level in range(levels - 1, -1, -1):
                    quadrant = 2 * (x >> level & 1) + (y >> level & 1)
                    key = key << 2 | _PLACE[state][quadrant]
                    state = _THEN[state][quadrant]
                table[first, x, y] = key << 2 | state
    return table.ravel()


_TABLE = _combined(_LEVELS)


@njit(nogil=True, cache=True)
def hilbert_keys(x: NDArray[np.float64], y: NDArray[np.float64], bits: int) -> NDArray[np.int64]:
    """Return each point's place along the Hilbert curve of a square of ``2^bits`` steps a side.

    Two points share a key only if they share both coordinates.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Whole numbers, ``0 <= x, y < 2^bits``.
    bits : int
        A multiple of 3, at most 30.

    Returns
    -------
    ndarray of int64, shape (n,)
        The keys, ``2 * bits`` bits each.

    Notes
    -----
    Hilbert 1891, "Ueber die stetige Abbildung einer Linie auf ein Flaechenstueck".
    """
    mask = (1 << _LEVELS) - 1
    keys = np.empty(x.size, np.int64)
    for i in range(x.size):
        column = np.int64(x[i])
        row = np.int64(y[i])
        key = np.int64(0)
        state = np.int64(0)
        for shift in range(bits - _LEVELS, -1, -_LEVELS):
            place = ((state << _LEVELS | (column >> shift & mask)) << _LEVELS) | (row >> shift & mask)
            entry = _TABLE[np.uint64(place)]
            key = (key << 2 * _LEVELS) | (entry >> 2)
            state = entry & 3
        keys[i] = key
    return keys


@njit(nogil=True, cache=True)
def radix_order(keys: NDArray[np.int64], bits: int) -> NDArray[np.int32]:
    """Return the stable order of non-negative keys, as indices.

    Parameters
    ----------
    keys : ndarray of int64, shape (n,)
        ``0 <= key < 2^bits``; n below 2^31.
    bits : int
        How many bits the keys use.

    Returns
    -------
    ndarray of int32, shape (n,)
        Indices that sort the keys; equal keys keep their order.
    """
    n = keys.size
    order = np.empty(n, np.int32)
    other = np.empty(n, np.int32)
    source = np.empty(n, np.int64)
    target = np.empty(n, np.int64)
    starts = np.empty(_DIGIT_MASK + 1, np.int64)
    # First on the leading digits that should tell most keys apart, then the rest by insertion. Where many
    # keys agree in them (a dense spot in a wide cloud) that takes too many moves: once more on all digits.
    telling = _DIGIT
    while telling < bits and (n >> (telling - _SPARE)) > 0:
        telling += _DIGIT
    lowest = max(bits - telling, 0)
    while True:
        for i in range(n):
            order[i] = i
            source[i] = keys[i]
        for shift in range(lowest, bits, _DIGIT):
            starts[:] = 0
            for i in range(n):
                starts[(source[i] >> shift) & _DIGIT_MASK] += 1
            total = 0
            for digit in range(starts.size):
                count = starts[digit]
                starts[digit] = total
                total += count
            for i in range(n):
                digit = (source[i] >> shift) & _DIGIT_MASK
                place = starts[digit]
                starts[digit] = place + 1
                target[place] = source[i]
                other[place] = order[i]
            source, target = target, source
            order, other = other, order
        moves = 0
        i = 1
        while i < n and moves <= n:
            key = source[i]
            if key < source[i - 1]:
                index = order[i]
                k = i
                while k > 0 and source[k - 1] > key:
                    source[k] = source[k - 1]
                    order[k] = order[k - 1]
                    k -= 1
                source[k] = key
                order[k] = index
                moves += i - k
            i += 1
        if moves <= n:
            return order
        lowest = 0


def spatial_order(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.int32]:
    """Return the order of points along the Hilbert curve; points alike keep their order.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        Whole numbers, ``0 <= x, y < 2^30``.

    Returns
    -------
    ndarray of int32, shape (n,)
        Indices. For distinct points the sequence of coordinates they give does not depend on the order of
        the input.
    """
    if x.size == 0:
        return np.empty(0, np.int32)
    levels = max(int(x.max()), int(y.max()), 1).bit_length()
    bits = -(-levels // _LEVELS) * _LEVELS
    return radix_order(hilbert_keys(x, y, bits), 2 * bits)
