"""Gates: figures that a run must reach before anyone relies on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.engine.record import GateRecord

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from cloudprep.config import Gate


def judge(gates: Iterable[Gate], figures: Mapping[str, float]) -> list[GateRecord]:
    """Return how each gate went; a figure that no stage gave fails its gate."""
    return [_judge_one(gate, figures) for gate in gates]


def _judge_one(gate: Gate, figures: Mapping[str, float]) -> GateRecord:
    value = figures.get(gate.figure)
    if value is None:
        there = ", ".join(sorted(figures)) or "none"
        reason = f"no stage gave the figure '{gate.figure}' (there are: {there})"
    elif gate.at_least is not None and value < gate.at_least:
        reason = f"{gate.figure} is {value:.6g}, below {gate.at_least:.6g}"
    elif gate.at_most is not None and value > gate.at_most:
        reason = f"{gate.figure} is {value:.6g}, above {gate.at_most:.6g}"
    else:
        reason = ""
    return GateRecord(
        figure=gate.figure,
        at_least=gate.at_least,
        at_most=gate.at_most,
        value=value,
        passed=not reason,
        reason=reason,
    )
