"""Coordinate reference system and units of a cloud, as read, never guessed."""

from __future__ import annotations

from dataclasses import dataclass

METRE = 1.0
INTERNATIONAL_FOOT = 0.3048
US_SURVEY_FOOT = 1200 / 3937


@dataclass(frozen=True)
class CloudCrs:
    """What a file says about its coordinates.

    Parameters
    ----------
    wkt : str or None
        The reference system as well-known text, compound where a vertical part is known; None where the file
        carries none.
    name : str
        For people: ``EPSG:32632 + EPSG:5773``, a name, or ``none``.
    horizontal_unit, vertical_unit : float or None
        Metres in one unit; None where unknown.
    geographic : bool
        Whether the coordinates are degrees.
    source : str
        Where it was read: ``WKT``, ``GeoTIFF keys``, ``none``, ``assumed``.
    warnings : tuple of str
        Contradictions and oddities met while reading it.
    """

    wkt: str | None = None
    name: str = "none"
    horizontal_unit: float | None = None
    vertical_unit: float | None = None
    geographic: bool = False
    source: str = "none"
    warnings: tuple[str, ...] = ()
