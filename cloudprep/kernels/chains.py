"""Places that follow each other, put in the order of the lines that they make."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Chains(NamedTuple):
    """Lines through places.

    Parameters
    ----------
    order : ndarray of int64, shape (k,)
        The places, one line after the other.
    starts : ndarray of int64, shape (m + 1,)
        Where each line begins in the order, and the end of the last.
    closed : ndarray of bool, shape (m,)
        Which are rings.
    """

    order: NDArray[np.int64]
    starts: NDArray[np.int64]
    closed: NDArray[np.bool_]


def lines_through(following: NDArray[np.int64], entered: NDArray[np.bool_], *, lone: bool) -> Chains:
    """Return the lines that places make: first those that begin somewhere, then rings.

    Parameters
    ----------
    following : ndarray of int64, shape (n,)
        The place that comes after each; -1 where none does. No two have the same.
    entered : ndarray of bool, shape (n,)
        Whether some place comes before it.
    lone : bool
        Whether a place without any other makes a line; else it is left out.

    Examples
    --------
    >>> found = lines_through(np.array([2, -1, 1, -1]), np.array([False, True, True, False]), lone=False)
    >>> found.order.tolist(), found.starts.tolist(), found.closed.tolist()
    ([0, 2, 1], [0, 3], [False])
    """
    n = len(following)
    order, starts, closed = np.empty(n, np.int64), np.empty(n + 1, np.int64), np.empty(n, np.bool_)
    lines = _follow(following, entered, lone, order, starts, closed)
    return Chains(order[: starts[lines]], starts[: lines + 1].copy(), closed[:lines].copy())


@njit(nogil=True, cache=True)
def _follow(following, entered, lone, order, starts, closed):  # type: ignore[no-untyped-def]
    n = len(following)
    placed = np.zeros(n, np.bool_)
    lines = 0
    used = 0
    starts[0] = 0
    for rings in range(2):
        for i in range(n):
            if placed[i] or (rings == 0 and entered[i]) or (following[i] < 0 and not lone):
                continue
            at = i
            while at >= 0 and not placed[at]:
                placed[at] = True
                order[used] = at
                used += 1
                at = following[at]
            closed[lines] = rings == 1
            lines += 1
            starts[lines] = used
    return lines
