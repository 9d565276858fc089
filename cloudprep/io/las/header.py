"""The public header block of LAS 1.0 to 1.4, read from bytes and checked."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from datetime import date, timedelta

from cloudprep.io.las.layout import LARGEST_FORMAT, LAYOUTS

SIGNATURE = b"LASF"
SHORTEST_HEADER = 227
WAVEFORM_HEADER = 235
EXTENDED_HEADER = 375
RETURNS_KEPT = 15
LEGACY_RETURNS_KEPT = 5
LARGEST_LEGACY_COUNT = 0xFFFFFFFF

# Byte offsets of the fields (ASPRS LAS 1.4-R15, table 3; offsets as printed in R16).
ENCODING = 6
VERSION = 24
CREATION = 90
HEADER_SIZE = 94
OFFSET_TO_POINTS = 96
RECORD_COUNT = 100
POINT_FORMAT = 104
LEGACY_COUNT = 107
LEGACY_BY_RETURN = 111
SCALES = 131
EXTENTS = 179
WAVEFORM_START = 227
EVLR_START = 235
EVLR_COUNT = 243
POINT_COUNT = 247
BY_RETURN = 255

WAVES_INSIDE = 1 << 1
WAVES_OUTSIDE = 1 << 2
WKT_BIT = 1 << 4

COMPRESSED = 0x80
_FORMAT_BITS = 0x7F
_NEWEST_MINOR = 4

_SMALLEST_SCALE = 1e-12
_LARGEST_SCALE = 1e3
_LARGEST_OFFSET = 1e12


class HeaderError(ValueError):
    """What is wrong with a header, in words for people."""


@dataclass(frozen=True)
class PublicHeader:
    """The header's fields as they stand in the file.

    Parameters
    ----------
    raw : bytes
        The whole header, bytes that users put behind the standard's fields included.
    legacy_count, legacy_by_return
        The 32-bit counts.
    count, by_return
        The 64-bit counts of LAS 1.4; None in older files.
    minimum, maximum
        The bounding box as stated (x, y, z).
    """

    raw: bytes
    version: tuple[int, int]
    encoding: int
    offset_to_points: int
    record_count: int
    point_format: int
    compressed: bool
    record_length: int
    legacy_count: int
    legacy_by_return: tuple[int, ...]
    scales: tuple[float, float, float]
    offsets: tuple[float, float, float]
    minimum: tuple[float, float, float]
    maximum: tuple[float, float, float]
    waveform_start: int
    evlr_start: int
    evlr_count: int
    count: int | None
    by_return: tuple[int, ...] | None

    @property
    def has_waveform_field(self) -> bool:
        """Whether the header is new and long enough to say where waveforms begin."""
        return self.version[1] >= 3 and len(self.raw) >= WAVEFORM_HEADER

    @property
    def creation_date(self) -> date | None:
        """When the file was made, as its day of the year and year say; None where they say nothing."""
        day, year = struct.unpack_from("<HH", self.raw, CREATION)
        if not (1 <= day <= 366 and 1970 <= year <= 9999):
            return None
        found = date(year, 1, 1) + timedelta(days=day - 1)
        return found if found.year == year else None

    @property
    def extended(self) -> bool:
        """Whether the header has the fields of LAS 1.4."""
        return self.count is not None


def parse_header(data: bytes) -> PublicHeader:
    """Read and check a header.

    Parameters
    ----------
    data : bytes
        The file's first bytes: at least the header, where the file is that long.

    Returns
    -------
    PublicHeader
        The fields.

    Raises
    ------
    HeaderError
        If this is no LAS header, or one of its fields makes the file unusable.
    """
    if not data:
        raise HeaderError("the file is empty (0 bytes)")
    if data[:4] != SIGNATURE:
        raise HeaderError("this isn't a LAS or LAZ file (it doesn't begin with 'LASF')")
    if len(data) < SHORTEST_HEADER:
        raise HeaderError(f"the file is cut short inside its header ({len(data)} bytes are there)")
    major, minor = data[VERSION], data[VERSION + 1]
    if major != 1 or minor > _NEWEST_MINOR:
        raise HeaderError(f"LAS version {major}.{minor} isn't supported (1.0 to 1.4 are)")
    header_size, offset_to_points, record_count = struct.unpack_from("<HII", data, HEADER_SIZE)
    if header_size < SHORTEST_HEADER:
        raise HeaderError(f"the header says that it is {header_size} bytes long; at least 227 are needed")
    if len(data) < header_size:
        raise HeaderError(f"the file is cut short inside its header ({len(data)} of {header_size} bytes)")
    if offset_to_points < header_size:
        raise HeaderError(f"the points are said to begin at byte {offset_to_points}, inside the header")
    format_byte, record_length, legacy_count = struct.unpack_from("<BHI", data, POINT_FORMAT)
    extents = struct.unpack_from("<6d", data, EXTENTS)
    scales_offsets = struct.unpack_from("<6d", data, SCALES)
    extended = minor >= 4 and header_size >= EXTENDED_HEADER
    header = PublicHeader(
        raw=bytes(data[:header_size]),
        version=(major, minor),
        encoding=struct.unpack_from("<H", data, ENCODING)[0],
        offset_to_points=offset_to_points,
        record_count=record_count,
        point_format=format_byte & _FORMAT_BITS,
        compressed=bool(format_byte & COMPRESSED),
        record_length=record_length,
        legacy_count=legacy_count,
        legacy_by_return=struct.unpack_from("<5I", data, LEGACY_BY_RETURN),
        scales=scales_offsets[:3],
        offsets=scales_offsets[3:],
        minimum=extents[1::2],
        maximum=extents[::2],
        waveform_start=_waveform_start(data, minor, header_size),
        evlr_start=struct.unpack_from("<Q", data, EVLR_START)[0] if extended else 0,
        evlr_count=struct.unpack_from("<I", data, EVLR_COUNT)[0] if extended else 0,
        count=struct.unpack_from("<Q", data, POINT_COUNT)[0] if extended else None,
        by_return=struct.unpack_from("<15Q", data, BY_RETURN) if extended else None,
    )
    _check_records(header)
    _check_grid(header)
    return header


def _waveform_start(data: bytes, minor: int, header_size: int) -> int:
    if minor < 3 or header_size < WAVEFORM_HEADER:
        return 0
    start: int = struct.unpack_from("<Q", data, WAVEFORM_START)[0]
    return start


def _check_records(header: PublicHeader) -> None:
    if header.point_format > LARGEST_FORMAT:
        raise HeaderError(f"point format {header.point_format} isn't one of the standard's 0 to 10")
    least = LAYOUTS[header.point_format].size
    if header.record_length < least:
        raise HeaderError(
            f"point records are said to be {header.record_length} bytes long;"
            f" point format {header.point_format} needs {least}"
        )


def _check_grid(header: PublicHeader) -> None:
    """Refuse scales and offsets that give no usable coordinates."""
    for axis, scale, offset in zip("xyz", header.scales, header.offsets, strict=True):
        if not math.isfinite(scale) or not _SMALLEST_SCALE <= scale <= _LARGEST_SCALE:
            raise HeaderError(f"the {axis} scale is {scale:g}, which gives no usable coordinates")
        if not math.isfinite(offset) or abs(offset) > _LARGEST_OFFSET:
            raise HeaderError(f"the {axis} offset is {offset:g}, which gives no usable coordinates")
