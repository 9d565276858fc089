"""What every ground stage shares: which points may be ground, and how the labels follow."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from cloudprep.model.class_lookup import of_classes
from cloudprep.model.classes import NOISE_CODES, ClassCode
from cloudprep.stages.base import parameter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.model.moves import ClassMoves
    from cloudprep.stages.base import Points

NEEDED = ("x", "y", "z", "classification")
"""Columns that the shared rules read, to be named in ``needs``."""

USED = ("return_number", "number_of_returns", "withheld")
"""Columns that the shared rules read where the flights carry them, to be named in ``uses``."""

Returns = Literal["last", "all"]
"""Which returns may be ground."""

_UNCLASSIFIED, _GROUND = np.uint8(ClassCode.UNCLASSIFIED), np.uint8(ClassCode.GROUND)
_AT_A_TIME = 65_536
# Classes that a point may leave for "unclassified"; others say more than a ground stage knows.
_OPEN_CLASSES = (ClassCode.NEVER_CLASSIFIED, ClassCode.UNCLASSIFIED, ClassCode.GROUND)


def keep_classes_parameter() -> Any:
    """Declare ``keep_classes: ClassCodes``, alike for all ground stages."""
    return parameter(
        (int(ClassCode.WATER),),
        meaning="class codes whose points are left alone, and not used for the surface either",
    )


def returns_parameter() -> Any:
    """Declare ``returns: Returns``, alike for all ground stages."""
    return parameter(
        "last",
        meaning="which returns may be ground; 'last' also takes points that carry no return numbers",
        source="common practice, no source",
    )


def usable_points(points: Points, keep_classes: Sequence[int], returns: Returns) -> NDArray[np.bool_]:
    """Return which points may be ground.

    Parameters
    ----------
    points : Points
        n points with ``classification``; ``withheld`` and return numbers count where they are carried.
    keep_classes : sequence of int
        Class codes whose points are left alone.
    returns : {"last", "all"}
        Whether returns before the last of their pulse are left out.

    Returns
    -------
    ndarray of bool, shape (n,)
        False for noise (7, 18), withheld points, kept classes and, where asked, returns before the last.
    """
    usable = of_classes(points["classification"], (*NOISE_CODES, *keep_classes))
    np.logical_not(usable, out=usable)
    if "withheld" in points:
        np.greater(usable, points["withheld"], out=usable)  # and not withheld
    if returns == "last" and "return_number" in points and "number_of_returns" in points:
        usable &= points["return_number"] >= points["number_of_returns"]
    return usable


def labelled(
    points: Points, ground: NDArray[np.bool_], usable: NDArray[np.bool_], keep_classes: Sequence[int]
) -> NDArray[np.uint8]:
    """Return the class codes that follow from the points found on the ground.

    Parameters
    ----------
    points : Points
        n points.
    ground : ndarray of bool, shape (n,)
        Which points lie on the ground; only usable ones count.
    usable : ndarray of bool, shape (n,)
        As :func:`usable_points` gives it.
    keep_classes : sequence of int
        Class codes whose points are left alone.

    Returns
    -------
    ndarray of uint8, shape (n,)
        Ground points are 2. Others become 1 where they were 0, 1 or 2 (but not withheld, nor kept), and keep
        any other class.
    """
    open_classes = [code for code in _OPEN_CLASSES if code not in keep_classes]
    codes = np.empty(len(points), np.uint8)
    # So many at a time, so that what comes between stays in the cache and takes no fresh memory.
    for start in range(0, len(points), _AT_A_TIME):
        some = slice(start, start + _AT_A_TIME)
        classes = points["classification"][some]
        movable = of_classes(classes, open_classes)
        if "withheld" in points:
            movable &= ~points["withheld"][some]
        found = ground[some] & usable[some]
        movable &= ~found
        # Codes put together by sums: to set them where a mask says so takes ten times as long.
        kept = ~(found | movable)
        np.multiply(classes, kept.view(np.uint8), out=codes[some])
        codes[some] += movable.view(np.uint8) * _UNCLASSIFIED
        codes[some] += found.view(np.uint8) * _GROUND
    return codes


def ground_figures(moves: ClassMoves) -> dict[str, float | int]:
    """Return how many of the site's points are ground, and their share of all points."""
    count = moves.after((ClassCode.GROUND,))
    return {"ground.points": count, "ground.share": count / max(1, moves.total)}
