"""Tables of a finished run."""

from __future__ import annotations

from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from rich.table import Table

from cloudprep.model.classes import class_name

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cloudprep.engine.score import Score
    from cloudprep.runs.batch_record import BatchRecord


def _table(*headings: str, numbers: Sequence[str] = ()) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for heading in headings:
        table.add_column(
            heading, justify="right" if heading in numbers else "left", overflow="fold", no_wrap=False
        )
    return table


def flight_table(inputs: Sequence[Mapping[str, Any]]) -> Table:
    """Return one row a flight: name, points, what became of it."""
    table = _table("flight", "points", "outcome", numbers=("points",))
    for one in inputs:
        outcome = one["reason"] if one["status"] == "failed" else one["status"]
        table.add_row(PurePath(one["path"]).name, f"{one['points']:,}", f"{outcome}")
    return table


def stage_table(stages: Sequence[Mapping[str, Any]]) -> Table:
    """Return one row a stage: how many labels it changed and how long it took."""
    table = _table("stage", "labels changed", "seconds", numbers=("labels changed", "seconds"))
    for one in stages:
        table.add_row(one["stage"], f"{one['changed']:,}", f"{one['seconds']:.1f}")
    return table


def class_table(classes: Mapping[str, int]) -> Table:
    """Return one row a class: points and share."""
    table = _table("class", "points", "share", numbers=("points", "share"))
    total = sum(classes.values())
    for code, count in classes.items():
        table.add_row(f"{code} {class_name(int(code))}", f"{count:,}", f"{100 * count / total:.2f} %")
    return table


def gate_table(record: Mapping[str, Any]) -> Table:
    """Return the gates of a run: figure, flight, value, limit, how it went; many flights share a row."""
    from cloudprep.judging import GateRecord, Judgement
    from cloudprep.judging.markdown import rows_of
    from cloudprep.judging.words import plain

    gates = [GateRecord.model_validate(gate) for gate in record["gates"]]
    table = _table("gate", "flight", "value", "limit", "outcome", numbers=("value",))
    for row in rows_of(Judgement(gates, flights=[one["path"] for one in record["inputs"]]), most=20):
        table.add_row(*map(plain, row))
    return table


def change_table(rows: Sequence[tuple[str, str, str, str]]) -> Table:
    """Return one row a thing that was compared."""
    table = _table("what", "which", "verdict", "difference")
    for row in rows:
        table.add_row(*row)
    return table


def class_change_table(changes: Sequence[tuple[int, int, int]]) -> Table:
    """Return one row for classes that points went from and to."""
    table = _table("class in the first run", "class in the second", "points", numbers=("points",))
    for before, after, points in changes:
        table.add_row(f"{before} {class_name(before)}", f"{after} {class_name(after)}", f"{points:,}")
    return table


def figure_table(figures: Mapping[str, Mapping[str, float | None]]) -> Table:
    """Return one row a figure, side by side."""
    headings = ("figure", "first run", "second run", "difference")
    table = _table(*headings, numbers=headings[1:])
    for name, one in figures.items():
        values = (one["first"], one["second"], one["difference"])
        table.add_row(name, *("none" if value is None else f"{value:.6g}" for value in values))
    return table


def batch_table(record: BatchRecord) -> Table:
    """Return one row a site: its flights, how long it took and what became of it."""
    table = _table(
        "site", "flights", "points", "seconds", "outcome", numbers=("flights", "points", "seconds")
    )
    for one in record.sites:
        outcome = one.reason or one.status.replace("_", " ")
        took = f"{one.seconds:.1f}" if one.status != "unfinished" else ""
        table.add_row(one.name, f"{len(one.inputs)}", f"{one.points:,}", took, outcome)
    return table


def score_table(scores: Mapping[str, Score]) -> Table:
    """Return one row a flight: how well ground was told from the rest."""
    headings = ("flight", "points", "Type I", "Type II", "total", "kappa")
    table = _table(*headings, numbers=headings[1:])
    for name, score in scores.items():
        rates = (score.type_1, score.type_2, score.total, score.kappa)
        shown = ["not defined" if r is None else f"{100 * r:.2f} %" for r in rates]
        table.add_row(name, f"{score.points:,}", *shown)
    return table
