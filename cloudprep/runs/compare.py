"""Compares two runs of the same inputs: what changed when a pipeline or the program did."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cloudprep.errors import EXIT_DONE, EXIT_GATE_FAILED, BadInputError, UsageError
from cloudprep.io.atomic import sha256_of
from cloudprep.io.las import open_flight
from cloudprep.model.classes import NOISE_CODES, ClassCode, class_name
from cloudprep.model.columns import EXTRA_LABELS
from cloudprep.runs.compare_clouds import CloudChange, compare_clouds
from cloudprep.runs.compare_findings import Finding, Tolerances, judged, percent
from cloudprep.runs.compare_grids import GridChange, compare_grids
from cloudprep.runs.compare_records import (
    Pair,
    RunSide,
    gate_changes,
    open_run,
    paired,
    side_by_side,
    told_changes,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cloudprep.runs.compare_findings import Verdict

__all__ = ["RunComparison", "Tolerances", "compare_runs"]

_BY_BYTES = ("picture", "layers", "drawing", "surface", "index")
_MOST_MOVES = 3


@dataclass
class RunComparison:
    """What changed between two runs.

    Parameters
    ----------
    first, second : RunSide
        The runs.
    tolerances : Tolerances
        How much may differ.
    """

    first: RunSide
    second: RunSide
    tolerances: Tolerances
    started: datetime = field(default_factory=lambda: datetime.now(UTC))
    seconds: float = 0.0
    findings: list[Finding] = field(default_factory=list)
    flights: dict[str, CloudChange] = field(default_factory=dict)
    pairs: list[Pair] = field(default_factory=list)
    together: CloudChange = field(default_factory=CloudChange)
    grids: dict[str, GridChange] = field(default_factory=dict)

    @property
    def beyond(self) -> bool:
        """Whether anything differs by more than the tolerance."""
        return any(one.verdict == "beyond" for one in self.findings)

    @property
    def exit_code(self) -> int:
        """3 if anything differs by more than the tolerance, else 0."""
        return EXIT_GATE_FAILED if self.beyond else EXIT_DONE

    def as_dict(self) -> dict[str, Any]:
        """Return everything for machines."""
        one, two = self.first.record, self.second.record
        return {
            "schema_version": 1,
            "first": {"folder": str(self.first.root), "finished": one.get("finished", "")},
            "second": {"folder": str(self.second.root), "finished": two.get("finished", "")},
            "tolerances": self.tolerances.as_dict(),
            "within_tolerance": not self.beyond,
            "findings": [finding.as_dict() for finding in self.findings],
            "labels": {
                "flights": [{"flight": name, **change.as_dict()} for name, change in self.flights.items()],
                "all": self.together.as_dict(),
            },
            "rasters": [{"path": path, **change.as_dict()} for path, change in self.grids.items()],
            "figures": side_by_side(one.get("figures", {}), two.get("figures", {})),
            "flight_figures": [
                {
                    "flight": pair.first["path"],
                    "figures": side_by_side(pair.first.get("figures", {}), pair.second.get("figures", {})),
                }
                for pair in self.pairs
            ],
        }


def compare_runs(first: Path, second: Path, tolerances: Tolerances | None = None) -> RunComparison:
    """Compare two finished runs of the same inputs.

    Inputs belong together by the checksums of their files, else by name. Labels are compared point by point,
    rasters cell by cell, all else by what the records say.

    Parameters
    ----------
    first, second : Path
        Folders of the runs.
    tolerances : Tolerances, optional
        How much may differ; nothing at all, by default.

    Raises
    ------
    UsageError
        If a folder holds no finished run, or the runs have no input in common.
    """
    clock = time.perf_counter()
    sides = open_run(first), open_run(second)
    pairs, left, right = paired(*sides)
    if not pairs:
        raise UsageError(f"{first} and {second} have no input in common, neither by checksum nor by name")
    found = RunComparison(*sides, tolerances or Tolerances(), pairs=pairs)
    for one in left:
        found.findings.append(Finding("input", str(one["path"]), "beyond", "an input of the first run only"))
    for one in right:
        found.findings.append(Finding("input", str(one["path"]), "beyond", "an input of the second run only"))
    for pair in pairs:
        found.findings += _flight(found, pair)
    found.findings += _rasters(found)
    found.findings += _files(found)
    for name, before, after in gate_changes(sides[0].record, sides[1].record, pairs):
        worse: Verdict = "beyond" if (before, after) == ("passed", "failed") else "told"
        found.findings.append(
            Finding("gate", name, worse, f"{before} in the first run, {after} in the second")
        )
    changes = told_changes(sides[0].record, sides[1].record)
    found.findings += [Finding(about, name, "told", text) for about, name, text in changes]
    found.seconds = time.perf_counter() - clock
    return found


def _flight(found: RunComparison, pair: Pair) -> Iterator[Finding]:
    """Compare an input that both runs had."""
    name = str(pair.first["path"])
    if not pair.same_file:
        known = pair.first.get("sha256") and pair.second.get("sha256")
        how = "its file is another one" if known else "of its file there is no checksum in both"
        yield Finding("input", name, "told", f"the runs agree only in its name: {how}")
    failed = [one.get("status") == "failed" for one in pair[:2]]
    if all(failed):
        yield Finding("input", name, "same", "failed in both runs")
        return
    if any(failed):
        which, reason = ("first", pair.first) if failed[0] else ("second", pair.second)
        yield Finding("input", name, "beyond", f"failed in the {which} run only: {reason.get('reason', '')}")
        return
    clouds = [side.cloud_of(one) for side, one in zip((found.first, found.second), pair[:2], strict=True)]
    if clouds == [None, None]:
        yield Finding("labels", name, "same", "delivered by neither run")
        return
    if gone := _gone(clouds, "delivered"):
        yield Finding("labels", name, "beyond", gone)
        return
    one, two = (path for path in clouds if path is not None)
    try:
        change = compare_clouds(one, two, found.first.height_unit)
    except BadInputError as error:
        yield Finding("labels", name, "beyond", f"can't be compared: {error}")
        return
    found.flights[name] = change
    if change.why_not:
        yield Finding("labels", name, "beyond", f"can't be compared: {change.why_not}")
        return
    found.together.join(change)
    limits = found.tolerances
    verdict = judged(change.relabelled, change.points, limits.labels_changed)
    yield Finding("labels", name, verdict, labels_text(change))
    for dimension, differs in change.dimensions.items():
        verdict = judged(differs.changed, change.points, limits.dimensions_changed)
        share = percent(differs.changed, change.points)
        text = f"{differs.changed:,} of {change.points:,} points differ ({share})"
        figures = differs.differences
        if differs.changed:
            unit = f" {differs.unit}" if differs.unit else ""
            text += f": mean {figures.mean:+.3g}{unit}, largest {figures.largest:.3g}{unit}"
        yield Finding(dimension, name, verdict, text)
    yield from _one_sided(one, two, name)


def _one_sided(one: Path, two: Path, name: str) -> Iterator[Finding]:
    carried = [open_flight(path).columns for path in (one, two)]
    for dimension in EXTRA_LABELS:
        there = [dimension in columns for columns in carried]
        if there[0] != there[1]:
            which = "first" if there[0] else "second"
            yield Finding(dimension, name, "beyond", f"carried in the {which} run only")


def labels_text(change: CloudChange) -> str:
    """Return what happened to the classes of points, in a line."""
    text = (
        f"{change.relabelled:,} of {change.points:,} points have other labels "
        f"({percent(change.relabelled, change.points)})"
    )
    if not change.relabelled:
        return text
    ground, noise = (ClassCode.GROUND,), NOISE_CODES
    moves = [f"{class_name(a)} to {class_name(b)} {n:,}" for a, b, n in change.changes()[:_MOST_MOVES]]
    text += (
        f"; ground +{change.gained(ground):,} -{change.lost(ground):,}"
        f", noise +{change.gained(noise):,} -{change.lost(noise):,}"
    )
    if moves:
        text += f"; most: {', '.join(moves)}"
    if change.withheld:
        text += f"; withheld flags of {change.withheld:,}"
    return text


def _gone(paths: list[Path | None], what: str) -> str:
    """Say which of two files isn't there; empty if both are."""
    told = []
    for path, which in zip(paths, ("first", "second"), strict=True):
        if path is None:
            told.append(f"not {what} by the {which} run")
        elif not path.is_file():
            told.append(f"{path} is missing, though the {which} run wrote it")
    return "; ".join(told)


def _both(found: RunComparison, *kinds: str) -> Iterator[tuple[str, list[Path | None]]]:
    sides = found.first, found.second
    outputs = [side.outputs(*kinds) for side in sides]
    for path in sorted({*outputs[0], *outputs[1]}):
        yield path, [s.root / path if path in o else None for s, o in zip(sides, outputs, strict=True)]


def _rasters(found: RunComparison) -> Iterator[Finding]:
    limits = found.tolerances
    for path, files in _both(found, "raster"):
        if gone := _gone(files, "made"):
            yield Finding("raster", path, "beyond", gone)
            continue
        one, two = (file for file in files if file is not None)
        try:
            change = compare_grids(one, two, limits.height_difference, limits.value_difference)
        except BadInputError as error:
            yield Finding("raster", path, "beyond", f"can't be compared: {error}")
            continue
        found.grids[path] = change
        if change.why_not:
            yield Finding("raster", path, "beyond", f"can't be compared: {change.why_not}")
            continue
        apart = change.only_first + change.only_second
        verdict: Verdict = "same"
        if change.differing or apart:
            verdict = "within" if change.beyond + apart <= limits.cells_beyond * change.cells else "beyond"
        yield Finding("raster", path, verdict, raster_text(change))


def raster_text(change: GridChange) -> str:
    """Return how a raster differs, in a line."""
    text = f"{change.differing:,} of {change.both:,} cells differ ({percent(change.differing, change.both)})"
    if change.differing and not change.codes:
        figures, unit = change.differences, f" {change.unit}" if change.unit else ""
        text += (
            f": mean {figures.mean:+.4g}{unit}, RMSE {figures.rmse:.4g}{unit}, 95 % within "
            f"{figures.of_size(0.95):.4g}{unit}, largest {figures.largest:.4g}{unit}"
        )
    if change.only_first or change.only_second:
        text += f"; {change.only_first:,} cells in the first run only, {change.only_second:,} in the second"
    return text


def _files(found: RunComparison) -> Iterator[Finding]:
    """Compare files of other kinds by their bytes: what differs is told, since dates may stand in them."""
    for path, files in _both(found, *_BY_BYTES):
        if gone := _gone(files, "made"):
            yield Finding("file", path, "beyond", gone)
            continue
        one, two = (sha256_of(file) for file in files if file is not None)
        if one != two:
            yield Finding("file", path, "told", "its bytes differ; what is in it is not compared")
