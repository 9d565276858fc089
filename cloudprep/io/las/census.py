"""Counts and extents of the points that go through a writer, to check and to complete a header."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.io.las.header import (
    BY_RETURN,
    EXTENTS,
    LARGEST_LEGACY_COUNT,
    LEGACY_BY_RETURN,
    LEGACY_COUNT,
    LEGACY_RETURNS_KEPT,
    POINT_COUNT,
    RETURNS_KEPT,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.io.las.flight import Flight
    from cloudprep.io.las.layout import Layout


@dataclass
class Census:
    """Running totals.

    Parameters
    ----------
    layout : Layout
        Of the records that will be added.
    """

    layout: Layout
    count: int = 0
    by_return: NDArray[np.int64] = field(default_factory=lambda: np.zeros(16, np.int64))
    low: list[int] = field(default_factory=list)
    high: list[int] = field(default_factory=list)

    def add(self, records: NDArray[np.uint8]) -> None:
        """Count records, uint8, shape (n, record_length)."""
        if not len(records):
            return
        self.count += len(records)
        returns = records[:, 14] & np.uint8(0x07 if self.layout.legacy else 0x0F)
        self.by_return += np.bincount(returns, minlength=16)
        axes = [records[:, 4 * axis : 4 * axis + 4].view("<i4") for axis in range(3)]
        low, high = [int(axis.min()) for axis in axes], [int(axis.max()) for axis in axes]
        self.low = [min(pair) for pair in zip(self.low or low, low, strict=True)]
        self.high = [max(pair) for pair in zip(self.high or high, high, strict=True)]


def complete_header(
    head: bytearray, flight: Flight, read: Census, written: Census, *, modern: bool
) -> tuple[str, ...]:
    """Put counts and bounding box of the written points into a header, where they differ from what it says.

    Fields that were right stay as they are, to the bit. Numbers by return are right too if points with the
    return number 0, which the standard does not know, were counted as first returns; corners of the bounding
    box are right if they lie within one step of the coordinate grid.

    Parameters
    ----------
    head : bytearray
        The header to be written; changed in place.
    flight : Flight
        The source.
    read, written : Census
        Of all source points, and of those that were kept.
    modern : bool
        Whether the points were upgraded: the 32-bit counts are then zero, as the standard asks for formats 6
        to 10.

    Returns
    -------
    tuple of str
        What was wrong in the source's header.
    """
    warnings = []
    if not _complete_returns(head, flight, read, written, modern=modern):
        warnings.append("the header's numbers of points by return were wrong; recomputed")
    if not _complete_extents(head, flight, read, written):
        warnings.append("the header's bounding box was wrong; recomputed")
    return tuple(warnings)


def _complete_returns(
    head: bytearray, flight: Flight, read: Census, written: Census, *, modern: bool
) -> bool:
    header = flight.header
    right = True
    if header.by_return is not None or modern:
        wide, correct = _by_return(header.by_return, read, written, RETURNS_KEPT)
        right = correct or header.by_return is None
        struct.pack_into("<Q", head, POINT_COUNT, written.count)
        struct.pack_into("<15Q", head, BY_RETURN, *wide)
        if modern or not (header.legacy_count or any(header.legacy_by_return)):
            struct.pack_into("<I5I", head, LEGACY_COUNT, *(0,) * 6)
            return right
    narrow, correct = _by_return(header.legacy_by_return, read, written, LEGACY_RETURNS_KEPT)
    # The standard has no 32-bit counts in formats 6 to 10: those that are right are left, others removed.
    fits = written.count <= LARGEST_LEGACY_COUNT
    kept = flight.layout.legacy or (correct and header.legacy_count == read.count)
    if header.extended and not (fits and kept):
        struct.pack_into("<I5I", head, LEGACY_COUNT, *(0,) * 6)
        return right and correct
    struct.pack_into("<I", head, LEGACY_COUNT, min(written.count, LARGEST_LEGACY_COUNT))
    struct.pack_into("<5I", head, LEGACY_BY_RETURN, *(min(n, LARGEST_LEGACY_COUNT) for n in narrow))
    return right and correct


def _by_return(
    stated: Sequence[int] | None, read: Census, written: Census, kept: int
) -> tuple[list[int], bool]:
    """Return the numbers to write, and whether the source's own were right."""
    plain = read.by_return[1 : kept + 1].tolist()
    with_zero = [plain[0] + int(read.by_return[0]), *plain[1:]]
    new = written.by_return[1 : kept + 1].tolist()
    if stated is not None and list(stated) == with_zero != plain:
        return [new[0] + int(written.by_return[0]), *new[1:]], True
    return new, stated is not None and list(stated) == plain


def _complete_extents(head: bytearray, flight: Flight, read: Census, written: Census) -> bool:
    if not read.count:
        return True
    if not written.count:
        struct.pack_into("<6d", head, EXTENTS, *(0.0,) * 6)
    right = True
    for axis, (scale, offset) in enumerate(zip(flight.scales, flight.offsets, strict=True)):
        sides = (
            (flight.header_max[axis], read.high[axis], written.high[axis : axis + 1]),
            (flight.header_min[axis], read.low[axis], written.low[axis : axis + 1]),
        )
        for side, (stated, was, now) in enumerate(sides):
            truth = was * scale + offset
            # A step of the grid, and the rounding of numbers of this size.
            close = abs(stated - truth) <= scale + 4 * np.spacing(max(abs(truth), abs(offset)))
            right = right and bool(close)
            if now and not (close and now[0] == was):
                struct.pack_into("<d", head, EXTENTS + 16 * axis + 8 * side, now[0] * scale + offset)
    return right
