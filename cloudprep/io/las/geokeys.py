"""GeoTIFF keys of a cloud (OGC GeoTIFF 1.1, 19-008r4), read with patience."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

DIRECTORY_ID, DOUBLES_ID, TEXT_ID = 34735, 34736, 34737

MODEL_TYPE = 1024
CITATION = 1026
GEOGRAPHIC_CODE = 2048
ANGULAR_UNIT = 2054
PROJECTED_CODE = 3072
PROJECTED_CITATION = 3073
LINEAR_UNIT = 3076
LINEAR_UNIT_SIZE = 3077
VERTICAL_CODE = 4096
VERTICAL_UNIT = 4099

MODEL_PROJECTED, MODEL_GEOGRAPHIC, MODEL_GEOCENTRIC = 1, 2, 3
USER_DEFINED = 32767
_SMALLEST_CODE, _LARGEST_CODE = 1024, 32766
_NUMBER = struct.Struct("<d")


@dataclass(frozen=True)
class GeoKeys:
    """Keys and their values.

    Parameters
    ----------
    values : mapping of int to int, float or str
        By key; of several numbers, the first.
    warnings : tuple of str
        What was odd.
    """

    values: Mapping[int, int | float | str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def code(self, key: int) -> int | None:
        """Return a key's EPSG code, or None where it names none (or is user-defined)."""
        value = self.values.get(key)
        if isinstance(value, int) and _SMALLEST_CODE <= value <= _LARGEST_CODE:
            return value
        return None

    def number(self, key: int) -> float | None:
        """Return a key's number, or None."""
        value = self.values.get(key)
        return None if value is None or isinstance(value, str) else float(value)

    @property
    def model(self) -> int | None:
        """Projected (1), geographic (2) or geocentric (3); by the other keys where the type isn't stated."""
        stated = self.values.get(MODEL_TYPE)
        if stated in {MODEL_PROJECTED, MODEL_GEOGRAPHIC, MODEL_GEOCENTRIC}:
            return int(stated)
        if PROJECTED_CODE in self.values or LINEAR_UNIT in self.values:
            return MODEL_PROJECTED
        return MODEL_GEOGRAPHIC if GEOGRAPHIC_CODE in self.values else None


def parse_geokeys(directory: bytes, doubles: bytes = b"", text: bytes = b"") -> GeoKeys:
    """Read the keys.

    Parameters
    ----------
    directory, doubles, text : bytes
        Contents of the records 34735, 34736 and 34737.

    Returns
    -------
    GeoKeys
        Whatever could be read, with a warning about the rest.

    Examples
    --------
    >>> directory = struct.pack("<12H", 1, 1, 0, 2, 1024, 0, 1, 1, 3072, 0, 1, 32632)
    >>> dict(parse_geokeys(directory).values)
    {1024: 1, 3072: 32632}
    """
    if len(directory) < 8:
        return GeoKeys(warnings=("the GeoTIFF keys are cut short: nothing can be read from them",))
    version, _, _, promised = struct.unpack_from("<4H", directory)
    warnings: list[str] = []
    if version != 1:
        return GeoKeys(
            warnings=(f"the GeoTIFF keys are of an unknown version ({version}); they are left unread",)
        )
    there = min(promised, len(directory) // 8 - 1)
    if there < promised:
        warnings.append(f"the GeoTIFF keys are cut short: {there} of {promised} are there")
    values: dict[int, int | float | str] = {}
    for number in range(1, there + 1):
        key, place, count, value = struct.unpack_from("<4H", directory, 8 * number)
        if key == 0:
            continue
        found = _value(place, count, value, doubles, text)
        if found is None:
            warnings.append(f"the value of GeoTIFF key {key} isn't there")
        elif key in values and values[key] != found:
            warnings.append(f"GeoTIFF key {key} is there twice: {values[key]} is used, {found} is not")
        else:
            values[key] = found
    if not values:
        warnings.append("the GeoTIFF keys are empty")
    return GeoKeys(values, tuple(warnings))


def _value(place: int, count: int, value: int, doubles: bytes, text: bytes) -> int | float | str | None:
    if place == 0:
        return value
    if place == DOUBLES_ID and count > 0 and _NUMBER.size * (value + count) <= len(doubles):
        found: float = _NUMBER.unpack_from(doubles, _NUMBER.size * value)[0]
        return found
    if place == TEXT_ID and value + count <= len(text):
        return text[value : value + count].split(b"\0")[0].decode("latin-1").rstrip("|")
    return None


def as_tiff(directory: bytes, doubles: bytes, text: bytes) -> bytes:
    """Return the smallest TIFF image that carries these keys, for a library that understands projections.

    Parameters
    ----------
    directory, doubles, text : bytes
        Contents of the three records.

    Returns
    -------
    bytes
        A grey image of one pixel.
    """
    short, long, double, letters = 3, 4, 12, 2
    entries: list[tuple[int, int, int, bytes]] = [
        (256, short, 1, struct.pack("<H", 1)),  # width
        (257, short, 1, struct.pack("<H", 1)),  # height
        (258, short, 1, struct.pack("<H", 8)),  # bits
        (259, short, 1, struct.pack("<H", 1)),  # not compressed
        (262, short, 1, struct.pack("<H", 1)),  # grey
        (273, long, 1, b""),  # where the pixel lies: filled in below
        (277, short, 1, struct.pack("<H", 1)),
        (278, short, 1, struct.pack("<H", 1)),
        (279, long, 1, struct.pack("<L", 1)),
        (33550, double, 3, struct.pack("<3d", 1, 1, 0)),
        (33922, double, 6, struct.pack("<6d", 0, 0, 0, 0, 0, 0)),
        (DIRECTORY_ID, short, len(directory) // 2, directory[: len(directory) // 2 * 2]),
        (DOUBLES_ID, double, len(doubles) // 8, doubles[: len(doubles) // 8 * 8]),
        (TEXT_ID, letters, len(text), text),
    ]
    entries = [entry for entry in entries if entry[2]]
    data_start = 8 + 2 + 12 * len(entries) + 4
    data = b"\0\0"
    table = struct.pack("<H", len(entries))
    for tag, kind, count, value in entries:
        field_bytes = struct.pack("<L", data_start) if tag == 273 else value
        if len(field_bytes) > 4:
            field_bytes = struct.pack("<L", data_start + len(data))
            data += value + b"\0" * (len(value) % 2)
        table += struct.pack("<HHL", tag, kind, count) + field_bytes.ljust(4, b"\0")
    return b"II*\0" + struct.pack("<L", 8) + table + bytes(4) + data
