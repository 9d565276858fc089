"""How many points went from which class to which: what figures of a stage are counted from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from numpy.typing import NDArray

_CODES = 256
# So many moves at most, found among so many points, are counted one after the other: comparing bytes takes a
# twentieth of the time of counting them.
_FEW = 8
_SAMPLE = 1000
# Points at a time, so that what is compared stays in the cache.
_AT_A_TIME = 65_536


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
        counts = np.zeros((_CODES, _CODES), np.int64)
        common = _common(before, after)
        for start in range(0, len(before), _AT_A_TIME):
            _count(before[start : start + _AT_A_TIME], after[start : start + _AT_A_TIME], common, counts)
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


def _common(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> list[tuple[int, int]]:
    """Return the moves, as pairs of codes, that are most common in a sample of points."""
    step = len(before) // _SAMPLE | 1  # odd: what comes every other time isn't all that is seen
    pairs, counts = np.unique(before[::step].astype(np.int64) * _CODES + after[::step], return_counts=True)
    most = pairs[np.argsort(-counts, kind="stable")[:_FEW]]
    return [divmod(pair, _CODES) for pair in most.tolist()]


def _count(
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    common: Iterable[tuple[int, int]],
    counts: NDArray[np.int64],
) -> None:
    """Add to the counts of moves; any that aren't common are right as well, but take longer."""
    uncounted = len(before)
    left = np.ones(len(before), np.bool_)
    for one, other in common:
        if uncounted == 0:
            return
        these = before == one
        these &= after == other
        number = int(np.count_nonzero(these))
        counts[one, other] += number
        uncounted -= number
        left ^= these
    if uncounted:
        pairs = before[left].astype(np.int64) * _CODES + after[left]
        counts += np.bincount(pairs, minlength=_CODES**2).reshape(_CODES, _CODES)
