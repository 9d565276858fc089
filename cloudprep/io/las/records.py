"""Variable-length records before the points, and extended ones behind them."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from collections.abc import Iterable

VLR_HEADER = 54
EVLR_HEADER = 60
PROJECTION_USER = "LASF_Projection"
SPECIFICATION_USER = "LASF_Spec"
COPC_USER = "copc"
LASZIP_USER = "laszip encoded"
LASZIP_ID = 22204
SUPERSEDED_ID = 7
WAVEFORM_PACKETS_ID = 65535
LARGEST_PAYLOAD = 0xFFFF

# A header that promises more records than this is rotten; reading on would take very long.
_MOST_RECORDS = 65_536
# Payloads of extended records are kept in memory only up to this size (waveforms can be terabytes).
_LARGEST_KEPT = 1 << 20


@dataclass(frozen=True)
class Record:
    """One record.

    Parameters
    ----------
    user : str
        Whose record it is; what follows the terminating zero is left out here, but kept in ``raw``.
    number : int
        The record id.
    start, length : int
        Where the whole record (header included) lies in the file, bytes.
    payload : bytes
        Its contents; empty for an extended record of more than a megabyte.
    raw : bytes
        A VLR's whole bytes; empty for extended records, which are copied from the file.
    """

    user: str
    number: int
    start: int
    length: int
    payload: bytes
    raw: bytes = b""

    def is_a(self, user: str, number: int) -> bool:
        """Tell whether this is the record with these two names."""
        return self.user == user and self.number == number

    @property
    def is_copc(self) -> bool:
        """Whether the record belongs to the COPC index, which a plain LAZ file must not carry."""
        return self.user == COPC_USER and self.number in {1, 1000}


@dataclass(frozen=True)
class Records:
    """What was found, with where the readable part ends and what was odd."""

    found: tuple[Record, ...]
    end: int
    warnings: tuple[str, ...] = ()


def user_of(field: bytes) -> str:
    """Return a record's user name: the text before the first zero byte.

    >>> user_of(b"LASF_Spec" + bytes(1) + b"rubbis")
    'LASF_Spec'
    """
    return field.split(b"\0", 1)[0].decode("latin-1").rstrip()


def read_vlrs(file: BinaryIO, start: int, promised: int, limit: int) -> Records:
    """Read the records between the header and the points.

    Parameters
    ----------
    file : binary file
        Open for reading.
    start : int
        Where the header ends.
    promised : int
        How many the header names.
    limit : int
        Where the points begin: no record may reach past it.

    Returns
    -------
    Records
        All that fit; a record that doesn't ends the walk with a warning.
    """
    found: list[Record] = []
    position = start
    file.seek(start)
    while len(found) < min(promised, _MOST_RECORDS):
        head = file.read(VLR_HEADER) if position + VLR_HEADER <= limit else b""
        size = struct.unpack_from("<H", head, 20)[0] if len(head) == VLR_HEADER else 0
        end = position + VLR_HEADER + size
        payload = file.read(size) if len(head) == VLR_HEADER and end <= limit else None
        if payload is None or len(payload) < size:
            words = f"record {len(found) + 1} of {promised} doesn't fit before the points; it is left unread"
            return Records(tuple(found), position, (words,))
        user, number = user_of(head[2:18]), struct.unpack_from("<H", head, 18)[0]
        found.append(Record(user, number, position, end - position, payload, head + payload))
        position = end
    return Records(tuple(found), position)


def read_evlrs(file: BinaryIO, start: int, promised: int, file_size: int) -> Records:
    """Read the heads of the extended records, and the contents of small ones.

    Parameters
    ----------
    file : binary file
        Open for reading.
    start : int
        Where the first one begins.
    promised : int
        How many the header names.
    file_size : int
        Where the file ends.

    Returns
    -------
    Records
        All that are whole; a record that reaches past the end of the file ends the walk with a warning.
    """
    found: list[Record] = []
    position = start
    while len(found) < min(promised, _MOST_RECORDS):
        # Numbers of 64 bits may be too large even to go there.
        file.seek(min(position, file_size))
        head = file.read(EVLR_HEADER)
        size = struct.unpack_from("<Q", head, 20)[0] if len(head) == EVLR_HEADER else 0
        end = position + EVLR_HEADER + size
        if len(head) < EVLR_HEADER or end > file_size:
            words = f"extended record {len(found) + 1} of {promised} reaches past the end of the file"
            return Records(tuple(found), position, (words,))
        payload = file.read(size) if size <= _LARGEST_KEPT else b""
        user, number = user_of(head[2:18]), struct.unpack_from("<H", head, 18)[0]
        found.append(Record(user, number, position, end - position, payload))
        position = end
    return Records(tuple(found), position)


def make_vlr(user: str, number: int, description: str, payload: bytes) -> bytes:
    """Return the bytes of a VLR.

    Parameters
    ----------
    user, description : str
        At most 16 and 32 characters.
    number : int
        The record id.
    payload : bytes
        At most 65,535 bytes.
    """
    head = struct.pack("<H16sHH32s", 0, user.encode(), number, len(payload), description.encode())
    return head + payload


def any_record(records: Iterable[Record], user: str, number: int) -> Record | None:
    """Return the first record with these two names, or None."""
    return next((record for record in records if record.is_a(user, number)), None)
