"""Made-up scenes with truth as points of a report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.model.bounds import Bounds
from cloudprep.reporting.delivered import picked
from cloudprep.reporting.gathered import gather
from cloudprep.reporting.looking import FINDERS, Finding, ranked, spread
from cloudprep.reporting.page import around
from cloudprep.reporting.place import Place
from cloudprep.reporting.rasters import Rasters
from cloudprep.reporting.subject import Subject

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

Columns = dict[str, "NDArray[Any]"]


class InMemory:
    """Points of a report from arrays, in as many pieces as wanted."""

    def __init__(self, columns: Columns, pieces: int = 1) -> None:
        self.columns = columns
        self.count = pieces

    def pieces(self) -> Iterator[Columns]:
        for rows in np.array_split(np.arange(len(self.columns["x"])), self.count):
            yield {name: values[rows] for name, values in self.columns.items()}

    def within(self, boxes: Sequence[Bounds]) -> list[Any]:
        return [picked(self.columns, box) for box in boxes]


def place_of(columns: Columns, cell: float | None = 0.5) -> Place:
    """Return the site of a cloud, its spacing judged on cells of 5 m."""
    x, y, z = (columns[n] for n in "xyz")
    occupied = len(np.unique(np.stack([np.floor(x / 5), np.floor(y / 5)]), axis=1).T)
    return Place(
        Bounds(float(x.min()), float(y.min()), float(x.max()) + 0.001, float(y.max()) + 0.001),
        float(z.min()),
        float(z.max()),
        float(np.sqrt(25 * occupied / len(x))),
        codes=np.bincount(columns["classification"], minlength=256),
        cell=cell,
    )


def subject_of(columns: Columns, pieces: int = 1) -> Subject:
    """Return what a report would be about."""
    record: dict[str, Any] = {"outputs": [], "inputs": [], "pipeline": {}}
    gathered = gather(InMemory(columns, pieces), place_of(columns))
    return Subject("made up", record, gathered, Rasters(Path("/nowhere"), record))


def looked(columns: Columns) -> list[Finding]:
    """Return the places to look at first."""
    subject = subject_of(columns)
    found = spread([one for find in FINDERS for one in find(subject)], subject)
    return ranked(found, InMemory(columns).within([around(f) for f in found]), subject)


def added(columns: Columns, x: NDArray[Any], y: NDArray[Any], z: NDArray[Any], code: int) -> Columns:
    """Return a cloud with more points of a class; whatever else they have is that of the first point."""
    out = {}
    new = {"x": x, "y": y, "z": z, "classification": np.full(len(x), code, np.uint8)}
    for name, values in columns.items():
        more = new.get(name, np.repeat(values[:1], len(x)))
        out[name] = np.concatenate([values, more]).astype(values.dtype)
    return out
