"""A flight's records from one decompression to the next use of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.io.las.opening import open_source

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    from numpy.typing import NDArray

    from cloudprep.io.las.flight import Flight


class KeptRecords:
    """All records of a compressed flight, kept in memory since it was read, so as to deliver it.

    Parameters
    ----------
    flight : Flight
        The source.
    """

    def __init__(self, flight: Flight) -> None:
        self._flight = flight
        self._pieces: list[NDArray[np.uint8]] = []

    def add(self, records: NDArray[np.uint8]) -> None:
        """Take the next records, shape (n, record_length), decompressed in full; nobody else may use them."""
        self._pieces.append(records)

    def __len__(self) -> int:
        """Return the number of records."""
        return sum(len(piece) for piece in self._pieces)

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
        """
        with open_source(self._flight.path, expected=(self._flight.size_bytes, self._flight.modified_ns)):
            pieces, self._pieces = self._pieces[::-1], []
        start = 0
        while pieces:
            records = pieces.pop()
            yield start, records
            start += len(records)
            del records
