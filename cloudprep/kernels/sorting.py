"""Sorting whole-number keys digit by digit, which beats comparing them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

_DIGIT = 11


def sorted_order(keys: NDArray[np.int64]) -> NDArray[np.int32]:
    """Return the order that sorts keys; equal keys stay in their order.

    Parameters
    ----------
    keys : ndarray of int64, shape (n,)
        Keys >= 0; n < 2**31. The smaller the largest key, the fewer passes.

    Returns
    -------
    ndarray of int32, shape (n,)
        Rows in the order of their keys.

    Raises
    ------
    ValueError
        If a key is negative or there are too many.

    Examples
    --------
    >>> import numpy as np
    >>> sorted_order(np.array([5, 0, 5, 2])).tolist()
    [1, 3, 0, 2]
    """
    if len(keys) == 0:
        return np.empty(0, np.int32)
    if len(keys) >= 2**31:
        raise ValueError(f"at most {2**31 - 1} keys can be sorted, got {len(keys)}")
    if keys.min() < 0:
        raise ValueError(f"keys must not be negative, got {keys.min()}")
    if not COMPILED:
        return np.argsort(keys, kind="stable").astype(np.int32)
    # Large arrays come from NumPy: it asks for large pages, which take far less time to get than small ones.
    order, other_order = np.arange(len(keys), dtype=np.int32), np.empty(len(keys), np.int32)
    digits, other_digits = keys.astype(np.int64), np.empty(len(keys), np.int64)
    passes = -(-int(keys.max()).bit_length() // _DIGIT)
    _radix_order(passes, digits, other_digits, order, other_order)
    return order if passes % 2 == 0 else other_order


def counted_order(
    column: NDArray[np.int64], row: NDArray[np.int64], columns: int, rows: int, *, threads: int = 1
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the order that sorts points by row, then column, of few cells, and where each cell starts.

    Parameters
    ----------
    column, row : ndarray of int64, shape (n,)
        Cell of each point, any whole numbers that differ by less than ``columns`` and ``rows``; n >= 1.
    columns, rows : int
        How many columns and rows there are; a number for each pair and thread is held.
    threads : int
        Threads to use.

    Returns
    -------
    order : ndarray of int64, shape (n,)
        Points in the order of their cells; those of a cell stay in their order.
    starts : ndarray of int64, shape (columns * rows + 1,)
        Where each cell starts in it, row by row from the lowest column and row.

    Examples
    --------
    >>> import numpy as np
    >>> counted_order(np.array([8, 7, 8]), np.array([3, 3, 3]), 2, 1)
    (array([1, 0, 2]), array([0, 1, 3]))
    """
    cells = columns * rows
    first = column.min(), row.min()
    if not COMPILED:
        keys = (row - first[1]) * columns + (column - first[0])
        starts = np.r_[0, np.cumsum(np.bincount(keys, minlength=cells))]
        return np.argsort(keys, kind="stable").astype(np.int64), starts.astype(np.int64)
    order = np.empty(len(column), np.int64)
    # One row a share of the points: first how many it has in each cell, then where its next one goes.
    shares = list(pairwise(np.linspace(0, len(column), threads + 1).astype(np.int64).tolist()))
    places = np.zeros((threads, cells), np.int64)

    def count_share(k: int) -> None:
        _count_in_cells(column, row, *first, columns, *shares[k], places[k])

    def put_share(k: int) -> None:
        _put_in_cells(column, row, *first, columns, *shares[k], places[k], order)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(count_share, range(threads)))
        sizes = places.sum(axis=0)
        starts = np.zeros(cells + 1, np.int64)
        np.cumsum(sizes, out=starts[1:])
        places[:] = starts[:-1] + np.cumsum(places, axis=0) - places
        list(pool.map(put_share, range(threads)))
    return order, starts


@njit(nogil=True, cache=True)
def _count_in_cells(column, row, first_column, first_row, columns, first, last, counts):  # type: ignore[no-untyped-def]
    for i in range(first, last):
        counts[(row[i] - first_row) * columns + (column[i] - first_column)] += 1


@njit(nogil=True, cache=True)
def _put_in_cells(column, row, first_column, first_row, columns, first, last, places, order):  # type: ignore[no-untyped-def]
    for i in range(first, last):
        cell = (row[i] - first_row) * columns + (column[i] - first_column)
        order[places[cell]] = i
        places[cell] += 1


@njit(nogil=True, cache=True)
def _radix_order(
    passes: int,
    digits: NDArray[np.int64],
    other_digits: NDArray[np.int64],
    order: NDArray[np.int32],
    other_order: NDArray[np.int32],
) -> None:
    """Sort by the lowest digit first, to and fro; every pass keeps the order of the passes before."""
    n = digits.shape[0]
    base = 1 << _DIGIT
    places = np.empty(base, np.int64)
    for _ in range(passes):
        places[:] = 0
        for i in range(n):
            places[digits[i] & (base - 1)] += 1
        total = 0
        for d in range(base):
            count = places[d]
            places[d] = total
            total += count
        for i in range(n):
            d = digits[i] & (base - 1)
            place = places[d]
            places[d] = place + 1
            # The digits still to come travel along.
            other_digits[place] = digits[i] >> _DIGIT
            other_order[place] = order[i]
        digits, other_digits = other_digits, digits
        order, other_order = other_order, order
