"""Compares a classified cloud with a reference: how well ground was told from everything else."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.calibration import Calibration, CalibrationCount
from cloudprep.engine.extra_columns import ExtraColumn, extra_column, extra_columns
from cloudprep.engine.matching import (
    UNCLEAR,
    Agreement,
    Differences,
    label_by_place,
    on_one_lattice,
    pair_by_place,
)
from cloudprep.errors import BadInputError, UsageError
from cloudprep.io.las import open_flight, read_columns
from cloudprep.io.las.stream import iter_records
from cloudprep.kernels.agreement import Confusion, confusion
from cloudprep.model.classes import ClassCode

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.las import Flight

__all__ = ["Score", "score_clouds"]

CHUNK = 1_000_000
CONFIDENCE = "ground_confidence"


@dataclass(frozen=True)
class Score:
    """How a classified cloud agrees with its reference.

    Parameters
    ----------
    points : int
        Points that were compared.
    ground_kept, ground_lost, object_taken, object_kept : int
        Ground found as ground; ground of the reference called something else; something else called ground;
        something else found as such.
    type_1, type_2, total : float or None
        Share of the reference's ground that was lost; of its other points that were taken for ground; of all
        points that are wrong. None where there is nothing to take a share of.
    kappa : float or None
        Cohen's kappa: agreement beyond chance.
    matched : str
        ``same order`` or ``by coordinates``.
    left_out : int
        Points that can't be paired.
    notes : tuple of str
        What a reader should know.
    calibration : Calibration or None
        Whether the confidences that the judged cloud carries keep their word; None where it carries none.
    """

    points: int
    ground_kept: int
    ground_lost: int
    object_taken: int
    object_kept: int
    type_1: float | None
    type_2: float | None
    total: float | None
    kappa: float | None
    matched: str
    left_out: int
    notes: tuple[str, ...]
    calibration: Calibration | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        return {"schema_version": 1, **asdict(self), "notes": list(self.notes)}


@dataclass(frozen=True)
class _Piece:
    """Some points: places as stored, whether each is ground, how sure that is, and how many were withheld."""

    raw: NDArray[np.int64]
    ground: NDArray[np.bool_]
    withheld: int
    sure: NDArray[np.uint8] | None = None

    def __len__(self) -> int:
        return len(self.raw)

    def cut(self, count: int) -> tuple[_Piece, _Piece]:
        sure = (None, None) if self.sure is None else (self.sure[:count], self.sure[count:])
        first = _Piece(self.raw[:count], self.ground[:count], self.withheld, sure[0])
        return first, _Piece(self.raw[count:], self.ground[count:], 0, sure[1])


def score_clouds(classified: Path, reference: Path, reference_column: str | None = None) -> Score:
    """Compare a classified cloud with a reference of the same points.

    Ground is class 2 in both. Points flagged withheld, and noise, count as not ground in either cloud.

    Parameters
    ----------
    classified : Path
        The cloud to judge.
    reference : Path
        The cloud that is right; it may be the same file with the truth in another column.
    reference_column : str, optional
        Extra column of the reference that holds the true class codes; by default its classification.

    Returns
    -------
    Score
        Counts, error rates and kappa.

    Raises
    ------
    BadInputError
        If a file can't be used.
    UsageError
        If the clouds don't hold the same points, there is no such column, or the reference has no ground.
    """
    ours, theirs = open_flight(classified), open_flight(reference)
    column = extra_column(theirs, reference_column) if reference_column is not None else None
    for flight in (ours, theirs):
        if flight.count == 0:
            raise BadInputError(flight.path, "holds no points at all")
    notes: list[str] = []
    calibration = CalibrationCount() if CONFIDENCE in ours.columns else None
    agreement = _by_row(ours, theirs, column, notes, calibration) if ours.count == theirs.count else None
    matched = "same order"
    if agreement is None:
        matched = "by coordinates"
        calibration = CalibrationCount() if calibration is not None else None
        agreement = _by_place(ours, theirs, column, notes, calibration)
        notes.append("the points stand in another order in the reference: they were matched by coordinates")
    if agreement.left_out:
        notes.append(
            f"{agreement.left_out:,} points share their place with points of another class in both clouds; "
            "they can't be paired and are left out"
        )
    _refuse_no_ground(agreement, theirs, reference_column)
    return _score(agreement, matched, notes, calibration)


def _score(
    agreement: Agreement, matched: str, notes: list[str], calibration: CalibrationCount | None
) -> Score:
    counts = agreement.counts
    return Score(
        points=sum(counts),
        **counts._asdict(),
        type_1=_or_none(counts.type_1),
        type_2=_or_none(counts.type_2),
        total=_or_none(counts.total),
        kappa=_or_none(counts.kappa),
        matched=matched,
        left_out=agreement.left_out,
        notes=tuple(dict.fromkeys(notes)),
        calibration=None if calibration is None else calibration.result(),
    )


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _refuse_no_ground(agreement: Agreement, reference: Flight, column: str | None) -> None:
    if agreement.counts.ground_kept + agreement.counts.ground_lost + agreement.left_out:
        return
    where = f"column '{column}'" if column else "classification"
    others = [name for name in extra_columns(reference) if name not in {column, CONFIDENCE}]
    hint = (
        f"; is the truth in another column (--reference-column)? It carries: {', '.join(others)}"
        if others
        else ""
    )
    raise UsageError(f"{reference.path}: the reference has no ground (2) in its {where}{hint}")


def _pieces(flight: Flight, column: ExtraColumn | None, *, sure: bool = False) -> Iterator[_Piece]:
    """Yield a flight's points in order, with their stated confidences where asked."""
    if column is None:
        names = ["X", "Y", "Z", "classification", "withheld", *([CONFIDENCE] if sure else [])]
        for columns in read_columns(flight, names, CHUNK):
            raw = np.stack([columns[axis].astype(np.int64) for axis in "XYZ"], axis=1)
            ground, withheld = columns["classification"] == ClassCode.GROUND, columns["withheld"]
            hidden = int(np.count_nonzero(ground & withheld))
            yield _Piece(raw, ground & ~withheld, hidden, columns.get(CONFIDENCE))
        return
    for _, records in iter_records(flight, CHUNK):
        raw = np.ascontiguousarray(records[:, :12]).view("<i4").astype(np.int64)
        yield _Piece(raw, column.read(records) == ClassCode.GROUND, 0)


def _note_withheld(flight: Flight, count: int, notes: list[str]) -> None:
    if count:
        notes.append(f"{flight.path.name}: {count:,} ground points are withheld; they count as not ground")


def _in_step(first: Iterator[_Piece], second: Iterator[_Piece]) -> Iterator[tuple[_Piece, _Piece]]:
    """Yield pieces of two clouds cut to the same rows, as far as the shorter cloud goes."""
    a, b = next(first, None), next(second, None)
    while a is not None and b is not None:
        count = min(len(a), len(b))
        (head_a, a), (head_b, b) = a.cut(count), b.cut(count)
        yield head_a, head_b
        a = a if len(a) else next(first, None)
        b = b if len(b) else next(second, None)


def _by_row(
    ours: Flight,
    theirs: Flight,
    column: ExtraColumn | None,
    notes: list[str],
    calibration: CalibrationCount | None,
) -> Agreement | None:
    """Compare row by row; None as soon as a row holds another point."""
    lattice = _Lattice(ours, theirs)
    total, withheld = np.zeros(4, np.int64), [0, 0]
    for a, b in _in_step(_pieces(ours, None, sure=calibration is not None), _pieces(theirs, column)):
        if not np.array_equal(lattice.of(ours, a.raw), lattice.of(theirs, b.raw)):
            return None
        total += confusion(a.ground, b.ground)
        if calibration is not None and a.sure is not None:
            calibration.add(a.sure, a.ground == b.ground)
        withheld[0] += a.withheld
        withheld[1] += b.withheld
    _note_withheld(ours, withheld[0], notes)
    if theirs.path != ours.path:
        _note_withheld(theirs, withheld[1], notes)
    if lattice.converted:
        notes.append("the clouds store their coordinates in different steps: compared to the finer one")
    return Agreement(Confusion(*total.tolist()))


def _by_place(
    ours: Flight,
    theirs: Flight,
    column: ExtraColumn | None,
    notes: list[str],
    calibration: CalibrationCount | None,
) -> Agreement:
    lattice = _Lattice(ours, theirs)
    joined = []
    stated: list[NDArray[np.uint8]] = []
    for flight, chosen in ((ours, None), (theirs, column)):
        judged = flight is ours and calibration is not None
        pieces = list(_pieces(flight, chosen, sure=judged))
        stated += [piece.sure for piece in pieces if piece.sure is not None]
        places = np.concatenate([lattice.of(flight, piece.raw) for piece in pieces])
        joined.append((places, np.concatenate([piece.ground for piece in pieces])))
        _note_withheld(flight, sum(piece.withheld for piece in pieces), notes)
    found = pair_by_place(*chain.from_iterable(joined))
    if isinstance(found, Differences):
        raise UsageError(
            f"the clouds don't hold the same points: {found.only_first:,} of {ours.count:,} in {ours.path} "
            f"are not in {theirs.path}, and {found.only_second:,} of {theirs.count:,} the other way round"
        )
    if calibration is not None:
        (places, ground), reference = joined
        said = label_by_place(places, *reference)
        clear = said != UNCLEAR
        calibration.add(np.concatenate(stated)[clear], (ground == said)[clear])
        calibration.leave_out(len(clear) - int(np.count_nonzero(clear)))
    if lattice.converted:
        notes.append("the clouds store their coordinates in different steps: compared to the finer one")
    return found


class _Lattice:
    """Whole steps in which the coordinates of both clouds can be compared exactly."""

    def __init__(self, first: Flight, second: Flight) -> None:
        steps = [min(pair) for pair in zip(first.scales, second.scales, strict=True)]
        self.steps = (steps[0], steps[1], steps[2])
        self.start = first.offsets
        self.converted = (first.scales, first.offsets) != (second.scales, second.offsets)

    def of(self, flight: Flight, raw: NDArray[np.int64]) -> NDArray[np.int64]:
        return on_one_lattice(raw, flight.scales, flight.offsets, self.steps, self.start)
