"""Sorting whole-number keys digit by digit, which beats comparing them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import COMPILED, njit, read_only

if TYPE_CHECKING:
    from numpy.typing import NDArray

_DIGIT = 11
_MOST_BITS = 63


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
    # A key and its row in one number, so that both move as one.
    row_bits, bits = len(keys).bit_length(), int(keys.max()).bit_length()
    if not COMPILED or row_bits + bits > _MOST_BITS:
        return np.argsort(keys, kind="stable").astype(np.int32)
    # Large arrays come from NumPy: it asks for large pages, which take far less time to get than small ones.
    order, numbers, others = np.empty(len(keys), np.int32), *np.empty((2, len(keys)), np.int64)
    _radix_order(
        read_only(keys.astype(np.int64, copy=False)), row_bits, -(-bits // _DIGIT), numbers, others, order
    )
    return order


@njit(nogil=True, cache=True)
def _radix_order(
    keys: NDArray[np.int64],
    row_bits: int,
    passes: int,
    numbers: NDArray[np.int64],
    others: NDArray[np.int64],
    order: NDArray[np.int32],
) -> None:
    """Sort by the lowest digit first, to and fro; every pass keeps the order of the passes before."""
    n = keys.shape[0]
    base = 1 << _DIGIT
    places = np.empty(base, np.int64)
    for i in range(n):
        numbers[i] = (keys[i] << row_bits) | i
    for digit in range(passes):
        shift = row_bits + digit * _DIGIT
        places[:] = 0
        for i in range(n):
            places[(numbers[i] >> shift) & (base - 1)] += 1
        total = 0
        for d in range(base):
            count = places[d]
            places[d] = total
            total += count
        for i in range(n):
            d = (numbers[i] >> shift) & (base - 1)
            place = places[d]
            places[d] = place + 1
            others[place] = numbers[i]
        numbers, others = others, numbers
    for i in range(n):
        order[i] = numbers[i] & ((1 << row_bits) - 1)
