"""Patching labels into raw point records: these bits change, no others."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.io.las.layout import (
    LEGACY_CLASS_MASK,
    LEGACY_WITHHELD,
    MODERN_KEY_POINT,
    MODERN_OVERLAP,
    MODERN_WITHHELD,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cloudprep.io.las.layout import Layout

# What these two codes meant in formats 0 to 5 is a flag in formats 6 to 10 (LAS 1.4-R15, tables 9 and 16).
LEGACY_KEY_POINT_CLASS = 8
LEGACY_OVERLAP_CLASS = 12
UNCLASSIFIED = 1


def patch_labels(
    records: NDArray[np.uint8], layout: Layout, labels: Mapping[str, NDArray[Any]], *, upgraded: bool
) -> None:
    """Write labels into records, in place.

    Parameters
    ----------
    records : ndarray of uint8, shape (n, record_length)
        Changed in place.
    layout : Layout
        Of the records.
    labels : mapping of str to ndarray of shape (n,)
        ``classification`` (uint8) and ``withheld`` (bool), any of them.
    upgraded : bool
        Whether the records were of formats 0 to 5 before: the codes are then those formats' codes, of which 8
        and 12 become flags.
    """
    withheld = labels.get("withheld")
    if withheld is not None:
        bit = LEGACY_WITHHELD if layout.legacy else MODERN_WITHHELD
        flags = records[:, layout.flag_byte]
        flags &= np.uint8(0xFF ^ bit)
        flags |= withheld.astype(np.uint8) * np.uint8(bit)
    codes = labels.get("classification")
    if codes is None:
        return
    if layout.legacy:
        shared = records[:, layout.class_byte]
        shared &= np.uint8(0xFF ^ LEGACY_CLASS_MASK)
        shared |= codes
    elif upgraded:
        records[:, layout.class_byte] = modern_codes(records, codes)
    else:
        records[:, layout.class_byte] = codes


def modern_codes(records: NDArray[np.uint8], codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Turn the codes of formats 0 to 5 into those of formats 6 to 10, and set the flags that some become.

    Parameters
    ----------
    records : ndarray of uint8, shape (n, record_length)
        Of a format 6 to 10; their flags are changed in place.
    codes : ndarray of uint8, shape (n,)
        Codes in the meaning of formats 0 to 5.

    Returns
    -------
    ndarray of uint8, shape (n,)
        The codes to write.
    """
    key_points = codes == LEGACY_KEY_POINT_CLASS
    overlap = codes == LEGACY_OVERLAP_CLASS
    records[:, 15] |= key_points * np.uint8(MODERN_KEY_POINT) | overlap * np.uint8(MODERN_OVERLAP)
    return np.where(key_points | overlap, np.uint8(UNCLASSIFIED), codes)


def class_codes(records: NDArray[np.uint8], layout: Layout) -> NDArray[np.uint8]:
    """Return the class codes in records, uint8, shape (n,)."""
    column = records[:, layout.class_byte]
    return column & np.uint8(LEGACY_CLASS_MASK) if layout.legacy else column.copy()
