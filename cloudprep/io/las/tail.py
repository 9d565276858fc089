"""What lies behind the points: extended records and waveforms, copied as they are."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO

from cloudprep.errors import BadInputError
from cloudprep.io.las.header import EVLR_START, WAVEFORM_START
from cloudprep.io.las.opening import open_source
from cloudprep.io.las.records import EVLR_HEADER, WAVEFORM_PACKETS_ID

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from cloudprep.io.las.flight import Flight
    from cloudprep.io.las.records import Record

_COPIED_AT_ONCE = 1 << 20


def copy_tail(
    flight: Flight, output: BinaryIO, header: bytearray, *, upgraded: bool, replaced: Record | None = None
) -> tuple[str, ...]:
    """Copy what lies behind the source's points, and say in the header where it lies now.

    Parameters
    ----------
    flight : Flight
        The source.
    output : binary file
        Open for writing, at the end of the points.
    header : bytearray
        Of the output; changed in place.
    upgraded : bool
        Whether the header becomes one of LAS 1.4, which also names a waveform record as an extended one.
    replaced : Record, optional
        A record of the source that another one before the points stands for now; it may be an extended one.

    Returns
    -------
    tuple of str
        What the user should know.
    """
    start = output.tell()
    kept = [r for r in flight.evlrs if not (flight.copc and r.is_copc) and r is not replaced]
    pieces = [(flight.tail_start, flight.size_bytes)]
    if replaced is not None and any(r is replaced for r in flight.evlrs):
        pieces = [(flight.tail_start, replaced.start), (replaced.start + replaced.length, flight.size_bytes)]
    if flight.copc:
        pieces = [(record.start, record.start + record.length) for record in kept]
    moved = _moved(pieces, start)
    output.writelines(_contents(flight, pieces))
    first = kept[0].start if kept else 0 if flight.evlrs else flight.header.evlr_start
    count = len(kept)
    waveforms = flight.header.waveform_start
    if flight.header.has_waveform_field:
        struct.pack_into("<Q", header, WAVEFORM_START, moved(waveforms))
    if upgraded and not count and _is_waveform_record(flight, waveforms):
        first, count = waveforms, 1
    if flight.header.extended or upgraded:
        struct.pack_into("<QI", header, EVLR_START, moved(first), count)
    return _unnamed(flight)


def _moved(pieces: list[tuple[int, int]], start: int) -> Callable[[int], int]:
    """Return a function that maps positions in the source to positions in the output.

    A position that lies in nothing copied (0 means "none") stays as it is.
    """

    def moved(position: int) -> int:
        here = start
        for begin, end in pieces:
            if begin <= position < end:
                return here + position - begin
            here += end - begin
        return position

    return moved


def _contents(flight: Flight, pieces: list[tuple[int, int]]) -> Iterator[bytes]:
    """Yield the bytes of parts of the source."""
    with open_source(flight.path, expected=(flight.size_bytes, flight.modified_ns)) as file:
        for begin, end in pieces:
            file.seek(begin)
            left = end - begin
            while left:
                data = file.read(min(left, _COPIED_AT_ONCE))
                if not data:
                    raise BadInputError(flight.path, f"can't be read on from byte {end - left:,}")
                yield data
                left -= len(data)


def _is_waveform_record(flight: Flight, start: int) -> bool:
    """Tell whether waveforms lie in a whole extended record (LAS 1.3 has no field that names it as one)."""
    if not flight.tail_start <= start <= flight.size_bytes - EVLR_HEADER:
        return False
    with open_source(flight.path) as file:
        file.seek(start)
        head = file.read(EVLR_HEADER)
    number, length = struct.unpack_from("<HQ", head, 18)
    return bool(number == WAVEFORM_PACKETS_ID and start + EVLR_HEADER + length <= flight.size_bytes)


def _unnamed(flight: Flight) -> tuple[str, ...]:
    """Say that there are bytes behind the points which no field of the header names."""
    named = [record.start for record in flight.evlrs]
    if flight.tail_start <= flight.header.waveform_start < flight.size_bytes:
        named.append(flight.header.waveform_start)
    unnamed = min(named, default=flight.size_bytes) - flight.tail_start
    if unnamed <= 0 or flight.copc:
        return ()
    return (f"{unnamed:,} bytes behind the points belong to nothing the header names; copied as they are",)
