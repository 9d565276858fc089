"""A flight's raw point records, piece by piece, in the file's order."""

from __future__ import annotations

import itertools
from contextlib import contextmanager
from typing import TYPE_CHECKING

import lazrs
import numpy as np

from cloudprep.errors import BadInputError
from cloudprep.io.las.damage import check_layers, check_places
from cloudprep.io.las.opening import open_source
from cloudprep.model.columns import EXTRA_LABELS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedReader

    from numpy.typing import NDArray

    from cloudprep.io.las.chunk_table import ChunkTable
    from cloudprep.io.las.compression import Compression
    from cloudprep.io.las.flight import Flight

EVERYTHING: int = lazrs.SELECTIVE_DECOMPRESS_ALL
XY_AND_RETURNS: int = lazrs.SELECTIVE_DECOMPRESS_XY_RETURNS_CHANNEL
HEIGHTS: int = lazrs.SELECTIVE_DECOMPRESS_Z
# The part of a chunk that must be decompressed to know a column; only formats 6 to 10 keep parts separate.
PART_OF_COLUMN: dict[str, int] = {
    "Z": HEIGHTS,
    "classification": lazrs.SELECTIVE_DECOMPRESS_CLASSIFICATION,
    "withheld": lazrs.SELECTIVE_DECOMPRESS_FLAGS,
    "overlap": lazrs.SELECTIVE_DECOMPRESS_FLAGS,
    "intensity": lazrs.SELECTIVE_DECOMPRESS_INTENSITY,
    "point_source_id": lazrs.SELECTIVE_DECOMPRESS_POINT_SOURCE_ID,
    "gps_time": lazrs.SELECTIVE_DECOMPRESS_GPS_TIME,
    "red": lazrs.SELECTIVE_DECOMPRESS_RGB,
    "green": lazrs.SELECTIVE_DECOMPRESS_RGB,
    "blue": lazrs.SELECTIVE_DECOMPRESS_RGB,
    "nir": lazrs.SELECTIVE_DECOMPRESS_NIR,
    **dict.fromkeys(EXTRA_LABELS, lazrs.SELECTIVE_DECOMPRESS_ALL_EXTRA_BYTES),
}

# A chunk of more points than this is decompressed piece by piece on one core, so that memory stays bounded.
LARGEST_WHOLE_CHUNK = 2_000_000


def iter_records(
    flight: Flight, batch_points: int, parts: int = EVERYTHING
) -> Iterator[tuple[int, NDArray[np.uint8]]]:
    """Yield a flight's records as bytes.

    Parameters
    ----------
    flight : Flight
        The source.
    batch_points : int
        Points at a time, about: compressed flights come in whole chunks where these are smaller.
    parts : int
        What to decompress (bits of lazrs); the bytes of the rest are then meaningless.

    Yields
    ------
    start : int
        Row of the first record.
    records : ndarray of uint8, shape (n, record_length)
        Theirs to change; valid until the next turn only, if the flight isn't compressed.

    Raises
    ------
    BadInputError
        If the file changed since it was opened, can't be read, or holds damaged points.
    """
    if flight.count == 0:
        return
    with open_source(flight.path, expected=(flight.size_bytes, flight.modified_ns)) as file:
        if flight.compression is None or flight.chunks is None:
            yield from _plain(file, flight, batch_points)
        else:
            yield from _compressed(file, flight, (flight.compression, flight.chunks), batch_points, parts)


def _plain(
    file: BufferedReader, flight: Flight, batch_points: int
) -> Iterator[tuple[int, NDArray[np.uint8]]]:
    file.seek(flight.header.offset_to_points)
    buffer = np.empty((min(batch_points, flight.count), flight.record_length), np.uint8)
    for start in range(0, flight.count, batch_points):
        piece = buffer[: min(batch_points, flight.count - start)]
        if file.readinto(piece.reshape(-1).data) < piece.nbytes:
            raise BadInputError(flight.path, f"can't be read on from point {start + 1:,}")
        yield start, piece


def _compressed(
    file: BufferedReader,
    flight: Flight,
    how: tuple[Compression, ChunkTable],
    batch_points: int,
    parts: int,
) -> Iterator[tuple[int, NDArray[np.uint8]]]:
    compression, chunks = how
    start = 0
    position = chunks.start
    for run in _runs(chunks, batch_points):
        counts, sizes = chunks.counts[run], chunks.sizes[run]
        if counts[0] > LARGEST_WHOLE_CHUNK:
            rows = range(start, start + int(counts[0]))
            file.seek(position)
            head = file.read(flight.record_length + 4 + 4 * compression.layers)
            check_layers(
                flight.path, compression, flight.record_length, memoryview(head), int(sizes[0]), rows
            )
            pieces = _large_chunk(file, flight, compression, rows, batch_points, parts)
        else:
            file.seek(position)
            data = file.read(int(sizes.sum()))
            pieces = iter([_decompressed(flight, compression, data, counts, sizes, start, parts)])
        for piece in pieces:
            for offset in range(0, len(piece), batch_points):
                yield start, piece[offset : offset + batch_points]
                start += min(batch_points, len(piece) - offset)
        position += int(sizes.sum())


def _runs(chunks: ChunkTable, batch_points: int) -> Iterator[slice]:
    """Group chunks that follow each other into runs of at most so many points (or one chunk)."""
    first, points = 0, 0
    for number, count in enumerate(chunks.counts):
        if number > first and points + count > batch_points:
            yield slice(first, number)
            first, points = number, 0
        points += int(count)
    if points:
        yield slice(first, len(chunks.counts))


def _decompressed(
    flight: Flight,
    compression: Compression,
    data: bytes,
    counts: NDArray[np.int64],
    sizes: NDArray[np.int64],
    start: int,
    parts: int,
) -> NDArray[np.uint8]:
    """Decompress chunks that follow each other, on all cores."""
    length = flight.record_length
    firsts = start + np.concatenate([[0], np.cumsum(counts)])
    begins = np.concatenate([[0], np.cumsum(sizes)])
    if len(data) < begins[-1]:
        raise BadInputError(flight.path, f"can't be read on from point {start + 1:,}")
    for number, (begin, end) in enumerate(itertools.pairwise(begins)):
        rows = range(int(firsts[number]), int(firsts[number + 1]))
        check_layers(flight.path, compression, length, memoryview(data)[begin:end], end - begin, rows)
    records = np.empty((int(counts.sum()), length), np.uint8)
    table = list(zip(counts.tolist(), sizes.tolist(), strict=True))
    try:
        with _decoding(flight, int(firsts[0]), int(firsts[-1])):
            lazrs.decompress_points_with_chunk_table(
                data,
                compression.record,
                records.reshape(-1),
                table,
                lazrs.DecompressionSelection(parts),
            )
    except BadInputError:
        if len(counts) == 1:
            raise
        # One of several: find out which, so that the message names its points.
        for number, (begin, end) in enumerate(itertools.pairwise(begins)):
            one = slice(number, number + 1)
            first = int(firsts[number])
            _decompressed(flight, compression, data[begin:end], counts[one], sizes[one], first, parts)
        raise
    if parts & HEIGHTS or not compression.layered:
        check_places(flight, records, firsts)
    return records


def _large_chunk(
    file: BufferedReader,
    flight: Flight,
    compression: Compression,
    rows: range,
    batch_points: int,
    parts: int,
) -> Iterator[NDArray[np.uint8]]:
    """Decompress one very large chunk in pieces."""
    file.seek(flight.header.offset_to_points)
    with _decoding(flight, rows.start, rows.stop):
        decoder = lazrs.LasZipDecompressor(file, compression.record, lazrs.DecompressionSelection(parts))
        decoder.seek(rows.start)
    for first in rows[::batch_points]:
        records = np.empty((min(batch_points, rows.stop - first), flight.record_length), np.uint8)
        with _decoding(flight, first, first + len(records)):
            decoder.decompress_many(records.reshape(-1))
        yield records


@contextmanager
def _decoding(flight: Flight, first: int, last: int) -> Iterator[None]:
    """Turn what the compiled decompressor throws into one line."""
    reason = f"the compressed points {first + 1:,} to {last:,} are damaged"
    try:
        yield
    except lazrs.LazrsError as error:
        raise BadInputError(flight.path, f"{reason} ({error})") from error
    except BaseException as error:
        # A panic of the compiled code: its class can't be imported, and it isn't an Exception.
        if type(error).__name__ != "PanicException":
            raise
        raise BadInputError(flight.path, f"{reason} (the decompressor failed)") from error


def probe_chunk(flight: Flight, compression: Compression, chunks: ChunkTable, number: int) -> None:
    """Decompress one chunk and throw it away.

    Raises
    ------
    BadInputError
        If it is damaged.
    """
    one = slice(number, number + 1)
    start = int(chunks.counts[:number].sum())
    with open_source(flight.path) as file:
        file.seek(chunks.start + int(chunks.sizes[:number].sum()))
        data = file.read(int(chunks.sizes[number]))
    _decompressed(flight, compression, data, chunks.counts[one], chunks.sizes[one], start, EVERYTHING)
