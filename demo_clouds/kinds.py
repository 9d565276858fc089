"""What a point really hit: finer than the class codes of the standard, and their translation into them."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Kind(IntEnum):
    """Value of the truth files' extra dimension ``kind``."""

    GROUND = 0
    HERB = 1
    SHRUB = 2
    TREE = 3
    BUILDING = 4
    WIRE = 5
    PYLON = 6
    BRIDGE_DECK = 7
    WATER = 8
    VEHICLE = 9
    FENCE = 10
    POLE = 11
    CONVEYOR = 12
    LEDGE = 13
    BIRD = 20
    FLOCK = 21
    DUST = 22
    STRAY_LIGHT = 23
    LOW_SINGLE = 24
    LOW_GROUP = 25
    FLOATER = 26
    SUNKEN = 27
    SMEAR = 28


UNCLASSIFIED = 1
VEGETATION = (3, 4, 5)
# Heights above ground, m, that part low, medium and high vegetation: common practice, the standard has none.
VEGETATION_STEPS = (0.5, 3.0)

_PLANTS = (Kind.HERB, Kind.SHRUB, Kind.TREE)

_CODES = {
    Kind.GROUND: 2,
    Kind.BUILDING: 6,
    Kind.WIRE: 14,
    Kind.PYLON: 15,
    Kind.BRIDGE_DECK: 17,
    Kind.WATER: 9,
    Kind.BIRD: 18,
    Kind.FLOCK: 18,
    Kind.DUST: 18,
    Kind.STRAY_LIGHT: 18,
    Kind.FLOATER: 18,
    Kind.LOW_SINGLE: 7,
    Kind.LOW_GROUP: 7,
    Kind.SUNKEN: 7,
}


def class_codes(kind: NDArray[np.uint8], above_ground: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Translate kinds into class codes of LAS 1.4 point formats 6 to 10.

    Parameters
    ----------
    kind : ndarray of shape (n,)
        Values of :class:`Kind`.
    above_ground : ndarray of shape (n,)
        Height above the true ground, m; it parts low, medium and high vegetation.

    Returns
    -------
    ndarray of shape (n,)
        Class codes; 1 for what has no code of its own (vehicles, fences, poles, the conveyor, smears).
    """
    table = np.full(256, UNCLASSIFIED, np.uint8)
    for value, code in _CODES.items():
        table[value] = code
    codes = table[kind]
    plants = np.isin(kind, _PLANTS)
    steps = np.searchsorted(VEGETATION_STEPS, above_ground[plants], side="right")
    codes[plants] = np.array(VEGETATION, np.uint8)[steps]
    return codes
