"""Settles the reference system and the units of a run: read, or assumed aloud, never guessed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from cloudprep.engine.loading import Units
from cloudprep.errors import BadInputError, UsageError
from cloudprep.io.las import assumed_crs, assumed_units
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.io.las import Flight
    from cloudprep.model.crs import CloudCrs

_UNIT_NAMES = {METRE: "metre", INTERNATIONAL_FOOT: "international foot", US_SURVEY_FOOT: "US survey foot"}

GEOGRAPHIC = (
    "its coordinates are degrees; lengths, slopes and volumes need a projected system: "
    "reproject the cloud (to the UTM zone of the site, say) and run again"
)
ASSUMED_METRES = (
    "carries no reference system: metres are ASSUMED, and the outputs carry none either; "
    "give --assume-crs EPSG:n (or assume: in the pipeline) if that is wrong"
)


def unit_name(metres: float | None) -> str:
    """Return a unit's name from its length in metres."""
    if metres is None:
        return "unknown"
    return _UNIT_NAMES.get(metres, f"{metres:.10g} m")


@dataclass
class Assumptions:
    """What the user said about clouds that carry no reference system.

    Parameters
    ----------
    crs : str or None
        ``EPSG:n`` or ``EPSG:n+m`` (with a vertical part).
    units : str or None
        ``metre``, ``foot`` or ``us_survey_foot``.
    """

    crs: str | None = None
    units: str | None = None
    _crs: CloudCrs | None = field(default=None, init=False, repr=False)

    def resolve(self) -> CloudCrs | None:
        """Return what to take for a cloud without a reference system; None where nothing was said.

        Raises
        ------
        CrsError
            If the code is unknown or names degrees.
        """
        if self._crs is None and (self.crs or self.units):
            units = assumed_units(self.units) if self.units else None
            crs = assumed_crs(self.crs) if self.crs else units
            if crs is not None and units is not None:
                # A system that names its units keeps them; what it leaves open is filled in.
                crs = replace(
                    crs,
                    horizontal_unit=crs.horizontal_unit or units.horizontal_unit,
                    vertical_unit=crs.vertical_unit or units.vertical_unit,
                )
            self._crs = crs
        return self._crs


@dataclass(frozen=True)
class Settled:
    """The reference system that a flight is taken to have, its units, and what was assumed for it."""

    crs: CloudCrs
    units: Units
    assumed: tuple[str, ...]


def settle(flight: Flight, assumptions: Assumptions) -> Settled:
    """Return the reference system to use for one flight.

    Parameters
    ----------
    flight : Flight
        An opened flight.
    assumptions : Assumptions
        What the user said.

    Returns
    -------
    Settled
        With every assumption in words.

    Raises
    ------
    BadInputError
        If the coordinates are degrees.
    """
    crs = flight.crs
    assumed: list[str] = []
    said = assumptions.resolve()
    if crs.wkt is None and crs.horizontal_unit is None:
        if said is not None:
            crs = said
            assumed.append(f"{flight.path.name}: taken to be {describe(said)}, as you said")
        else:
            assumed.append(f"{flight.path.name} {ASSUMED_METRES}")
    elif said is not None and said.wkt is not None and said.name != crs.name:
        assumed.append(
            f"{flight.path.name}: keeps its own {describe(crs)}; --assume-crs is for clouds without one"
        )
    if crs.geographic:
        raise BadInputError(flight.path, GEOGRAPHIC)
    horizontal = crs.horizontal_unit
    if horizontal is None:
        horizontal = METRE
        if crs.wkt is not None:
            assumed.append(f"{flight.path.name}: no horizontal unit is named; metres are ASSUMED")
    vertical = crs.vertical_unit
    if vertical is None:
        vertical = horizontal
        if horizontal != METRE:
            assumed.append(
                f"{flight.path.name}: no vertical unit is named; heights are ASSUMED to be in "
                f"{unit_name(horizontal)} like the plan"
            )
    return Settled(crs, Units(horizontal, vertical), tuple(assumed))


def describe(crs: CloudCrs) -> str:
    """Return a reference system with its units for people."""
    name = crs.name if crs.name != "none" else "no reference system"
    units = f"{unit_name(crs.horizontal_unit)}, heights {unit_name(crs.vertical_unit)}"
    return f"{name} ({units})"


def site_reference(settled: Sequence[tuple[Flight, Settled]]) -> tuple[CloudCrs, list[str]]:
    """Return the one reference system of a run, and lines about flights that carry none.

    Raises
    ------
    UsageError
        If flights differ in reference system or units, with all of them named.
    """
    groups: dict[tuple[str | None, Units], list[str]] = {}
    for flight, s in settled:
        groups.setdefault((system_key(s.crs), s.units), []).append(flight.path.name)
    with_system = [key for key in groups if key[0]]
    units = {key[1] for key in groups}
    if len(with_system) > 1 or len(units) > 1:
        first = {key: next(s for f, s in settled if f.path.name == names[0]) for key, names in groups.items()}
        lines = [f"{describe(first[key].crs)}: {', '.join(names)}" for key, names in groups.items()]
        raise UsageError(
            "the flights of a run must share one reference system and units, but there are: "
            + "; ".join(lines)
        )
    if not with_system:
        return settled[0][1].crs, []
    crs = next(s.crs for _, s in settled if s.crs.wkt)
    bare = [name for key, names in groups.items() if not key[0] for name in names]
    notes = (
        [f"{', '.join(bare)}: no reference system; taken to lie in {crs.name} like the others"]
        if bare
        else []
    )
    return crs, notes


def system_key(crs: CloudCrs) -> str | None:
    """Return what two flights of one system share, though one says it in WKT and the other in keys.

    None where there is no system.
    """
    return _comparable(crs.wkt) if crs.wkt else None


@lru_cache(maxsize=256)
def _comparable(wkt: str) -> str:
    from pyproj import CRS  # noqa: PLC0415 - heavy, and only needed with a reference system
    from pyproj.exceptions import CRSError  # noqa: PLC0415

    try:
        parsed = CRS.from_wkt(wkt)
    except CRSError:
        return wkt
    parts = parsed.sub_crs_list or [parsed]
    return " + ".join(_authority_or_text(part) for part in parts)


def _authority_or_text(part: object) -> str:
    code = part.to_authority(min_confidence=70)  # type: ignore[attr-defined]
    return ":".join(code) if code else str(part.to_wkt())  # type: ignore[attr-defined]
