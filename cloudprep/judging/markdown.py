"""Gates as a short page of Markdown, for the summary of a build."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from cloudprep.judging.words import (
    OUTCOME_WORDS,
    WHOLE_RUN,
    limits_text,
    number_text,
    plain,
    short_names,
    value_text,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cloudprep.judging.outcome import GateRecord, Judgement

__all__ = ["gates_markdown", "rows_of"]

# More rows than that nobody reads: then flights that passed a gate share one row.
MOST_ROWS = 40
# Underscores between letters or digits mean nothing: names of figures stay as they are.
_MEANT = re.compile(r"[\\`*\[\]~|$]|(?<![^\W_])_|_(?![^\W_])")
_ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "@": "&#64;", "#": "&#35;"}

Row = tuple[str, str, str, str, str]


def escaped(text: str) -> str:
    """Return a text that Markdown shows as it is, in a cell of a table too.

    >>> escaped("<i>@x.laz")
    '&lt;i&gt;&#64;x.laz'
    """
    marked = _MEANT.sub(r"\\\g<0>", plain(text))
    return "".join(_ENTITIES.get(c, c) for c in marked)


def gates_markdown(judgement: Judgement) -> str:
    """Return the page: one line that sums up, a table, and the inputs that failed."""
    lines = [f"### Gates: {summary(judgement)}", ""]
    if judgement.gates:
        lines += ["| gate | flight | value | limit | outcome |", "| --- | --- | --- | --- | --- |"]
        lines += [f"| {' | '.join(map(escaped, row))} |" for row in rows_of(judgement)]
        lines.append("")
    if judgement.failed:
        names = short_names(judgement.flights)
        lines.append("Inputs that failed:")
        lines.append("")
        failed = judgement.failed[:MOST_ROWS]
        lines += [f"- {escaped(names.get(f.flight, f.flight))}: {escaped(f.reason)}" for f in failed]
        if len(judgement.failed) > MOST_ROWS:
            lines.append(f"- and {len(judgement.failed) - MOST_ROWS} more")
        lines.append("")
    return "\n".join(lines)


def summary(judgement: Judgement) -> str:
    """Return the outcome in a few words."""
    counts = {outcome: judgement.count(outcome) for outcome in OUTCOME_WORDS}
    words = [
        f"{counts['failed']} failed",
        *([f"{counts['warned']} with a warning"] if counts["warned"] else []),
        f"{counts['passed']} passed",
        *([f"{counts['not_judged']} not judged"] if counts["not_judged"] else []),
    ]
    if judgement.failed:
        number = len(judgement.failed)
        words.append(f"{number} {'input' if number == 1 else 'inputs'} failed")
    return ", ".join(words)


def rows_of(judgement: Judgement, most: int = MOST_ROWS) -> list[Row]:
    """Return the rows of a table about the gates: gate, flight, value, limit, outcome.

    Where there would be more than ``most``, flights that went the same way with a gate share a row: those
    that passed always, others where they are many.
    """
    names = short_names(judgement.flights)
    if len(judgement.gates) <= most:
        return [_row(gate, names) for gate in judgement.gates]
    rows: list[Row] = []
    groups = list(_groups(judgement.gates))
    # Each gate that flights miss may show some of them; the rest is counted.
    each = max(3, most // max(1, len(groups)))
    for group in groups:
        missed = [gate for gate in group if not gate.passed]
        rows += [_row(gate, names) for gate in missed[:each]]
        if len(missed) > each:
            rows.append(_shared(missed[each:], f"{len(missed) - each} more flights", "did not pass"))
        passed = [gate for gate in group if gate.passed]
        if len(passed) == 1:
            rows.append(_row(passed[0], names))
        elif passed:
            rows.append(_shared(passed, f"{len(passed)} of {len(group)} flights", "passed"))
    return rows


def _groups(gates: Sequence[GateRecord]) -> Iterator[list[GateRecord]]:
    """Give gates by the gate of the pipeline that they are: one for the run, or one a flight."""
    group: list[GateRecord] = []
    seen: set[str] = set()
    for gate in gates:
        same = bool(group) and _key(gate) == _key(group[-1]) and gate.flight not in seen
        if group and not same:
            yield group
            group, seen = [], set()
        group.append(gate)
        seen.add(gate.flight)
    if group:
        yield group


def _key(gate: GateRecord) -> tuple[object, ...]:
    return gate.figure, gate.per, gate.at_least, gate.at_most, gate.severity, gate.why


def _title(gate: GateRecord) -> str:
    return f"{gate.figure}: {gate.why}" if gate.why else gate.figure


def _row(gate: GateRecord, names: dict[str, str]) -> Row:
    flight = names.get(gate.flight, gate.flight) if gate.flight else WHOLE_RUN
    outcome = OUTCOME_WORDS[gate.outcome]
    if gate.outcome == "not_judged":
        # Why the input failed is told once, and not with each of its gates.
        outcome = f"{outcome}: {gate.reason.partition(': ')[0]}"
    elif gate.value is None and gate.reason:
        outcome = f"{outcome}: {gate.reason}"
    return _title(gate), flight, value_text(gate) or "none", limits_text(gate), outcome


def _shared(gates: Sequence[GateRecord], flights: str, outcome: str) -> Row:
    values = [gate.value for gate in gates if gate.value is not None]
    text = "none"
    if values:
        ends = dict.fromkeys((number_text(min(values)), number_text(max(values))))
        text = f"{' to '.join(ends)} {gates[0].unit}".rstrip()
    return _title(gates[0]), flights, text, limits_text(gates[0]), outcome
