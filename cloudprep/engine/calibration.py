"""Whether a stated confidence keeps its word: of the points given 90, about 90 % should be right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Calibration", "CalibrationBin", "CalibrationCount"]

# First and last value of each bin, percent: finer where most points lie and where errors hurt most.
BINS = ((1, 49), (50, 59), (60, 69), (70, 79), (80, 89), (90, 94), (95, 100))
_CERTAIN = 100


@dataclass(frozen=True)
class CalibrationBin:
    """Points whose stated confidence lies in a range.

    Parameters
    ----------
    first, last : int
        The range, percent, both ends included.
    points : int
        Points in it.
    right, stated : float or None
        Share of them that is right, and the mean of what is stated, both 0 to 1; None without points.
    """

    first: int
    last: int
    points: int
    right: float | None
    stated: float | None


@dataclass(frozen=True)
class Calibration:
    """How far stated confidence and truth agree.

    Parameters
    ----------
    bins : tuple of CalibrationBin
        From unsure to sure.
    points : int
        Points that are judged and can be told right or wrong.
    not_judged : int
        Points of which nothing is stated (0).
    left_out : int
        Points that can't be paired with a point of the reference, or state more than 100.
    gap : float or None
        Mean distance between the share that is right and the mean stated, over the bins, weighted by their
        points (the expected calibration error of Guo et al., On calibration of modern neural networks, ICML
        2017; from memory); None without points.
    """

    bins: tuple[CalibrationBin, ...]
    points: int
    not_judged: int
    left_out: int
    gap: float | None


class CalibrationCount:
    """Adds up points by what is stated of them, piece by piece."""

    def __init__(self) -> None:
        self._points = np.zeros(256, np.int64)
        self._right = np.zeros(256, np.int64)
        self._unpaired = 0

    def add(self, stated: NDArray[np.uint8], right: NDArray[np.bool_]) -> None:
        """Count points.

        Parameters
        ----------
        stated : ndarray of uint8, shape (n,)
            Percent; 0 where nothing is stated.
        right : ndarray of bool, shape (n,)
            Whether the label is right.
        """
        self._points += np.bincount(stated, minlength=256)
        self._right += np.bincount(stated[right], minlength=256)

    def leave_out(self, count: int) -> None:
        """Count points that can't be told right or wrong."""
        self._unpaired += count

    def result(self) -> Calibration:
        """Return what it adds up to."""
        bins = tuple(self._bin(first, last) for first, last in BINS)
        points = sum(one.points for one in bins)
        gaps = [
            one.points * abs(one.right - one.stated)
            for one in bins
            if one.right is not None and one.stated is not None
        ]
        return Calibration(
            bins=bins,
            points=points,
            not_judged=int(self._points[0]),
            left_out=self._unpaired + int(self._points[_CERTAIN + 1 :].sum()),
            gap=sum(gaps) / points if points else None,
        )

    def _bin(self, first: int, last: int) -> CalibrationBin:
        values = np.arange(first, last + 1)
        count = int(self._points[values].sum())
        if not count:
            return CalibrationBin(first, last, 0, None, None)
        right = int(self._right[values].sum()) / count
        stated = float((self._points[values] * values).sum()) / count / _CERTAIN
        return CalibrationBin(first, last, count, right, stated)
