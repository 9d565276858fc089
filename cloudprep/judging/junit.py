"""Gates as JUnit XML, which build servers show as a table of tests.

The format has no standard of its own; this is what two widely used schemas of it have in common (the one of
Apache Ant's JUnit task and the one of the xUnit reports of build servers): one ``testsuite`` within
``testsuites``, with its attributes and the order of its elements as both want them. A missed gate is a
``failure``; one whose severity is warn is ``skipped`` with a message, since pages show skipped cases by
number and name, and texts of passed ones hardly ever; an input that failed is an ``error`` in each of its
cases, or in one of its own where no gate is per flight.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from cloudprep.judging.words import gate_line, limits_text, plain, short_names, value_text

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
    cases = list(_cases(judgement, names))
    kinds = [case[0].tag if len(case) else "" for case in cases]
    root = ET.Element("testsuites")
    suite = ET.SubElement(
        root,
        "testsuite",
        {
            "id": "0",
            "package": "cloudprep",
            "name": "gates",
            # As the schemas want it: no zone behind the seconds. It is UTC.
            "timestamp": judgement.started[:19],
            "hostname": "localhost",
            "tests": str(len(cases)),
            "failures": str(kinds.count("failure")),
            "errors": str(kinds.count("error")),
            "skipped": str(kinds.count("skipped")),
            "time": f"{judgement.seconds:.3f}",
        },
    )
    properties = ET.SubElement(suite, "properties")
    for name, value in (("pipeline", judgement.pipeline), ("version", judgement.version)):
        ET.SubElement(properties, "property", {"name": name, "value": plain(value) or "unknown"})
    suite.extend(cases)
    lines = [gate_line(gate, names) for gate in judgement.gates if not gate.passed]
    ET.SubElement(suite, "system-out").text = "".join(f"{line}\n" for line in lines)
    ET.SubElement(suite, "system-err").text = ""
    ET.indent(root)
    content: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"


def _cases(judgement: Judgement, names: dict[str, str]) -> Iterator[ET.Element]:
    failed = {one.flight: one.reason for one in judgement.failed}
    nothing = bool(failed) and len(failed) >= len(judgement.flights)
    used: dict[tuple[str, str], int] = {}
    for gate in judgement.gates:
        owner = names.get(gate.flight, gate.flight) if gate.flight else _RUN
        title = f"{gate.figure} {limits_text(gate)}"
        used[owner, title] = used.get((owner, title), 0) + 1
        if used[owner, title] > 1:
            title = f"{title} #{used[owner, title]}"
        case = _case(owner, title)
        _tell(case, gate, failed=gate.flight in failed or (not gate.flight and nothing))
        yield case
    told = {gate.flight for gate in judgement.gates}
    for flight, reason in failed.items():
        if flight not in told:
            case = _case(names.get(flight, flight), "input")
            _add(case, "error", f"the input failed: {reason}", "input")
            yield case


def _case(owner: str, title: str) -> ET.Element:
    return ET.Element("testcase", {"classname": plain(owner), "name": plain(title), "time": "0"})


def _tell(case: ET.Element, gate: GateRecord, *, failed: bool) -> None:
    why = f" ({gate.why})" if gate.why else ""
    if gate.outcome == "not_judged":
        _add(case, "error" if failed else "skipped", gate.reason, "input")
    elif gate.outcome == "failed":
        _add(case, "failure", gate.reason + why, "gate", f"{value_text(gate) or 'no value'}, must be ")
        case[0].text = plain(f"{case[0].text}{limits_text(gate)}")
    elif gate.outcome == "warned":
        _add(case, "skipped", f"warning: {gate.reason}{why}", "")


def _add(case: ET.Element, tag: str, message: str, kind: str, text: str = "") -> None:
    attributes = {"message": plain(message)}
    if tag != "skipped":
        attributes["type"] = kind
    ET.SubElement(case, tag, attributes).text = text or None
