"""Points that are there more than once: the same place, time and return."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

# Odd numbers without a pattern, to spread keys over 64 bits.
_SPREAD = (
    0x9E3779B97F4A7C15,
    0xC2B2AE3D27D4EB4F,
    0x165667B19E3779F9,
    0xD6E8FEB86659FD93,
    0xA0761D6478BD642F,
    0xE7037ED1A0B428DB,
)


class Repeats(NamedTuple):
    """Which points have others with the same key.

    Parameters
    ----------
    rows : ndarray of int64, shape (m,)
        Points with a key that occurs more than once, ordered by key, then by group.
    key : ndarray of int64, shape (m,)
        The number of each one's key, from 0.
    """

    rows: NDArray[np.int64]
    key: NDArray[np.int64]


def repeats(columns: Sequence[NDArray[np.int64]], group: NDArray[np.integer]) -> Repeats:
    """Find the points whose key occurs more than once. Exact.

    Sums of the columns, each times a number of its own, are sorted; only points whose sums agree are compared
    column by column.

    Parameters
    ----------
    columns : sequence of ndarray of int64, shape (n,)
        What makes the key, six columns at most.
    group : ndarray of int, shape (n,)
        Not part of the key.
    """
    sums = np.zeros(len(group), np.uint64)
    for values, spread in zip(columns, _SPREAD, strict=False):
        sums += values.view(np.uint64) * np.uint64(spread)
    order = np.argsort(sums)
    sums = sums[order]
    alike = np.zeros(len(order), bool)
    alike[1:] = sums[1:] == sums[:-1]
    alike[:-1] |= alike[1:]
    rows = order[alike]
    if len(rows) == 0:
        return Repeats(rows, rows)
    key = np.cumsum(np.diff(sums[alike], prepend=sums[alike][:1] ^ np.uint64(1)) != 0) - 1
    first = rows[np.searchsorted(key, key)]
    if all(np.array_equal(values[rows], values[first]) for values in columns):
        rows = rows[np.lexsort((group[rows], key))]
    else:  # different keys with the same sum
        rows = rows[np.lexsort((group[rows], *(values[rows] for values in columns)))]
        new = np.zeros(len(rows), bool)
        new[0] = True
        for values in columns:
            new[1:] |= values[rows[1:]] != values[rows[:-1]]
        key = np.cumsum(new) - 1
    several = np.bincount(key)[key] > 1
    rows, key = rows[several], key[several]
    return Repeats(rows, np.cumsum(np.diff(key, prepend=-1) > 0) - 1)
