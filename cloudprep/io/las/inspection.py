"""Opening a source file: everything is checked before a point is used."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from cloudprep.errors import BadInputError
from cloudprep.io.las.chunk_table import (
    ChunkTable,
    ChunkTableError,
    CutError,
    UnfinishedError,
    read_chunk_table,
)
from cloudprep.io.las.compression import Compression, CompressionError, read_compression
from cloudprep.io.las.counting import Present, settle_count
from cloudprep.io.las.crs import read_crs
from cloudprep.io.las.extra_bytes import carried_labels, read_dimensions
from cloudprep.io.las.flight import Flight
from cloudprep.io.las.header import (
    HEADER_SIZE,
    SHORTEST_HEADER,
    WAVES_INSIDE,
    WAVES_OUTSIDE,
    HeaderError,
    parse_header,
)
from cloudprep.io.las.layout import LAYOUTS
from cloudprep.io.las.opening import open_source
from cloudprep.io.las.records import (
    LASZIP_ID,
    LASZIP_USER,
    Records,
    any_record,
    read_evlrs,
    read_vlrs,
)
from cloudprep.io.las.stream import probe_chunk

if TYPE_CHECKING:
    from cloudprep.io.las.header import PublicHeader

# Formats 6 to 10 stored as older ones with extra bytes, as some programs of about 2014 did.
_STAND_IN_USER = "lascompatible"
_PROBED_CHUNK = 200_000


def open_flight(path: Path, *, probe: bool = True) -> Flight:
    """Open a LAS, LAZ or COPC file and check it; points are read by ``read_columns``.

    Checked are the header, the records, the chunk table against the file's size, and the first and the last
    chunk of compressed points; the names of files play no role (an ending that disagrees is warned about).

    Parameters
    ----------
    path : Path
        Any file.
    probe : bool
        Whether to unpack these two chunks: what takes longest, and isn't needed to know where a flight lies.

    Returns
    -------
    Flight
        What was found.

    Raises
    ------
    BadInputError
        If the file can't be used, with one line that says why.
    """
    path = Path(path)
    with open_source(path) as file:
        facts = path.stat()
        try:
            flight = _inspected(file, path, facts.st_size, facts.st_mtime_ns)
        except (HeaderError, CompressionError) as error:
            raise BadInputError(path, str(error)) from error
    if probe:
        _probe(flight)
    return flight


def _inspected(file: BinaryIO, path: Path, size: int, modified_ns: int) -> Flight:
    header = parse_header(_header_bytes(file))
    if header.offset_to_points > size:
        raise HeaderError(_cut_before_points(header, size))
    vlrs = read_vlrs(file, len(header.raw), header.record_count, header.offset_to_points)
    evlrs = _extended_records(file, header, size)
    compression = chunks = None
    if header.compressed:
        compression = _compression(header, vlrs)
        chunks = _chunks(file, header, compression, size)
        present = Present(chunks.fewest_points, chunks.most_points)
    else:
        room = _room(header, size)
        present = Present(room, room)
    count, odd_counts = settle_count(header, present)
    if chunks is not None:
        chunks = chunks.limited(count)
        tail_start = chunks.end
    else:
        tail_start = header.offset_to_points + count * header.record_length
    if evlrs.warnings and count:
        raise HeaderError(f"the file is cut short: {evlrs.warnings[0]}")
    layout = LAYOUTS[header.point_format]
    dimensions = read_dimensions((*vlrs.found, *evlrs.found), header.record_length - layout.size)
    return Flight(
        path=path,
        size_bytes=size,
        modified_ns=modified_ns,
        version=header.version,
        point_format=header.point_format,
        record_length=header.record_length,
        count=count,
        scales=header.scales,
        offsets=header.offsets,
        crs=read_crs((*vlrs.found, *evlrs.found), header.encoding, header.version),
        compressed=header.compressed,
        copc=any(record.is_copc for record in vlrs.found),
        columns=layout.columns.union(carried_labels(dimensions)),
        header_min=header.minimum,
        header_max=header.maximum,
        warnings=(*_oddities(path, header, vlrs), *odd_counts),
        header=header,
        vlrs=vlrs.found,
        evlrs=evlrs.found,
        vlr_end=vlrs.end,
        tail_start=min(tail_start, size),
        compression=compression,
        chunks=chunks,
    )


def _header_bytes(file: BinaryIO) -> bytes:
    data = file.read(SHORTEST_HEADER)
    if len(data) == SHORTEST_HEADER:
        (length,) = struct.unpack_from("<H", data, HEADER_SIZE)
        data += file.read(max(0, length - SHORTEST_HEADER))
    return data


def _cut_before_points(header: PublicHeader, size: int) -> str:
    promised = header.count or header.legacy_count
    return (
        f"the file is cut short: it promises {promised:,} points from byte {header.offset_to_points:,} on"
        f" and ends at byte {size:,}; 0 points are there"
    )


def _extended_records(file: BinaryIO, header: PublicHeader, size: int) -> Records:
    if not header.evlr_count or header.evlr_start < header.offset_to_points:
        return Records((), size)
    return read_evlrs(file, header.evlr_start, header.evlr_count, size)


def _compression(header: PublicHeader, vlrs: Records) -> Compression:
    record = any_record(vlrs.found, LASZIP_USER, LASZIP_ID)
    if record is None:
        raise CompressionError("its points are compressed, yet the record that says how is missing")
    return read_compression(record.payload, header.point_format, header.record_length)


def _chunks(file: BinaryIO, header: PublicHeader, compression: Compression, size: int) -> ChunkTable:
    """Read the chunk table; what goes wrong is said together with the number of points promised."""
    promised = header.count or header.legacy_count
    if not promised and size <= header.offset_to_points + 8:
        return ChunkTable.empty(size)
    try:
        return read_chunk_table(file, compression, header.record_length, header.offset_to_points, size)
    except CutError as error:
        amount = "none" if not error.share else f"about {int(promised * error.share):,}"
        raise HeaderError(
            f"the file is cut short: it promises {promised:,} points, {amount} are there"
        ) from error
    except UnfinishedError as error:
        there = size - header.offset_to_points - 8
        raise HeaderError(
            f"{error} (its header promises {promised:,} points; {there:,} bytes of points are there)"
        ) from error
    except ChunkTableError as error:
        raise HeaderError(f"the compressed points can't be found: {error}") from error


def _room(header: PublicHeader, size: int) -> int:
    """Return how many uncompressed records there are bytes for."""
    end = size
    if header.evlr_count and header.offset_to_points <= header.evlr_start <= size:
        end = header.evlr_start
    waves = header.encoding & WAVES_INSIDE and LAYOUTS[header.point_format].waves is not None
    if waves and header.offset_to_points <= header.waveform_start < end:
        end = header.waveform_start
    return (end - header.offset_to_points) // header.record_length


def _oddities(path: Path, header: PublicHeader, vlrs: Records) -> tuple[str, ...]:
    found = list(vlrs.warnings)
    ending = path.suffix.lower()
    if header.compressed and ending == ".las":
        found.append("the name ends in .las, yet the points are compressed (LAZ); read as LAZ")
    if not header.compressed and ending == ".laz":
        found.append("the name ends in .laz, yet the points aren't compressed; read as LAS")
    if header.version[1] >= 4 and not header.extended:
        found.append(f"a LAS 1.4 header of {len(header.raw)} bytes is too short; read like an older one")
    if header.evlr_count and header.evlr_start < header.offset_to_points:
        found.append("extended records are said to lie before the points; they are left unread")
    if header.encoding & WAVES_OUTSIDE and LAYOUTS[header.point_format].waves is not None:
        found.append("its waveforms lie in a file of their own (.wdp), which isn't copied")
    if any(record.user == _STAND_IN_USER for record in vlrs.found):
        found.append(
            "point formats 6 to 10 were stored as an older one; classes above 31 are in its extra bytes"
        )
    return tuple(found)


def _probe(flight: Flight) -> None:
    """Decompress the first and the last chunk, so that damage shows before a long run begins."""
    if flight.compression is None or flight.chunks is None or not flight.count:
        return
    counts = flight.chunks.counts
    for number in sorted({0, len(counts) - 1}):
        if counts[number] <= _PROBED_CHUNK:
            probe_chunk(flight, flight.compression, flight.chunks, number)
