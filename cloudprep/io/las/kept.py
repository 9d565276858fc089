"""Flights' records from one decompression to the next use of them."""

from __future__ import annotations

import os
import shutil
import tempfile
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from cloudprep.errors import OutputError
from cloudprep.io.atomic import PART_PREFIX, plain_reason
from cloudprep.io.las.opening import open_source

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.las.flight import Flight

HELD_BYTES = 8_000_000
"""So many bytes of records stay in memory."""

# Records of a flight take at most this share of the room that is free: what is delivered needs some, too.
_SHARE_OF_ROOM = 0.25
# Whole chunks of 50,000 points, as when they are decompressed.
_PIECE_POINTS = 500_000


class Shelf:
    """Where records of the flights of a run are kept: few in memory, the others in a file without a name.

    In memory they would be among the largest things of a run, and be there from its first minute to its
    last. The file is gone with the process, however that ends.

    Parameters
    ----------
    folder : Path
        Where the file may be.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.in_memory = 0
        self._file: BinaryIO | None = None
        self._end = 0

    def __del__(self) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def has_room(self, size: int) -> bool:
        """Tell whether so many more bytes may go into the file."""
        try:
            return size <= _SHARE_OF_ROOM * shutil.disk_usage(self.folder).free
        except OSError:
            return False

    def put(self, records: NDArray[np.uint8]) -> int:
        """Write records behind all others, and return where they are; an OSError if that can't be done."""
        if self._file is None:
            # It has a name only where the file system can't do without, and that goes at once.
            self._file = tempfile.TemporaryFile(buffering=0, prefix=PART_PREFIX, dir=self.folder)  # noqa: SIM115
        assert self._file is not None  # noqa: S101
        place, left = self._end, records.reshape(-1).data
        while len(left):
            done = os.pwrite(self._file.fileno(), left, self._end)
            self._end += done
            left = left[done:]
        return place

    def get(self, place: int, records: NDArray[np.uint8]) -> None:
        """Read records from a place on.

        Raises
        ------
        OutputError
            If they can't be read.
        """
        assert self._file is not None  # noqa: S101
        left = records.reshape(-1).data
        try:
            while len(left):
                got = os.preadv(self._file.fileno(), [left], place)
                if not got:
                    raise OutputError(f"{self.folder}: a scratch file ends too early")
                place += got
                left = left[got:]
        except OSError as error:
            raise OutputError(f"{self.folder}: scratch can't be read: {plain_reason(error)}") from error


class KeptRecords:
    """All records of a compressed flight, kept since it was read, so as to deliver it.

    Parameters
    ----------
    flight : Flight
        The source.
    shelf : Shelf
        Where they are meanwhile. If there is no room, ``lost`` becomes true: nothing is kept then.
    """

    def __init__(self, flight: Flight, shelf: Shelf) -> None:
        self._flight = flight
        self._shelf = shelf
        self._in_memory = shelf.in_memory + self._size <= HELD_BYTES
        shelf.in_memory += self._size if self._in_memory else 0
        # Arrays, or how many records are where in the file.
        self._pieces: list[NDArray[np.uint8] | tuple[int, int]] = []
        self._count = 0
        self.lost = not (self._in_memory or shelf.has_room(self._size))

    @property
    def _size(self) -> int:
        return self._flight.count * self._flight.record_length

    def add(self, records: NDArray[np.uint8]) -> None:
        """Take the next records, shape (n, record_length), decompressed in full; nobody else may use them."""
        if self.lost:
            return
        if self._in_memory:
            self._pieces.append(records)
        else:
            try:
                self._pieces.append((self._shelf.put(records), len(records)))
            except OSError:
                self.lost = True
                self._pieces, self._count = [], 0
                return
        self._count += len(records)

    def __len__(self) -> int:
        """Return the number of records."""
        return self._count

    def take(self) -> Iterator[tuple[int, NDArray[np.uint8]]]:
        """Give the records away, once, and let go of them on the way.

        Yields
        ------
        start : int
            Row of the first record.
        records : ndarray of uint8, shape (n, record_length)
            Theirs to change.

        Raises
        ------
        BadInputError
            If the file changed since it was opened.
        OutputError
            If what was kept can't be read.
        """
        with open_source(self._flight.path, expected=(self._flight.size_bytes, self._flight.modified_ns)):
            pieces, self._pieces, self._count = self._pieces[::-1], [], 0
        start = 0
        while pieces:
            piece = pieces.pop()
            for records in self._of(piece):
                yield start, records
                start += len(records)
            del piece, records

    def _of(self, piece: NDArray[np.uint8] | tuple[int, int]) -> Iterator[NDArray[np.uint8]]:
        if isinstance(piece, np.ndarray):
            yield piece
            return
        place, count = piece
        length = self._flight.record_length
        for first in range(0, count, _PIECE_POINTS):
            records = np.empty((min(_PIECE_POINTS, count - first), length), np.uint8)
            self._shelf.get(place + first * length, records)
            yield records
            del records
