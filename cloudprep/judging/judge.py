"""Holds figures against gates: a figure that is missing, or is no number, misses its gate."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from cloudprep.judging.outcome import GateRecord
from cloudprep.judging.words import number_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from cloudprep.config import Gate
    from cloudprep.judging.outcome import Outcome
    from cloudprep.model.figures import Figure

_MOST_NAMES = 12


@dataclass(frozen=True)
class Judged:
    """What gates judge: a run, or one of its flights.

    Parameters
    ----------
    figures : mapping of str to float
        By name.
    flight : str
        The input as the record names it; empty for the run.
    nothing : str
        Why there is nothing to judge; empty where there is.
    """

    figures: Mapping[str, float] = field(default_factory=dict)
    flight: str = ""
    nothing: str = ""


def judge(
    gates: Iterable[Gate],
    run: Judged,
    flights: Sequence[Judged] = (),
    known: Mapping[str, Figure] | None = None,
) -> list[GateRecord]:
    """Return how each gate went, those per flight once for every flight.

    Parameters
    ----------
    gates : iterable of Gate
        In the order of the pipeline.
    run : Judged
        The run as a whole.
    flights : sequence of Judged
        Its inputs, those that failed too.
    known : mapping of str to Figure, optional
        What is known of figures: their units.

    Returns
    -------
    list of GateRecord
        In the order of the gates, then of the flights.
    """
    known = known or {}
    found: list[GateRecord] = []
    for gate in gates:
        figure = known.get(gate.figure)
        unit = figure.unit if figure is not None else ""
        if gate.per == "run":
            elsewhere = any(gate.figure in flight.figures for flight in flights)
            found.append(_judge_one(gate, run, unit, elsewhere=elsewhere))
        else:
            elsewhere = gate.figure in run.figures
            found += [_judge_one(gate, flight, unit, elsewhere=elsewhere) for flight in flights]
    return found


def _judge_one(gate: Gate, judged: Judged, unit: str, *, elsewhere: bool) -> GateRecord:
    value, nothing = judged.figures.get(gate.figure), judged.nothing
    if value is not None and not math.isfinite(value):
        value, reason = None, f"{gate.figure} is {value}, which is no finite number"
    elif judged.nothing:
        reason = judged.nothing
    elif value is None and gate.optional:
        nothing = reason = f"there is no '{gate.figure}' here, and the gate is optional"
    elif value is None:
        reason = _missing(gate, judged, elsewhere=elsewhere)
    else:
        reason = _missed(gate, value, unit)
    outcome: Outcome = "passed"
    if nothing:
        outcome = "not_judged"
    elif reason:
        outcome = "failed" if gate.severity == "fail" else "warned"
    return GateRecord(
        figure=gate.figure,
        per=gate.per,
        flight=judged.flight,
        at_least=gate.lowest,
        at_most=gate.highest,
        severity=gate.severity,
        optional=gate.optional,
        why=gate.why or "",
        value=value,
        unit=unit,
        passed=outcome == "passed",
        outcome=outcome,
        reason=reason,
    )


def _missed(gate: Gate, value: float, unit: str) -> str:
    """Return why a value misses its gate; empty if it doesn't."""
    low, high = gate.lowest, gate.highest
    if low is not None and value < low:
        word, limit = "below", low
    elif high is not None and value > high:
        word, limit = "above", high
    else:
        return ""
    behind = f" {unit}" if unit else ""
    return f"{gate.figure} is {number_text(value, limit)}{behind}, {word} {number_text(limit)}{behind}"


def _missing(gate: Gate, judged: Judged, *, elsewhere: bool) -> str:
    if elsewhere and gate.per == "flight":
        return f"'{gate.figure}' is a figure of the run as a whole, not of single flights: write 'per: run'"
    if elsewhere:
        return f"'{gate.figure}' is a figure of single flights, not of the run: write 'per: flight'"
    names = sorted(judged.figures)
    close = difflib.get_close_matches(gate.figure, names, n=1)
    shown = ", ".join(names[:_MOST_NAMES]) or "none"
    if len(names) > _MOST_NAMES:
        shown += f" and {len(names) - _MOST_NAMES} more"
    hint = f"; did you mean '{close[0]}'?" if close else f" (there are: {shown})"
    return f"no stage gave the figure '{gate.figure}'{hint}"
