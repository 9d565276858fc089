"""The columns that a flight carries beyond the standard's, as its extra-bytes record describes them."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.errors import UsageError
from cloudprep.stages.registry import did_you_mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.io.las import Flight

__all__ = ["ExtraColumn", "extra_column", "extra_columns"]

# ASPRS LAS 1.4-R15, table 24 (extra bytes descriptor) and table 25 (data types).
_USER, _NUMBER = "LASF_Spec", 4
_DESCRIPTOR = 192
_TYPES = {1: "u1", 2: "i1", 3: "<u2", 4: "<i2", 5: "<u4", 6: "<i4", 7: "<u8", 8: "<i8", 9: "<f4", 10: "<f8"}
_LAST_DEPRECATED = 30
_SCALE_BIT, _OFFSET_BIT = 1 << 3, 1 << 4


@dataclass(frozen=True)
class ExtraColumn:
    """One column of the extra bytes.

    Parameters
    ----------
    name : str
        As the file spells it.
    dtype : str
        Type of the stored values, as numpy spells it.
    start : int
        First byte in a point record.
    scale, offset : float
        Value = stored * scale + offset.
    """

    name: str
    dtype: str
    start: int
    scale: float = 1.0
    offset: float = 0.0

    def read(self, records: NDArray[np.uint8]) -> NDArray[np.float64]:
        """Return the values of point records given as bytes, shape (n, record length)."""
        size = np.dtype(self.dtype).itemsize
        stored = np.ascontiguousarray(records[:, self.start : self.start + size]).view(self.dtype)[:, 0]
        values: NDArray[np.float64] = stored.astype(np.float64) * self.scale + self.offset
        return values


def extra_columns(flight: Flight) -> dict[str, ExtraColumn]:
    """Return the described columns with one value a point, by name; the first of a name counts.

    Parameters
    ----------
    flight : Flight
        An opened flight.
    """
    found: dict[str, ExtraColumn] = {}
    start = flight.layout.size
    for record in (*flight.vlrs, *flight.evlrs):
        if not record.is_a(_USER, _NUMBER):
            continue
        for at in range(0, len(record.payload) - _DESCRIPTOR + 1, _DESCRIPTOR):
            column, size = _described(record.payload[at : at + _DESCRIPTOR], start)
            if start + size > flight.record_length:
                return found  # described, but not there
            if column is not None:
                found.setdefault(column.name, column)
            start += size
        break
    return found


def extra_column(flight: Flight, name: str) -> ExtraColumn:
    """Return one column.

    Raises
    ------
    UsageError
        If the flight has no such column, with those that it has.
    """
    found = extra_columns(flight)
    if name in found:
        return found[name]
    if not found:
        raise UsageError(f"{flight.path}: carries no extra columns, so none is called '{name}'")
    raise UsageError(f"{flight.path}: no extra column is called '{name}'{did_you_mean(name, list(found))}")


def _described(descriptor: bytes, start: int) -> tuple[ExtraColumn | None, int]:
    """Return the column that a descriptor tells of (None where it holds no single number), and its bytes."""
    kind, options = descriptor[2], descriptor[3]
    if kind == 0:
        return None, options
    if kind not in _TYPES:
        repeated, single = divmod(kind - 1, len(_TYPES))
        size = np.dtype(_TYPES[single + 1]).itemsize * (repeated + 1) if kind <= _LAST_DEPRECATED else 0
        return None, size
    name = descriptor[4:36].split(b"\0", 1)[0].decode("utf-8", "replace").strip()
    (scale,) = struct.unpack_from("<d", descriptor, 112) if options & _SCALE_BIT else (1.0,)
    (offset,) = struct.unpack_from("<d", descriptor, 136) if options & _OFFSET_BIT else (0.0,)
    return ExtraColumn(name, _TYPES[kind], start, scale, offset), np.dtype(_TYPES[kind]).itemsize
