"""How many points went from which class to which: what figures of a stage are counted from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from numpy.typing import NDArray

_CODES = 256


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
        pairs = before.astype(np.uint16) * np.uint16(_CODES) + after
        return cls(np.bincount(pairs, minlength=_CODES**2).reshape(_CODES, _CODES).astype(np.int64))

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
