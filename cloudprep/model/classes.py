"""Classification codes of the LAS standard."""

from __future__ import annotations

from enum import IntEnum


class ClassCode(IntEnum):
    """Codes of LAS 1.4 point formats 6 to 10 (ASPRS LAS 1.4-R15, table 17).

    Formats 0 to 5 share 0 to 7 and 9; there 8 is a model key-point, 12 marks overlap points, and 10, 11 and
    13 to 31 are reserved.
    """

    NEVER_CLASSIFIED = 0
    UNCLASSIFIED = 1
    GROUND = 2
    LOW_VEGETATION = 3
    MEDIUM_VEGETATION = 4
    HIGH_VEGETATION = 5
    BUILDING = 6
    LOW_NOISE = 7
    WATER = 9
    RAIL = 10
    ROAD_SURFACE = 11
    WIRE_GUARD = 13
    WIRE_CONDUCTOR = 14
    TRANSMISSION_TOWER = 15
    WIRE_CONNECTOR = 16
    BRIDGE_DECK = 17
    HIGH_NOISE = 18
    OVERHEAD_STRUCTURE = 19
    IGNORED_GROUND = 20
    SNOW = 21
    TEMPORAL_EXCLUSION = 22


NOISE_CODES = (int(ClassCode.LOW_NOISE), int(ClassCode.HIGH_NOISE))

# Formats 0 to 5 store the class in five bits.
LARGEST_LEGACY_CODE = 31

_LEGACY_ONLY = {8: "model key-point", 12: "overlap points"}
_FIRST_USER_CODE = 64
_FIRST_MODERN_FORMAT = 6


def class_name(code: int, point_format: int = _FIRST_MODERN_FORMAT) -> str:
    """Return the meaning of a class code in words (ASPRS LAS 1.4-R15, tables 9 and 17).

    Parameters
    ----------
    code : int
        0 to 255.
    point_format : int
        Point data record format: 0 to 5 know fewer classes than 6 to 10.

    Examples
    --------
    >>> class_name(2), class_name(18), class_name(70), class_name(40)
    ('ground', 'high noise', 'user defined', 'reserved')
    >>> class_name(12, point_format=1), class_name(18, point_format=1)
    ('overlap points', 'reserved (high noise from format 6 on)')
    """
    if point_format < _FIRST_MODERN_FORMAT and code in _LEGACY_ONLY:
        return _LEGACY_ONLY[code]
    if code >= _FIRST_USER_CODE:
        return "user defined"
    try:
        name = ClassCode(code).name.lower().replace("_", " ")
    except ValueError:
        return "reserved"
    known_to_legacy = code <= ClassCode.LOW_NOISE or code == ClassCode.WATER
    legacy = point_format < _FIRST_MODERN_FORMAT
    return (
        f"reserved ({name} from format {_FIRST_MODERN_FORMAT} on)" if legacy and not known_to_legacy else name
    )
