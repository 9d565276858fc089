"""A JUnit XML file from cases, which build servers show as a table of tests.

The format has no standard of its own; this is what two widely used schemas of it have in common (the one of
Apache Ant's JUnit task and the one of the xUnit reports of build servers): one ``testsuite`` within
``testsuites``, with its attributes and the order of its elements as both want them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal
from xml.etree import ElementTree as ET

from cloudprep.judging.words import plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

__all__ = ["Case", "suite_xml"]

Result = Literal["passed", "failure", "error", "skipped"]


@dataclass(frozen=True)
class Case:
    """One case.

    Parameters
    ----------
    owner, title : str
        What it is about; cases of equal owner and title get numbers.
    result : {"passed", "failure", "error", "skipped"}
        How it went.
    message, text : str
        Why it didn't pass: one line, and more of it.
    kind : str
        Kind of a failure or an error.
    """

    owner: str
    title: str
    result: Result = "passed"
    message: str = ""
    text: str = ""
    kind: str = "gate"


def suite_xml(
    name: str,
    cases: Sequence[Case],
    *,
    started: str,
    seconds: float,
    properties: Mapping[str, str],
    lines: Iterable[str] = (),
) -> bytes:
    """Return a document of one suite, UTF-8; no name or message can break it.

    Parameters
    ----------
    name : str
        Of the suite.
    cases : sequence of Case
        In their order.
    started : str
        ISO 8601, UTC.
    seconds : float
        How long it took.
    properties : mapping of str to str
        What else there is to know.
    lines : iterable of str
        Output for people.
    """
    results = [case.result for case in cases]
    root = ET.Element("testsuites")
    suite = ET.SubElement(
        root,
        "testsuite",
        {
            "id": "0",
            "package": "cloudprep",
            "name": name,
            # As the schemas want it: no zone behind the seconds. It is UTC.
            "timestamp": started[:19],
            "hostname": "localhost",
            "tests": str(len(cases)),
            "failures": str(results.count("failure")),
            "errors": str(results.count("error")),
            "skipped": str(results.count("skipped")),
            "time": f"{seconds:.3f}",
        },
    )
    more = ET.SubElement(suite, "properties")
    for key, value in properties.items():
        ET.SubElement(more, "property", {"name": key, "value": plain(value) or "unknown"})
    used: dict[tuple[str, str], int] = {}
    for case in cases:
        owner, title = plain(case.owner), plain(case.title)
        used[owner, title] = used.get((owner, title), 0) + 1
        if used[owner, title] > 1:
            title = f"{title} #{used[owner, title]}"
        element = ET.SubElement(suite, "testcase", {"classname": owner, "name": title, "time": "0"})
        if case.result != "passed":
            attributes = {"message": plain(case.message)}
            if case.result != "skipped":
                attributes["type"] = case.kind
            ET.SubElement(element, case.result, attributes).text = plain(case.text) or None
    ET.SubElement(suite, "system-out").text = "".join(f"{plain(line)}\n" for line in lines)
    ET.SubElement(suite, "system-err").text = ""
    ET.indent(root)
    content: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"
