"""Gates as cases of a JUnit XML file: one a gate, or one a gate and flight.

A missed gate is a ``failure``; one whose severity is warn is ``skipped`` with a message, since pages show
skipped cases by number and name, and texts of passed ones hardly ever; an input that failed is an ``error``
in each of its cases, or in one of its own where no gate is per flight.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.judging.junit_xml import Case, suite_xml
from cloudprep.judging.words import gate_line, limits_text, short_names, value_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cloudprep.judging.outcome import GateRecord, Judgement

__all__ = ["junit_xml"]

_RUN = "run"


def junit_xml(judgement: Judgement) -> bytes:
    """Return the document, UTF-8.

    Parameters
    ----------
    judgement : Judgement
        Gates, flights and times.
    """
    names = short_names(judgement.flights)
    return suite_xml(
        "gates",
        list(_cases(judgement, names)),
        started=judgement.started,
        seconds=judgement.seconds,
        properties={"pipeline": judgement.pipeline, "version": judgement.version},
        lines=[gate_line(gate, names) for gate in judgement.gates if not gate.passed],
    )


def _cases(judgement: Judgement, names: dict[str, str]) -> Iterator[Case]:
    failed = {one.flight: one.reason for one in judgement.failed}
    for gate in judgement.gates:
        owner = names.get(gate.flight, gate.flight) if gate.flight else _RUN
        yield _case(gate, owner, f"{gate.figure} {limits_text(gate)}", failed=gate.flight in failed)
    told = {gate.flight for gate in judgement.gates}
    for flight, reason in failed.items():
        if flight not in told:
            message = f"the input failed: {reason}"
            yield Case(names.get(flight, flight), "input", "error", message, kind="input")


def _case(gate: GateRecord, owner: str, title: str, *, failed: bool) -> Case:
    why = f" ({gate.why})" if gate.why else ""
    if gate.outcome == "not_judged":
        # A run none of whose inputs could be used is an error; a flight beyond the boundary, and an optional
        # gate on a figure that isn't there, are not.
        error = failed or not (gate.flight or gate.optional)
        return Case(owner, title, "error" if error else "skipped", gate.reason, kind="input")
    if gate.outcome == "failed":
        text = f"{value_text(gate) or 'no value'}, must be {limits_text(gate)}"
        return Case(owner, title, "failure", gate.reason + why, text)
    if gate.outcome == "warned":
        return Case(owner, title, "skipped", f"warning: {gate.reason}{why}")
    return Case(owner, title)
