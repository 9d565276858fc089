"""Where each block of compressed points lies, checked before a decompressor sees it.

A garbage table ends the whole process inside the compiled decompressor (it asks for as much memory as the
table says), which no ``except`` can catch. So it is read here, and held against the file.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from cloudprep.io.las.arithmetic import DamagedCodeError, decode_chunk_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.io.las.compression import Compression

_POINTER = struct.Struct("<q")
_TABLE_HEAD = struct.Struct("<II")
# A program that couldn't go back in its file writes -1 here, and the real pointer as the file's last 8 bytes.
_AT_THE_END = -1
# Two numbers a chunk, at most 54 bits each: two rare symbols of 15 bits and 24 plain ones.
_MOST_BYTES_PER_CHUNK = 16

# Compressed random bytes are about as long as before; twice as long, and some kilobytes, is garbage.
_MOST_EXPANSION = 2
_MOST_OVERHEAD = 8192


class ChunkTableError(ValueError):
    """What is wrong with a chunk table, in words for people."""


class UnfinishedError(ChunkTableError):
    """The writing program never came to write the table."""


class CutError(ChunkTableError):
    """The file ends before the place where the table should be."""

    def __init__(self, share: float) -> None:
        self.share = share
        super().__init__(f"the file is cut short: about {share:.0%} of its compressed points are there")


@dataclass(frozen=True, eq=False)
class ChunkTable:
    """The blocks of compressed points.

    Parameters
    ----------
    start : int
        Where the first block begins, bytes.
    end : int
        Where the table itself ends, bytes.
    sizes : ndarray of int64, shape (n,)
        Bytes of each block.
    counts : ndarray of int64, shape (n,)
        Points in each block. Where all blocks are of one length the last one's is only an upper bound until
        ``limited`` to the file's number of points.
    exact : bool
        Whether the counts are the file's own, the last one's included.
    """

    start: int
    end: int
    sizes: NDArray[np.int64]
    counts: NDArray[np.int64]
    exact: bool

    @property
    def most_points(self) -> int:
        """Points there, at most."""
        return int(self.counts.sum())

    @property
    def fewest_points(self) -> int:
        """Points there, at least."""
        if self.exact or not len(self.counts):
            return self.most_points
        return int(self.counts[:-1].sum()) + 1

    @classmethod
    def empty(cls, end: int) -> ChunkTable:
        """Return the table of a file without points."""
        return cls(end, end, np.zeros(0, np.int64), np.zeros(0, np.int64), exact=True)

    def limited(self, count: int) -> ChunkTable:
        """Return the table of the first ``count`` points."""
        before = np.concatenate([[0], np.cumsum(self.counts)[:-1]])
        counts = np.clip(count - before, 0, self.counts)
        used = counts > 0
        return ChunkTable(self.start, self.end, self.sizes[used], counts[used], exact=True)


def read_chunk_table(
    file: BinaryIO, compression: Compression, record_length: int, offset_to_points: int, file_size: int
) -> ChunkTable:
    """Read and check the table of blocks.

    Parameters
    ----------
    file : binary file
        Open for reading.
    compression : Compression
        How the points are compressed.
    record_length : int
        Bytes of an uncompressed point.
    offset_to_points : int
        Where the pointer to the table stands.
    file_size : int
        Where the file ends.

    Returns
    -------
    ChunkTable
        Blocks without points left out.

    Raises
    ------
    UnfinishedError
        If the table was never written.
    CutError
        If the file ends too early.
    ChunkTableError
        If it contradicts the file.
    """
    start = offset_to_points + _POINTER.size
    if start > file_size:
        raise CutError(0.0)
    position, end_of_file = _table_position(file, offset_to_points, start, file_size)
    file.seek(position)
    version, chunks = _TABLE_HEAD.unpack(file.read(_TABLE_HEAD.size))
    # Every block keeps its first point uncompressed; some writers close with one empty block.
    most = (position - start) // record_length + 1
    if version != 0 or chunks > most:
        raise ChunkTableError(f"its chunk table is garbage (version {version}, {chunks:,} chunks)")
    coded = file.read(min(chunks * _MOST_BYTES_PER_CHUNK + 64, file_size))
    try:
        counts, sizes, length = decode_chunk_table(
            coded, chunks, position - start, with_counts=not compression.chunk_points
        )
    except DamagedCodeError as error:
        raise ChunkTableError(f"its chunk table is garbage ({error})") from error
    total = sum(sizes)
    if total != position - start:
        raise ChunkTableError(
            f"its chunk table is garbage (it names {total:,} bytes of compressed points;"
            f" {position - start:,} are there)"
        )
    size_array = np.array(sizes, np.int64)
    if compression.chunk_points:
        count_array = np.where(size_array > 0, compression.chunk_points, 0).astype(np.int64)
    else:
        count_array = np.array(counts, np.int64)
    least = record_length + (4 + 4 * compression.layers if compression.layered else 0)
    if chunks and size_array[-1] < least and compression.chunk_points:
        # Some writers close with a chunk that holds no point, but the coder's last bytes.
        size_array, count_array = size_array[:-1], count_array[:-1]
    used = (count_array > 0) | (size_array > 0)
    most_bytes = _MOST_EXPANSION * count_array * record_length + _MOST_OVERHEAD
    if (size_array[used] < least).any() or (size_array > most_bytes).any() or (count_array[used] == 0).any():
        raise ChunkTableError("its chunk table is garbage (it has impossible chunks)")
    end = position + _TABLE_HEAD.size + (length if chunks else 0)
    if end == end_of_file - _POINTER.size:
        end = end_of_file
    table = ChunkTable(start, end, size_array[used], count_array[used], exact=not compression.chunk_points)
    return _with_own_count(file, table, compression, record_length)


def _table_position(file: BinaryIO, pointer_at: int, start: int, file_size: int) -> tuple[int, int]:
    """Return where the table begins, and where the file ends if its last 8 bytes were needed (else 0)."""
    file.seek(pointer_at)
    position: int = _POINTER.unpack(file.read(_POINTER.size))[0]
    end_of_file = 0
    if position == _AT_THE_END:
        end_of_file = file_size
        file.seek(max(file_size - _POINTER.size, start))
        last = file.read(_POINTER.size)
        position = _POINTER.unpack(last)[0] if len(last) == _POINTER.size else _AT_THE_END
        if not start <= position <= file_size - _TABLE_HEAD.size - _POINTER.size:
            raise UnfinishedError("the chunk table is missing: the program that wrote the file was stopped")
    if position == 0:
        raise UnfinishedError("the chunk table is missing: the program that wrote the file was stopped")
    if position < start:
        raise ChunkTableError(f"its chunk table is said to begin at byte {position:,}, before the points")
    if position + _TABLE_HEAD.size > file_size:
        raise CutError((file_size - start) / (position - start) if position > start else 0.0)
    return position, end_of_file


def _with_own_count(
    file: BinaryIO, table: ChunkTable, compression: Compression, record_length: int
) -> ChunkTable:
    """Take the number of points in the last block from the block itself (layered ones say it)."""
    if table.exact or not compression.layered or not len(table.sizes):
        return table
    file.seek(table.start + int(table.sizes[:-1].sum()) + record_length)
    own = int.from_bytes(file.read(4), "little")
    if not 0 < own <= compression.chunk_points:
        raise ChunkTableError(f"its last chunk says that it holds {own:,} points")
    counts = table.counts.copy()
    counts[-1] = own
    return ChunkTable(table.start, table.end, table.sizes, counts, exact=True)
