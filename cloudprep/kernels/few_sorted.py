"""A few numbers sorted, or their middle found, in place, by kernels that call these.

numba's own ``sort`` and ``median`` are compiled anew in every process that compiles something that calls
them, and take two seconds there; these take a fifth of a second, once.

References
----------
C. A. R. Hoare, "Algorithm 65: find", Communications of the ACM 4(7), 1961. J. W. J. Williams, "Algorithm 232:
heapsort", Communications of the ACM 7(6), 1964.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["median_of", "ranked", "sort_few"]


@njit(nogil=True, cache=True)
def median_of(values: NDArray[Any], count: int | np.int64) -> float:
    """Return the median of the first values of an array: the middle one, or the mean of the two middle ones.

    Parameters
    ----------
    values : ndarray of float64
        None of them NaN; the first ``count`` are put into another order.
    count : int
        How many of them count, > 0.

    Returns
    -------
    float
        The median, to the bits of ``numpy.median``.

    Examples
    --------
    >>> import numpy as np
    >>> median_of(np.array([4.0, 1.0, 2.0, 9.0, -50.0]), 4)
    3.0
    """
    middle = count >> 1
    low, high = 0, count - 1
    while low < high:
        pivot = values[(low + high) >> 1]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while pivot < values[j]:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if j < middle:
            low = i
        if middle < i:
            high = j
    upper = float(values[middle])
    if count & 1:
        return upper
    lower = float(values[0])
    for k in range(1, middle):
        lower = max(lower, float(values[k]))
    return (lower + upper) / 2.0


@njit(nogil=True, cache=True)
def sort_few(values: NDArray[Any], count: int | np.int64) -> None:
    """Sort the first values of an array, ascending.

    Parameters
    ----------
    values : ndarray
        Numbers, none of them NaN; changed in place.
    count : int
        How many of them.

    Examples
    --------
    >>> import numpy as np
    >>> values = np.array([5, 3, 9, 1])
    >>> sort_few(values, 3)
    >>> values
    array([3, 5, 9, 1])
    """
    start, end = count >> 1, count
    while end > 1:
        if start > 0:
            start -= 1
            moved = values[start]
        else:
            end -= 1
            moved = values[end]
            values[end] = values[0]
        at = start
        below = 2 * at + 1
        while below < end:
            if below + 1 < end and values[below] < values[below + 1]:
                below += 1
            if moved >= values[below]:
                break
            values[at] = values[below]
            at = below
            below = 2 * at + 1
        values[at] = moved


def ranked(
    values: NDArray[np.float64],
    starts: NDArray[np.int64],
    counts: NDArray[np.int64],
    ranks: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return the value of a rank in each of some runs.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Run by run, none of them NaN; sorted in place, run by run.
    starts, counts : ndarray of int64, shape (m,)
        Where runs start, and how many values they hold.
    ranks : ndarray of int64, shape (m,)
        Which value of the run is asked for, 0 for the smallest.

    Returns
    -------
    ndarray of float64, shape (m,)

    Examples
    --------
    >>> import numpy as np
    >>> runs = np.array([0, 3]), np.array([3, 1])
    >>> ranked(np.array([5.0, 3.0, 9.0, 1.0]), *runs, np.array([1, 0])).tolist()
    [5.0, 1.0]
    """
    found = np.empty(len(starts))
    _rank(values, starts, counts, ranks, found)
    return found


@njit(nogil=True, cache=True)
def _rank(
    values: NDArray[np.float64],
    starts: NDArray[np.int64],
    counts: NDArray[np.int64],
    ranks: NDArray[np.int64],
    found: NDArray[np.float64],
) -> None:
    for run in range(starts.shape[0]):
        some = values[starts[run] : starts[run] + counts[run]]
        sort_few(some, counts[run])
        found[run] = some[ranks[run]]
