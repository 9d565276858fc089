"""Sorting whole-number keys digit by digit, which beats comparing them."""

from __future__ import annotations

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
