"""Which points noise stages look at."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.model.class_lookup import of_classes
from cloudprep.model.classes import NOISE_CODES
from cloudprep.stages.base import parameter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.points import Points

LABELS = ("classification", "withheld")


def withheld_parameter() -> Any:
    """Declare ``withheld: bool``, alike for all noise stages."""
    return parameter(False, meaning="set the withheld flag of the noise too")


def usable(points: Points) -> NDArray[np.bool_]:
    """Return which points are neither noise already (classes 7 and 18) nor withheld.

    Columns that the flights don't carry rule nothing out.
    """
    mask = np.ones(len(points), np.bool_)
    if "classification" in points:
        mask &= ~of_classes(points["classification"], NOISE_CODES)
    if "withheld" in points:
        mask &= ~points["withheld"]
    return mask


def relabelled(
    points: Points, low: NDArray[np.bool_], high: NDArray[np.bool_], *, withheld: bool
) -> dict[str, NDArray[np.uint8] | NDArray[np.bool_]]:
    """Return the label columns after some points became low or high noise.

    Parameters
    ----------
    points : Points
        The points with their labels before.
    low, high : ndarray of bool, shape (n,)
        The points that become class 7 and class 18.
    withheld : bool
        Whether their withheld flag is set too.
    """
    before = points["classification"] if "classification" in points else np.zeros(len(points), np.uint8)
    code = before.astype(np.uint8)
    code[high] = NOISE_CODES[1]
    code[low] = NOISE_CODES[0]
    columns: dict[str, NDArray[np.uint8] | NDArray[np.bool_]] = {"classification": code}
    if withheld:
        flag = points["withheld"] if "withheld" in points else np.zeros(len(points), np.bool_)
        columns["withheld"] = flag | low | high
    return columns
