"""Labels as they are delivered: which points carry no extra ones, and heights in the unit of the cloud."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.model.classes import NOISE_CODES
from cloudprep.model.columns import COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cloudprep.io.las import LabelRows


def unused_points(labels: Mapping[str, NDArray[Any]]) -> NDArray[np.bool_]:
    """Tell noise and withheld points, from ``classification`` and ``withheld``.

    Labels without a field of the standard speak of points in use: these carry the value that says nothing,
    also those that became noise after the stage that judged them.
    """
    unused: NDArray[np.bool_] = labels["withheld"] | np.isin(labels["classification"], NOISE_CODES)
    return unused


class HeightsInUnit:
    """Labels of a flight, with heights in the flight's own unit.

    Parameters
    ----------
    labels : LabelRows
        With heights in metres.
    unit : float
        Metres in one unit.
    """

    def __init__(self, labels: LabelRows, unit: float) -> None:
        self._labels = labels
        self._unit = unit

    @property
    def names(self) -> tuple[str, ...]:
        """Which labels there are."""
        return self._labels.names

    def __len__(self) -> int:
        return len(self._labels)

    def stretch(self, rows: slice) -> Mapping[str, NDArray[Any]]:
        """Return the labels of consecutive rows."""
        found = dict(self._labels.stretch(rows))
        for name, values in found.items():
            if COLUMNS[name].unit == "m" and self._unit != 1.0:
                nothing = values == COLUMNS[name].nothing
                heights = (values / self._unit).astype(values.dtype)
                found[name] = np.where(nothing, values, heights)
        return found
