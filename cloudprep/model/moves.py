"""How many points went from which class to which: what figures of a stage are counted from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from numpy.typing import NDArray

_CODES = 256
# So many codes at most, found among so many points, are counted one after the other.
_FEW = 8
_SAMPLE = 1000


class ClassMoves:
    """Counts of points by class code before and after a stage.

    They add up over blocks in any order, so a site of any size needs no more memory than a small one.

    Parameters
    ----------
    counts : ndarray of int64, shape (256, 256), optional
        Points by [code before, code after]; none by default.

    Examples
    --------
    >>> import numpy as np
    >>> moves = ClassMoves.between(np.array([1, 1, 2], np.uint8), np.array([2, 7, 2], np.uint8))
    >>> moves.after((2,)), moves.gained((2,)), moves.total
    (2, 1, 3)
    """

    __slots__ = ("counts",)

    def __init__(self, counts: NDArray[np.int64] | None = None) -> None:
        self.counts = np.zeros((_CODES, _CODES), np.int64) if counts is None else counts

    @classmethod
    def between(cls, before: NDArray[np.uint8], after: NDArray[np.uint8]) -> ClassMoves:
        """Return the moves of points from their codes before and after, each of shape (n,)."""
        moved = np.flatnonzero(before != after)
        pairs = before[moved].astype(np.int64) * _CODES + after[moved]
        counts = np.bincount(pairs, minlength=_CODES**2).reshape(_CODES, _CODES).astype(np.int64)
        # Most points stay what they are.
        np.fill_diagonal(counts, _counts_of(before) - counts.sum(axis=1))
        return cls(counts)

    @classmethod
    def sum(cls, parts: Iterable[ClassMoves]) -> ClassMoves:
        """Return the moves of several lots of points together."""
        total = cls()
        for part in parts:
            total.counts += part.counts
        return total

    @property
    def total(self) -> int:
        """Number of points."""
        return int(self.counts.sum())

    def after(self, codes: Collection[int]) -> int:
        """Return how many points have one of the codes after the stage."""
        return int(self.counts[:, list(codes)].sum())

    def gained(self, codes: Collection[int]) -> int:
        """Return how many points have one of the codes after the stage, and had none of them before."""
        others = np.ones(_CODES, bool)
        others[list(codes)] = False
        return int(self.counts[others][:, list(codes)].sum())

    def of_codes(self) -> NDArray[np.int64]:
        """Return the number of points of each code after the stage, shape (256,)."""
        return np.asarray(self.counts.sum(axis=0))


def _counts_of(codes: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return how many points have each code, shape (256,).

    There are few in most clouds, and comparing bytes with one takes a twentieth of the time of counting.
    """
    counts = np.zeros(_CODES, np.int64)
    common = np.unique(codes[:: max(1, len(codes) // _SAMPLE)])[:_FEW]
    left = np.ones(len(codes), np.bool_)
    for code in common.tolist():
        others = codes != code
        counts[code] = len(codes) - np.count_nonzero(others)
        left &= others
    return counts + np.bincount(codes[np.flatnonzero(left)], minlength=_CODES)
