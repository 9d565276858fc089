"""The points of a finished run, read from the clouds that it delivered."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.errors import UsageError
from cloudprep.io.las import open_flight, read_columns
from cloudprep.model.bounds import Bounds
from cloudprep.reporting.place import Place

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.las import Flight
    from cloudprep.reporting.place import Columns

_KILOMETRE = 1000.0
_OPTIONAL = ("ground_confidence", "intensity", "point_source_id")


def recorded_place(record: Mapping[str, Any]) -> Place:
    """Return the place of a finished run as its record has it.

    Raises
    ------
    UsageError
        If nothing was delivered.
    """
    site = record.get("site")
    if not site:
        raise UsageError("the run has no site: nothing was delivered")
    unit, vertical = site["horizontal_unit_m"], site["vertical_unit_m"]
    west, south, east, north = (v * unit for v in site["bounds"])
    origin = math.floor(west / _KILOMETRE) * _KILOMETRE, math.floor(south / _KILOMETRE) * _KILOMETRE
    codes = np.zeros(256, np.int64)
    stages = record.get("stages") or []
    for code, number in (stages[-1]["classes"] if stages else {}).items():
        codes[int(code)] = number
    cells = [s["parameters"].get("cell") for s in stages if s["stage"] == "terrain_grid"]
    return Place(
        Bounds(west - origin[0], south - origin[1], east - origin[0], north - origin[1]),
        site["lowest"] * vertical,
        site["highest"] * vertical,
        site["spacing_m"],
        origin,
        unit,
        vertical,
        codes,
        next((c for c in cells if c), None),
    )


class DeliveredClouds:
    """Points of the clouds that a run delivered.

    Parameters
    ----------
    folder : Path
        Of the run.
    record : mapping
        Its record.
    place : Place
        The site.

    Raises
    ------
    BadInputError
        If a cloud is gone or can't be read.
    """

    def __init__(self, folder: Path, record: Mapping[str, Any], place: Place) -> None:
        clouds = [o for o in record.get("outputs", []) if o.get("kind") == "cloud"]
        self._flights = [open_flight(folder / o["path"]) for o in clouds]
        self._place = place

    def pieces(self) -> Iterator[Columns]:
        """Yield all points."""
        for number, flight in enumerate(self._flights):
            yield from self._of(flight, number, ("classification", *_OPTIONAL))

    def _of(self, flight: Flight, number: int, names: Sequence[str]) -> Iterator[Columns]:
        if flight.count == 0:
            return
        wanted = ["X", "Y", "Z", *(n for n in names if n in flight.columns)]
        for chunk in read_columns(flight, wanted):
            columns = {name: chunk[name] for name in wanted[3:]}
            for axis, name in enumerate("xyz"):
                columns[name] = self._metres(flight, chunk[name.upper()], axis)
            columns["flight"] = np.full(len(columns["x"]), number, np.uint16)
            yield columns

    def _metres(self, flight: Flight, raw: NDArray[np.int32], axis: int) -> NDArray[np.float64]:
        place = self._place
        unit = place.vertical_unit if axis == 2 else place.horizontal_unit
        zero = place.origin[axis] if axis < 2 else 0.0
        return np.asarray(
            raw * (flight.scales[axis] * unit) + (flight.offsets[axis] * unit - zero), np.float64
        )

    def within(self, boxes: Sequence[Bounds]) -> list[Columns]:
        """Return the points in each of some rectangles; the clouds are read once more for that."""
        found: list[list[Columns]] = [[] for _ in boxes]
        if boxes:
            for number, flight in enumerate(self._flights):
                for piece in self._of(flight, number, ("classification",)):
                    for box, parts in zip(boxes, found, strict=True):
                        parts.append(picked(piece, box))
        return [concatenated(parts) for parts in found]


def picked(columns: Columns, box: Bounds) -> Columns:
    """Return the points within half-open bounds."""
    x, y = columns["x"], columns["y"]
    inside = (x >= box.x0) & (x < box.x1) & (y >= box.y0) & (y < box.y1)
    return {name: values[inside] for name, values in columns.items()}


def concatenated(parts: Sequence[Columns]) -> Columns:
    """Return several sets of points as one; only columns that all of them have."""
    if not parts:
        return {name: np.empty(0) for name in "xyz"} | {"classification": np.empty(0, np.uint8)}
    names = [name for name in parts[0] if all(name in part for part in parts)]
    return {name: np.concatenate([part[name] for part in parts]) for name in names}
