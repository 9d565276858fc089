"""Says what is in a flight: what its header states, what its points hold, and what is odd about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.extra_columns import extra_columns
from cloudprep.engine.oddities import oddities
from cloudprep.engine.reference import unit_name
from cloudprep.engine.tally import Tally
from cloudprep.engine.times import times_text
from cloudprep.io.las import open_flight
from cloudprep.io.las.stream import iter_records
from cloudprep.model.classes import class_name

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.las import Flight

__all__ = ["FlightReport", "inspect_flight"]

CHUNK = 500_000
_ADJUSTED_TIME = 1 << 0
_SYSTEM, _SOFTWARE = slice(26, 58), slice(58, 90)


@dataclass(frozen=True)
class FlightReport:
    """What is in a flight.

    Parameters
    ----------
    flight : Flight
        The opened file.
    tally : Tally
        Counts over all its points.
    oddities : tuple of str
        What a person should look at, in words.
    url : str
        Where the file was fetched from; empty for files of this machine.
    """

    flight: Flight
    tally: Tally
    oddities: tuple[str, ...]
    url: str = ""

    @property
    def path(self) -> str:
        """The file as it is told to people."""
        return self.url or str(self.flight.path)

    @property
    def points_per_area(self) -> float | None:
        """Points a square metre over the ground that holds points; None in degrees or without points."""
        return self.tally.points / self.tally.area if self.tally.area else None

    @property
    def pulses_per_area(self) -> float | None:
        """First returns a square metre over the ground that holds points."""
        return self.tally.first_returns / self.tally.area if self.tally.area else None

    @property
    def spacing(self) -> float | None:
        """Mean point spacing, m, over the ground that holds points."""
        return float(np.sqrt(self.tally.area / self.tally.points)) if self.tally.area else None

    @property
    def adjusted_time(self) -> bool:
        """Whether times are adjusted standard GPS time (else seconds of the GPS week)."""
        return bool(self.flight.header.encoding & _ADJUSTED_TIME)

    @property
    def times(self) -> str:
        """Range of the GPS times in words; empty where there are none."""
        found = self.tally.ranges.get("gps_time")
        return times_text(*found, adjusted=self.adjusted_time) if found else ""

    @property
    def classes(self) -> dict[int, int]:
        """Points by class code."""
        return {code: int(n) for code, n in enumerate(self.tally.classes) if n}

    @property
    def lines(self) -> dict[int, int]:
        """Points by flight line (point source id)."""
        return {number: int(n) for number, n in enumerate(self.tally.lines) if n}

    @property
    def returns(self) -> dict[tuple[int, int], int]:
        """Points by (return number, number of returns)."""
        numbers, ofs = np.nonzero(self.tally.returns)
        pairs = zip(numbers.tolist(), ofs.tolist(), strict=True)
        return {(number, of): int(self.tally.returns[number, of]) for number, of in pairs}

    @property
    def system(self) -> str:
        """What the header says made the points."""
        return _text(self.flight.header.raw[_SYSTEM])

    @property
    def software(self) -> str:
        """What the header says wrote the file."""
        return _text(self.flight.header.raw[_SOFTWARE])

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        flight, tally = self.flight, self.tally
        records = [(r.user, r.number, r.length, "before the points") for r in flight.vlrs]
        records += [(r.user, r.number, r.length, "behind the points") for r in flight.evlrs]
        return {
            "path": self.path,
            "status": "read",
            "size_bytes": flight.size_bytes,
            "version": ".".join(map(str, flight.version)),
            "point_format": flight.point_format,
            "record_length": flight.record_length,
            "compressed": flight.compressed,
            "copc": flight.copc,
            "system": self.system,
            "software": self.software,
            "points": tally.points,
            "reference_system": _reference(flight),
            "scales": list(flight.scales),
            "offsets": list(flight.offsets),
            "header_bounds": {"min": list(flight.header_min), "max": list(flight.header_max)},
            "bounds": _bounds(tally),
            "area_m2": tally.area,
            "points_per_m2": self.points_per_area,
            "pulses_per_m2": self.pulses_per_area,
            "spacing_m": self.spacing,
            "returns": [{"number": n, "of": of, "points": p} for (n, of), p in self.returns.items()],
            "classes": [
                {"code": code, "name": class_name(code, flight.point_format), "points": n}
                for code, n in self.classes.items()
            ],
            "flags": tally.flags,
            "gps_time": self._times(),
            "flight_lines": {str(number): n for number, n in self.lines.items()},
            "ranges": {k: list(v) for k, v in tally.ranges.items() if k != "gps_time"},
            "extra_columns": list(extra_columns(flight)),
            "records": [{"user": u, "id": i, "bytes": b, "place": p} for u, i, b, p in records],
            "oddities": list(self.oddities),
        }

    def _times(self) -> dict[str, Any] | None:
        found = self.tally.ranges.get("gps_time")
        if found is None:
            return None
        kind = "adjusted standard" if self.adjusted_time else "week"
        return {"kind": kind, "from": found[0], "to": found[1], "text": self.times}


def inspect_flight(path: Path, chunk_points: int = CHUNK) -> FlightReport:
    """Read a flight once and say what is in it.

    Parameters
    ----------
    path : Path
        A LAS, LAZ or COPC file.
    chunk_points : int
        Points at a time; the memory it takes does not depend on the size of the file.

    Returns
    -------
    FlightReport
        The facts.

    Raises
    ------
    BadInputError
        If the file can't be used.
    """
    flight = open_flight(path)
    metres = None if flight.crs.geographic else (flight.crs.horizontal_unit or 1.0)
    tally = Tally(flight.count, flight.scales, flight.offsets, metres)
    for _, records in iter_records(flight, chunk_points):
        tally.add(_columns(flight, records))
    return FlightReport(flight, tally, tuple(oddities(flight, tally)))


def _columns(flight: Flight, records: NDArray[np.uint8]) -> Mapping[str, NDArray[Any]]:
    """Take records apart (ASPRS LAS 1.4-R15, tables 7 and 15 for the bits)."""
    layout = flight.layout
    fields = np.ascontiguousarray(records).view(layout.record_type(flight.record_length))[:, 0]
    returns, flags = fields["returns"], fields["flags"]
    columns: dict[str, NDArray[Any]] = {
        name: fields[name]
        for name in ("X", "Y", "Z", "intensity", "point_source_id", "gps_time", "red", "green", "blue", "nir")
        if name in (fields.dtype.names or ())
    }
    if layout.legacy:
        columns["return_number"], columns["number_of_returns"] = returns & 7, (returns >> 3) & 7
        columns["classification"] = fields["class"] & 31
        bits = {"synthetic": 5, "key_point": 6, "withheld": 7}
    else:
        columns["return_number"], columns["number_of_returns"] = returns & 15, returns >> 4
        columns["classification"] = fields["class"]
        bits = {"synthetic": 0, "key_point": 1, "withheld": 2, "overlap": 3}
    return columns | {name: (flags >> bit) & 1 for name, bit in bits.items()}


def _text(field: bytes) -> str:
    return field.split(b"\0", 1)[0].decode("latin-1").strip()


def _bounds(tally: Tally) -> dict[str, list[float]] | None:
    low, high = tally.corner(tally.lowest), tally.corner(tally.highest)
    return {"min": list(low), "max": list(high)} if low and high else None


def _reference(flight: Flight) -> dict[str, Any]:
    crs = flight.crs
    return {
        "name": crs.name,
        "source": crs.source,
        "geographic": crs.geographic,
        "horizontal_unit": unit_name(crs.horizontal_unit),
        "horizontal_unit_m": crs.horizontal_unit,
        "vertical_unit": unit_name(crs.vertical_unit),
        "vertical_unit_m": crs.vertical_unit,
    }
