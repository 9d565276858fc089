"""What lies behind the standard's fields of a point record, as the extra-bytes record describes it."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.io.las.records import SPECIFICATION_USER
from cloudprep.model.columns import COLUMNS, EXTRA_LABELS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cloudprep.io.las.records import Record

EXTRA_BYTES_ID = 4

# ASPRS LAS 1.4-R15, table 24 (extra bytes descriptor) and table 25 (data types).
DESCRIPTOR = 192
TYPES = {1: "u1", 2: "i1", 3: "<u2", 4: "<i2", 5: "<u4", 6: "<i4", 7: "<u8", 8: "<i8", 9: "<f4", 10: "<f8"}
LONGEST_NAME = 32
_HEAD = struct.Struct("<2xBB32s4x")
_NOTE_AT = 160
_NO_DATA_AT = 40
_SCALES_AT, _OFFSETS_AT = 112, 136
_UNDOCUMENTED = 0
_LAST_DEPRECATED = 30
_NO_DATA_BIT, _SCALE_BIT, _OFFSET_BIT = 1, 1 << 3, 1 << 4
# The size of undocumented bytes stands where other types have their options. Measured, laspy 2.7 takes it for
# both and fails on sizes in which the bits of scale or offset are set: such sizes are cut in two.
_GOOD_SIZES = [n for n in range(1, 0x100) if not n & (_SCALE_BIT | _OFFSET_BIT)]


@dataclass(frozen=True)
class Dimension:
    """One described piece of the extra bytes.

    Parameters
    ----------
    name : str
        As the file spells it.
    dtype : str or None
        Type of the stored values, as numpy spells it; None where there isn't a single number.
    start, size : int
        Its place behind the standard's fields, and its length, bytes.
    raw : bytes
        Its descriptor.
    scale, offset : float
        Value = stored * scale + offset.
    """

    name: str
    dtype: str | None
    start: int
    size: int
    raw: bytes
    scale: float = 1.0
    offset: float = 0.0

    @property
    def kind(self) -> str:
        """Its type in words."""
        if self.dtype is None:
            return f"{self.size} bytes that aren't a single number"
        scaled = (self.scale, self.offset) != (1.0, 0.0)
        return f"{np.dtype(self.dtype).name}{', scaled' if scaled else ''}"


@dataclass(frozen=True)
class Dimensions:
    """What an extra-bytes record says of the bytes that are there.

    Parameters
    ----------
    record : Record or None
        The record; the first one counts.
    found : tuple of Dimension
        In the order of the bytes.
    described : int
        Bytes that they cover.
    whole : bool
        Whether every byte of the record could be understood and placed.
    """

    record: Record | None = None
    found: tuple[Dimension, ...] = ()
    described: int = 0
    whole: bool = True

    def named(self, name: str) -> Dimension | None:
        """Return the dimension of a name (the first one counts), or None."""
        return next((d for d in self.found if d.name == name), None)


def read_dimensions(records: Iterable[Record], room: int) -> Dimensions:
    """Read what is said of the extra bytes.

    Parameters
    ----------
    records : iterable of Record
        Those before the points, then those behind them.
    room : int
        Extra bytes that a point record really has.

    Returns
    -------
    Dimensions
        Up to the first one that isn't there or whose size the standard doesn't tell.
    """
    record = next((r for r in records if r.is_a(SPECIFICATION_USER, EXTRA_BYTES_ID)), None)
    if record is None:
        return Dimensions()
    found: list[Dimension] = []
    start = 0
    for at in range(0, len(record.payload) - DESCRIPTOR + 1, DESCRIPTOR):
        one = _read_descriptor(record.payload[at : at + DESCRIPTOR], start)
        if one is None or start + one.size > room:
            break
        found.append(one)
        start += one.size
    whole = len(found) * DESCRIPTOR == len(record.payload)
    return Dimensions(record, tuple(found), start, whole)


def _read_descriptor(raw: bytes, start: int) -> Dimension | None:
    """Return what a descriptor says; None where the standard doesn't know the type."""
    kind, options, name_field = _HEAD.unpack_from(raw)
    name = name_field.split(b"\0", 1)[0].decode("utf-8", "replace").strip()
    if kind == _UNDOCUMENTED:
        return Dimension(name, None, start, options, raw)
    if kind > _LAST_DEPRECATED:
        return None
    several, single = divmod(kind - 1, len(TYPES))
    size = np.dtype(TYPES[single + 1]).itemsize * (several + 1)
    if several:
        return Dimension(name, None, start, size, raw)
    (scale,) = struct.unpack_from("<d", raw, _SCALES_AT) if options & _SCALE_BIT else (1.0,)
    (offset,) = struct.unpack_from("<d", raw, _OFFSETS_AT) if options & _OFFSET_BIT else (0.0,)
    return Dimension(name, TYPES[kind], start, size, raw, scale, offset)


def carried_labels(dimensions: Dimensions) -> dict[str, int]:
    """Return where labels begin that have no field of the standard and are carried in their own type.

    Lengths are left out: no field of the standard tells which unit they are in.
    """
    found = {}
    for name in EXTRA_LABELS:
        one = dimensions.named(name)
        if one is not None and is_label(one) and COLUMNS[name].unit != "m":
            found[name] = one.start
    return found


def is_label(dimension: Dimension) -> bool:
    """Tell whether a dimension stores the values of the label of its name as they are."""
    dtype = COLUMNS[dimension.name].dtype
    plain = (dimension.scale, dimension.offset) == (1.0, 0.0)
    return dimension.dtype is not None and np.dtype(dimension.dtype) == dtype and plain


def label_descriptor(name: str, height_unit: str = "m") -> bytes:
    """Return the descriptor of a label column: its name, its type, and the value that says nothing.

    Parameters
    ----------
    name : str
        Of the label.
    height_unit : str
        Unit of its values where they are heights, for the description.
    """
    column = COLUMNS[name]
    kind = next(k for k, spelled in TYPES.items() if np.dtype(spelled) == column.dtype)
    raw = bytearray(DESCRIPTOR)
    _HEAD.pack_into(raw, 0, kind, _NO_DATA_BIT, name.encode())
    # Both integers and floats are stored as eight bytes (LAS 1.4-R15, "Extra Bytes").
    spelled = "<d" if column.dtype.kind == "f" else "<Q"
    struct.pack_into(spelled, raw, _NO_DATA_AT, column.dtype.type(column.nothing).item())
    note = column.note.format(unit=height_unit).encode()
    raw[_NOTE_AT : _NOTE_AT + len(note)] = note
    return bytes(raw)


def undocumented_descriptors(size: int, taken: Iterable[str]) -> list[bytes]:
    """Return descriptors for bytes that nothing is known of: the place of what follows hangs on them.

    Parameters
    ----------
    size : int
        How many bytes.
    taken : iterable of str
        Names that other dimensions have.
    """
    names = set(taken)
    made = []
    number = 1
    while size > 0:
        name = "undocumented" if number == 1 else f"undocumented_{number}"
        number += 1
        if name in names:
            continue
        piece = max(n for n in _GOOD_SIZES if n <= size)
        raw = bytearray(DESCRIPTOR)
        _HEAD.pack_into(raw, 0, _UNDOCUMENTED, piece, name.encode())
        made.append(bytes(raw))
        size -= piece
    return made
