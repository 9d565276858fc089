"""Where each field sits in the point records of formats 0 to 10 (ASPRS LAS 1.4-R15, section 2.6)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LARGEST_FORMAT = 10
FIRST_MODERN_FORMAT = 6

# Bits of the class byte of formats 0 to 5, and of the flag byte of formats 6 to 10.
LEGACY_CLASS_MASK = 0x1F
LEGACY_WITHHELD = 0x80
MODERN_KEY_POINT = 0x02
MODERN_WITHHELD = 0x04
MODERN_OVERLAP = 0x08

_TIME_BYTES = 8
_COLOUR_BYTES = 6
_NEAR_INFRARED_BYTES = 2
WAVE_PACKET_BYTES = 29
_LEGACY_CORE_BYTES = 20
_MODERN_CORE_BYTES = 30

_WITH_COLOUR = frozenset({2, 3, 5, 7, 8, 10})
_WITH_WAVES = frozenset({4, 5, 9, 10})
_LEGACY_WITH_TIME = frozenset({1, 3, 4, 5})
_WITH_NEAR_INFRARED = frozenset({8, 10})


@dataclass(frozen=True)
class Layout:
    """Byte offsets of the fields of one point format; None where the format has no such field.

    Parameters
    ----------
    point_format : int
        0 to 10.
    size : int
        Bytes of a record without extra bytes.
    time, colour, near_infrared, waves : int or None
        Offsets of the GPS time, the red channel (green and blue follow), the near-infrared channel and the
        wave packet.
    """

    point_format: int
    size: int
    time: int | None
    colour: int | None
    near_infrared: int | None
    waves: int | None

    @property
    def legacy(self) -> bool:
        """Whether class and flags share one byte (formats 0 to 5)."""
        return self.point_format < FIRST_MODERN_FORMAT

    @property
    def class_byte(self) -> int:
        """Offset of the byte that holds the class."""
        return 15 if self.legacy else 16

    @property
    def flag_byte(self) -> int:
        """Offset of the byte that holds the withheld flag."""
        return 15

    @property
    def source_id(self) -> int:
        """Offset of the point source id."""
        return 18 if self.legacy else 20

    @property
    def columns(self) -> frozenset[str]:
        """Names of :data:`cloudprep.model.columns.COLUMNS` that a record carries, coordinates aside."""
        names = {
            "intensity",
            "return_number",
            "number_of_returns",
            "classification",
            "withheld",
            "point_source_id",
        }
        if not self.legacy:
            names.add("overlap")
        if self.time is not None:
            names.add("gps_time")
        if self.colour is not None:
            names |= {"red", "green", "blue"}
        if self.near_infrared is not None:
            names.add("nir")
        return frozenset(names)

    def record_type(self, record_length: int) -> np.dtype[np.void]:
        """Return a type that lays the fields over a record of the given length."""
        fields: dict[str, tuple[str, int]] = {
            "X": ("<i4", 0),
            "Y": ("<i4", 4),
            "Z": ("<i4", 8),
            "intensity": ("<u2", 12),
            "returns": ("u1", 14),
            "flags": ("u1", self.flag_byte),
            "class": ("u1", self.class_byte),
            "point_source_id": ("<u2", self.source_id),
        }
        if self.time is not None:
            fields["gps_time"] = ("<f8", self.time)
        if self.colour is not None:
            for place, name in enumerate(("red", "green", "blue")):
                fields[name] = ("<u2", self.colour + 2 * place)
        if self.near_infrared is not None:
            fields["nir"] = ("<u2", self.near_infrared)
        return np.dtype(
            {
                "names": list(fields),
                "formats": [kind for kind, _ in fields.values()],
                "offsets": [offset for _, offset in fields.values()],
                "itemsize": record_length,
            }
        )


def _layout(point_format: int) -> Layout:
    legacy = point_format < FIRST_MODERN_FORMAT
    position = _LEGACY_CORE_BYTES if legacy else _MODERN_CORE_BYTES
    time: int | None = None if legacy else 22
    if legacy and point_format in _LEGACY_WITH_TIME:
        time, position = position, position + _TIME_BYTES
    colour = near_infrared = waves = None
    if point_format in _WITH_COLOUR:
        colour, position = position, position + _COLOUR_BYTES
    if point_format in _WITH_NEAR_INFRARED:
        near_infrared, position = position, position + _NEAR_INFRARED_BYTES
    if point_format in _WITH_WAVES:
        waves, position = position, position + WAVE_PACKET_BYTES
    return Layout(point_format, position, time, colour, near_infrared, waves)


LAYOUTS: tuple[Layout, ...] = tuple(_layout(number) for number in range(LARGEST_FORMAT + 1))
