"""Counts and extent of the points of a flight as it is read, to hold its header against."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray


@dataclass
class PointCounts:
    """Running counts of all points of a flight, whatever becomes of them.

    Parameters
    ----------
    low, high : list of int
        Least and most X, Y and Z as stored; empty before the first point.
    by_return : ndarray of int64, shape (16,), or None
        Points with each return number; None where these aren't read.
    """

    low: list[int] = field(default_factory=list)
    high: list[int] = field(default_factory=list)
    by_return: NDArray[np.int64] | None = None

    def add(self, columns: Mapping[str, NDArray[Any]]) -> None:
        """Count a piece: ``X``, ``Y``, ``Z`` and, if they are there, return numbers; at least one point."""
        low, high = ([int(end(columns[axis])) for axis in "XYZ"] for end in (np.min, np.max))
        self.low = [min(pair) for pair in zip(self.low or low, low, strict=True)]
        self.high = [max(pair) for pair in zip(self.high or high, high, strict=True)]
        if "return_number" in columns:
            counted = np.bincount(columns["return_number"], minlength=16)
            self.by_return = counted if self.by_return is None else self.by_return + counted
