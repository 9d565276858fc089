"""Point records of formats 0 to 5 as formats 6 to 10 (ASPRS LAS 1.4-R15, sections 2.6.1 to 2.6.12)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.io.las.labels import modern_codes
from cloudprep.io.las.layout import LAYOUTS, LEGACY_CLASS_MASK, WAVE_PACKET_BYTES, Layout

if TYPE_CHECKING:
    from numpy.typing import NDArray

MODERN_FORMAT = {0: 6, 1: 6, 2: 7, 3: 7, 4: 9, 5: 10}
# Formats 6 to 10 count scan angles in steps of 0.006 degrees, older ones in whole degrees.
_STEPS_PER_DEGREE = 1 / 0.006
_FLAG_SHIFT = 5
_SCAN_BITS = 0xC0


def upgraded_records(records: NDArray[np.uint8], old: Layout) -> NDArray[np.uint8]:
    """Return records of formats 0 to 5 as those of formats 6 to 10.

    Coordinates, intensity, returns, flags, user data, point source id, time, colours, wave packets and extra
    bytes are carried over. The scan angle, whole degrees before, is rounded to the nearest 0.006 degrees; a
    format without GPS time gets time 0, and format 10 gets near-infrared 0. Class 12 becomes the overlap
    flag and class 1, class 8 the key-point flag and class 1.

    Parameters
    ----------
    records : ndarray of uint8, shape (n, record_length)
        The old ones.
    old : Layout
        Of the old records.

    Returns
    -------
    ndarray of uint8, shape (n, new record length)
        The new ones.
    """
    new = LAYOUTS[MODERN_FORMAT[old.point_format]]
    extra = records.shape[1] - old.size
    out = np.zeros((len(records), new.size + extra), np.uint8)
    out[:, :14] = records[:, :14]
    returns, shared = records[:, 14], records[:, 15]
    out[:, 14] = (returns & 0x07) | ((returns >> 3) & 0x07) << 4
    out[:, 15] = (shared >> _FLAG_SHIFT) | (returns & _SCAN_BITS)
    out[:, 16] = modern_codes(out, shared & np.uint8(LEGACY_CLASS_MASK))
    out[:, 17] = records[:, 17]
    angles = np.rint(records[:, 16].view(np.int8) * _STEPS_PER_DEGREE).astype("<i2")
    out[:, 18:20] = angles.view(np.uint8).reshape(-1, 2)
    out[:, 20:22] = records[:, 18:20]
    for old_place, new_place, size in (
        (old.time, new.time, 8),
        (old.colour, new.colour, 6),
        (old.waves, new.waves, WAVE_PACKET_BYTES),
    ):
        if old_place is not None and new_place is not None:
            out[:, new_place : new_place + size] = records[:, old_place : old_place + size]
    out[:, new.size :] = records[:, old.size :]
    return out


def what_upgrade_adds(old_format: int) -> tuple[str, ...]:
    """Return in words what fields of the new format the old one has no values for."""
    old, new = LAYOUTS[old_format], LAYOUTS[MODERN_FORMAT[old_format]]
    words = []
    if old.time is None:
        words.append(f"point format {old_format} has no GPS time: the upgraded points have time 0")
    if new.near_infrared is not None and old.near_infrared is None:
        words.append(f"point format {old_format} has no near-infrared: the upgraded points have 0")
    return tuple(words)
