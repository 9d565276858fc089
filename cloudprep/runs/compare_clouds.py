"""What changed in a flight between two runs: classes, flags, extra dimensions, point by point."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.errors import BadInputError
from cloudprep.io.atomic import sha256_of
from cloudprep.io.las import open_flight, read_columns
from cloudprep.model.classes import NOISE_CODES, ClassCode
from cloudprep.model.columns import COLUMNS, EXTRA_LABELS, STANDARD_LABELS
from cloudprep.model.moves import ClassMoves
from cloudprep.runs.differences import Differences

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.las import Flight

__all__ = ["CloudChange", "DimensionChange", "compare_clouds"]

_RAW = ("X", "Y", "Z")
_CHUNK = 1_000_000


@dataclass
class DimensionChange:
    """How an extra dimension differs.

    Parameters
    ----------
    unit : str
        Of the differences, second run less first.
    changed : int
        Points with another value.
    only_first, only_second : int
        Points of which only one run says something.
    differences : Differences
        Where both say something.
    """

    unit: str = ""
    changed: int = 0
    only_first: int = 0
    only_second: int = 0
    differences: Differences = field(default_factory=Differences)

    def join(self, other: DimensionChange) -> None:
        """Add that of another flight."""
        self.changed += other.changed
        self.only_first += other.only_first
        self.only_second += other.only_second
        self.differences.join(other.differences)

    def as_dict(self) -> dict[str, Any]:
        """Return it for machines."""
        found = self.differences
        return {
            "unit": self.unit,
            "changed": self.changed,
            "only_first": self.only_first,
            "only_second": self.only_second,
            **found.figures(),
            "quantile_05": found.quantile(0.05),
            "quantile_95": found.quantile(0.95),
        }


@dataclass
class CloudChange:
    """How a flight differs, or several together.

    Parameters
    ----------
    points : int
        Number of points.
    moves : ClassMoves
        Points by class in the first run and class in the second.
    relabelled : int
        Points with another class or another withheld flag.
    withheld : int
        Points with another withheld flag.
    dimensions : dict of str to DimensionChange
        By name.
    why_not : str
        Why the points could not be compared; empty where they were.
    """

    points: int = 0
    moves: ClassMoves = field(default_factory=ClassMoves)
    relabelled: int = 0
    withheld: int = 0
    dimensions: dict[str, DimensionChange] = field(default_factory=dict)
    why_not: str = ""

    def join(self, other: CloudChange) -> None:
        """Add another flight."""
        self.points += other.points
        self.moves = ClassMoves.sum([self.moves, other.moves])
        self.relabelled += other.relabelled
        self.withheld += other.withheld
        for name, change in other.dimensions.items():
            self.dimensions.setdefault(name, DimensionChange(change.unit)).join(change)

    def gained(self, codes: Sequence[int]) -> int:
        """Return how many points came to these classes."""
        return self.moves.gained(codes)

    def lost(self, codes: Sequence[int]) -> int:
        """Return how many points left these classes."""
        return ClassMoves(self.moves.counts.T).gained(codes)

    def changes(self) -> list[tuple[int, int, int]]:
        """Return class in the first run, class in the second, and number of points: the most first."""
        counts = self.moves.counts.copy()
        np.fill_diagonal(counts, 0)
        pairs = [(int(a), int(b), int(counts[a, b])) for a, b in np.argwhere(counts)]
        return sorted(pairs, key=lambda pair: (-pair[2], pair[:2]))

    def as_dict(self) -> dict[str, Any]:
        """Return it for machines."""
        ground, noise = (ClassCode.GROUND,), NOISE_CODES
        same = np.diagonal(self.moves.counts)
        return {
            "points": self.points,
            "relabelled": self.relabelled,
            "relabelled_share": self.relabelled / self.points if self.points else 0.0,
            "withheld_changed": self.withheld,
            "ground_gained": self.gained(ground),
            "ground_lost": self.lost(ground),
            "noise_gained": self.gained(noise),
            "noise_lost": self.lost(noise),
            "kept_class": {str(code): int(n) for code, n in enumerate(same) if n},
            "changed_class": [{"from": a, "to": b, "points": n} for a, b, n in self.changes()],
            "dimensions": {name: change.as_dict() for name, change in self.dimensions.items()},
            "not_compared": self.why_not,
        }


def compare_clouds(first: Path, second: Path, height_unit: float = 1.0) -> CloudChange:
    """Compare the same flight as two runs delivered it.

    Points are held against each other row by row; coordinates must be the same.

    Parameters
    ----------
    first, second : Path
        Delivered clouds.
    height_unit : float
        Metres in one unit of their heights.

    Returns
    -------
    CloudChange
        ``why_not`` says where there is no telling.

    Raises
    ------
    BadInputError
        If one can't be read.
    """
    pair = open_flight(first), open_flight(second)
    change = CloudChange(points=pair[0].count)
    if pair[0].count != pair[1].count:
        change.why_not = f"{pair[0].count:,} points in the first run, {pair[1].count:,} in the second"
        return change
    if (pair[0].scales, pair[0].offsets) != (pair[1].scales, pair[1].offsets):
        change.why_not = "the coordinates are stored with another scale or offset"
        return change
    if sha256_of(first) == sha256_of(second):
        _all_the_same(change, pair[0])
        return change
    extra = [name for name in EXTRA_LABELS if all(name in flight.columns for flight in pair)]
    for name in extra:
        change.dimensions[name] = DimensionChange(COLUMNS[name].unit)
    row = 0
    for one, two in _in_step(pair, (*_RAW, *STANDARD_LABELS, *extra)):
        differ = np.flatnonzero(np.any([one[axis] != two[axis] for axis in _RAW], axis=0))
        if len(differ):
            return CloudChange(
                points=change.points,
                why_not=f"point {row + int(differ[0]) + 1:,} of the file has other coordinates",
            )
        _add(change, one, two, height_unit)
        row += len(one["X"])
    return change


def _all_the_same(change: CloudChange, flight: Flight) -> None:
    codes = np.zeros(256, np.int64)
    extra = [name for name in EXTRA_LABELS if name in flight.columns]
    change.dimensions = {name: DimensionChange(COLUMNS[name].unit) for name in extra}
    for part in read_columns(flight, ("classification", *extra), _CHUNK):
        codes += np.bincount(part["classification"], minlength=256)
        for name in extra:
            said = int(np.count_nonzero(part[name] != COLUMNS[name].nothing))
            change.dimensions[name].differences.add(np.zeros(said))
    change.moves = ClassMoves(np.diag(codes))


def _add(
    change: CloudChange, one: dict[str, NDArray[Any]], two: dict[str, NDArray[Any]], height_unit: float
) -> None:
    change.moves = ClassMoves.sum(
        [change.moves, ClassMoves.between(one["classification"], two["classification"])]
    )
    flags = one["withheld"] != two["withheld"]
    change.withheld += int(np.count_nonzero(flags))
    change.relabelled += int(np.count_nonzero(flags | (one["classification"] != two["classification"])))
    for name, found in change.dimensions.items():
        before, after = one[name], two[name]
        nothing = COLUMNS[name].nothing
        said, says = before != nothing, after != nothing
        found.changed += int(np.count_nonzero(before != after))
        found.only_first += int(np.count_nonzero(said & ~says))
        found.only_second += int(np.count_nonzero(says & ~said))
        both = said & says
        unit = height_unit if found.unit == "m" else 1.0
        found.differences.add((after[both].astype(np.float64) - before[both]) * unit)


def _in_step(
    pair: tuple[Flight, Flight], names: Sequence[str]
) -> Iterator[tuple[dict[str, NDArray[Any]], dict[str, NDArray[Any]]]]:
    """Give the same rows of both flights, whatever pieces each comes in."""
    readers = [read_columns(flight, names, _CHUNK) for flight in pair]
    held: list[dict[str, NDArray[Any]]] = [{}, {}]
    left = pair[0].count
    while left:
        for i, reader in enumerate(readers):
            if not held[i]:
                part = next(reader, None)
                if part is None:
                    raise BadInputError(pair[i].path, f"ends {left:,} points early")
                held[i] = part
        size = min(len(part["X"]) for part in held)
        yield tuple({name: values[:size] for name, values in part.items()} for part in held)  # type: ignore[misc]
        left -= size
        held = [
            {} if len(part["X"]) == size else {name: values[size:] for name, values in part.items()}
            for part in held
        ]
