"""What is known about a source file."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from cloudprep.io.las.extra_bytes import Dimensions, read_dimensions
from cloudprep.io.las.layout import LAYOUTS, Layout

if TYPE_CHECKING:
    from pathlib import Path

    from cloudprep.io.las.chunk_table import ChunkTable
    from cloudprep.io.las.compression import Compression
    from cloudprep.io.las.header import PublicHeader
    from cloudprep.io.las.records import Record
    from cloudprep.model.crs import CloudCrs


@dataclass(frozen=True)
class Flight:
    """What is known about one input after its header, records and chunk table were checked.

    It holds no open file, and it pickles.

    Parameters
    ----------
    path : Path
        Where the file is.
    size_bytes, modified_ns : int
        Its size and time of change, held against the file whenever it is read again.
    version : tuple of int
        LAS version, major and minor.
    point_format : int
        0 to 10.
    record_length : int
        Bytes of an uncompressed point, extra bytes included.
    count : int
        Points that are really there and will be read.
    scales, offsets : tuple of float
        x, y, z: coordinate = raw integer * scale + offset, in the file's unit.
    crs : CloudCrs
        Reference system and units, with its own warnings.
    compressed : bool
        LAZ, whatever the name's ending.
    copc : bool
        Whether the file carries a COPC index.
    columns : frozenset of str
        Column names carried besides the coordinates (raw ``X``, ``Y``, ``Z`` are always there): fields of the
        standard, and labels in the extra bytes.
    header_min, header_max : tuple of float
        The bounding box as the header states it, in the file's unit; it may be wrong.
    warnings : tuple of str
        What is odd about the file (what is odd about its reference system stands in ``crs.warnings``).
    header : PublicHeader
        All fields.
    vlrs, evlrs : tuple of Record
        Records before and behind the points.
    vlr_end : int
        Where the last readable VLR ends; what lies between it and the points is padding.
    tail_start : int
        Where the points (and their chunk table) end; the rest of the file is copied as it is.
    compression : Compression or None
        How the points are compressed.
    chunks : ChunkTable or None
        Where the compressed points lie.
    """

    path: Path
    size_bytes: int
    modified_ns: int
    version: tuple[int, int]
    point_format: int
    record_length: int
    count: int
    scales: tuple[float, float, float]
    offsets: tuple[float, float, float]
    crs: CloudCrs
    compressed: bool
    copc: bool
    columns: frozenset[str]
    header_min: tuple[float, float, float]
    header_max: tuple[float, float, float]
    warnings: tuple[str, ...]
    header: PublicHeader
    vlrs: tuple[Record, ...]
    evlrs: tuple[Record, ...]
    vlr_end: int
    tail_start: int
    compression: Compression | None = None
    chunks: ChunkTable | None = None

    @property
    def layout(self) -> Layout:
        """Where the fields sit in a point record."""
        return LAYOUTS[self.point_format]

    @cached_property
    def dimensions(self) -> Dimensions:
        """What the flight says of the bytes behind the standard's fields."""
        return read_dimensions((*self.vlrs, *self.evlrs), self.extra_bytes)

    @property
    def extra_bytes(self) -> int:
        """Bytes of a record behind the standard's fields."""
        return self.record_length - self.layout.size
