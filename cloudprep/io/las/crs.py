"""Which coordinate reference system and units a file states: WKT first, else GeoTIFF keys, else none.

Whatever needs pyproj is imported where it is used: most commands never do.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from cloudprep.errors import CrsError
from cloudprep.io.las.geokeys import DIRECTORY_ID, DOUBLES_ID, TEXT_ID, parse_geokeys
from cloudprep.io.las.header import WKT_BIT
from cloudprep.io.las.records import PROJECTION_USER
from cloudprep.io.las.units import UNITS_BY_NAME, same_unit, spelled
from cloudprep.model.crs import METRE, CloudCrs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.io.las.records import Record
    from cloudprep.io.las.systems import System

WKT_ID = 2112
_EPSG = re.compile(r"\s*EPSG:(\d+)(?:\s*\+\s*(?:EPSG:)?(\d+))?\s*", re.IGNORECASE)


def read_crs(records: Sequence[Record], encoding: int, version: tuple[int, int]) -> CloudCrs:
    """Read the reference system from a file's records.

    A well-known text is used wherever it stands (record or extended record) and whatever the header's bit
    says; where GeoTIFF keys contradict it, the text wins, and that is warned about.

    Parameters
    ----------
    records : sequence of Record
        All records, extended ones last.
    encoding : int
        The header's global encoding.
    version : tuple of int
        LAS version.

    Returns
    -------
    CloudCrs
        What was found; unknown units are None. It never raises: whatever can't be read becomes a warning.
    """
    warnings: list[str] = []
    texts = [record.payload for record in records if record.is_a(PROJECTION_USER, WKT_ID)]
    directory = _payload(records, DIRECTORY_ID)
    by_text = _from_texts(texts, warnings)
    by_keys = None
    if directory is not None:
        from cloudprep.io.las.key_systems import system_from_keys  # noqa: PLC0415

        doubles, text = _payload(records, DOUBLES_ID) or b"", _payload(records, TEXT_ID) or b""
        keys = parse_geokeys(directory, doubles, text)
        # Beside a text the keys only serve as a check; their own oddities then don't matter.
        by_keys = system_from_keys(keys, None if by_text is not None else (directory, doubles, text))
        if by_text is None:
            warnings += [*keys.warnings, *by_keys.warnings]
    if version >= (1, 4):
        warnings += _bit_warnings(bool(encoding & WKT_BIT), by_text, by_keys)
    if by_text is not None:
        if by_keys is not None and (difference := _difference(by_text, by_keys)):
            warnings.append(
                f"the WKT and the GeoTIFF keys contradict each other ({difference}); the WKT is used"
            )
        return _finished(by_text, "WKT", warnings)
    if by_keys is not None:
        return _finished(by_keys, "GeoTIFF keys", warnings)
    return CloudCrs(warnings=tuple(warnings))


def assumed_crs(text: str) -> CloudCrs:
    """Return the reference system that a user names for files that state none.

    Parameters
    ----------
    text : str
        ``EPSG:n``, or ``EPSG:n+m`` with the code of a vertical system.

    Returns
    -------
    CloudCrs
        With source ``assumed``.

    Raises
    ------
    CrsError
        If it isn't of that form, or a code is unknown or of the wrong kind.
    """
    from cloudprep.io.las.systems import system_from_codes  # noqa: PLC0415

    found = _EPSG.fullmatch(text)
    if found is None:
        raise CrsError(f"'{text}' isn't of the form EPSG:n or EPSG:n+m (n+m: with a vertical system)")
    horizontal, vertical = int(found[1]), int(found[2]) if found[2] else None
    return _finished(system_from_codes(horizontal, vertical), "assumed", [])


def assumed_units(name: str) -> CloudCrs:
    """Return what a user says about the units of files that state none.

    Parameters
    ----------
    name : str
        ``metre``, ``foot`` (international) or ``us_survey_foot``, for x, y and z.

    Returns
    -------
    CloudCrs
        Without a reference system, with source ``assumed``.

    Raises
    ------
    CrsError
        If there is no such unit here.
    """
    unit = UNITS_BY_NAME.get(name)
    if unit is None:
        raise CrsError(f"'{name}' isn't a known unit (there are: {', '.join(UNITS_BY_NAME)})")
    return CloudCrs(horizontal_unit=unit, vertical_unit=unit, source="assumed")


def _payload(records: Sequence[Record], number: int) -> bytes | None:
    return next((r.payload for r in records if r.is_a(PROJECTION_USER, number)), None)


def _from_texts(texts: Sequence[bytes], warnings: list[str]) -> System | None:
    """Return the system of the first readable text."""
    if not texts:
        return None
    from cloudprep.io.las.systems import system_from_wkt  # noqa: PLC0415

    cleaned = [text.split(b"\0", 1)[0].strip() for text in texts]
    if len(set(cleaned)) > 1:
        warnings.append("there are several different WKT records; the first readable one is used")
    for text in cleaned:
        if not text:
            warnings.append("the WKT record is empty")
            continue
        system = system_from_wkt(text.decode("utf-8", errors="replace"))
        if system is not None:
            warnings += system.warnings
            return system
        warnings.append("the WKT record can't be read")
    return None


def _bit_warnings(bit: bool, by_text: System | None, by_keys: System | None) -> list[str]:
    if by_text is not None and not bit:
        return ["the header says that there is no WKT, yet there is; it is used"]
    if by_text is None and by_keys is not None and bit:
        return ["the header says that there is a WKT, yet there is none; the GeoTIFF keys are used"]
    return []


def _difference(text: System, keys: System) -> str:
    """Return in words where two systems differ in what both of them state, or nothing."""
    if text.geographic != keys.geographic and (keys.horizontal_unit or keys.geographic):
        return "one of them is in degrees"
    for part, first, second in (
        ("horizontal", text.horizontal_unit, keys.horizontal_unit),
        ("vertical", text.vertical_unit, keys.vertical_unit),
    ):
        if first and second and not same_unit(first, second):
            return f"{part} unit {spelled(first)} against {spelled(second)}"
    if text.code and keys.code and text.code != keys.code:
        return f"{text.code} against {keys.code}"
    return ""


def _finished(system: System, source: str, warnings: list[str]) -> CloudCrs:
    """Fill in the vertical unit where only the horizontal one is stated."""
    vertical = system.vertical_unit
    if vertical is None and not system.geographic and system.horizontal_unit is not None:
        vertical = system.horizontal_unit
        if vertical != METRE:
            warnings = [
                *warnings,
                f"no vertical unit is stated: heights are taken to be in {spelled(vertical)} too",
            ]
    return CloudCrs(
        wkt=system.wkt,
        name=system.name,
        horizontal_unit=system.horizontal_unit,
        vertical_unit=vertical,
        geographic=system.geographic,
        source=source,
        warnings=tuple(warnings),
    )
