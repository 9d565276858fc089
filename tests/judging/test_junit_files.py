"""Gates as JUnit XML: what two widely used schemas ask for, and what a general library reads from it.

The format has no standard. ``check_structure`` states what the schema of Apache Ant's JUnit task (its fields,
as published with the ``junitreport`` documentation, from memory) and the one of the xUnit reports of build
servers (``junit-10``, from memory) ask for; junitparser is a library that reads such files.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from junitparser import Error, Failure, JUnitXml, Skipped

from cloudprep.config import Gate
from cloudprep.judging import FailedInput, Judged, Judgement, judge
from cloudprep.judging.document import gates_json
from cloudprep.judging.junit import junit_xml

if TYPE_CHECKING:
    from pathlib import Path

_SUITE = {
    "id": r"[0-9]+",
    "package": r".+",
    "name": r".+",
    # ISO8601_DATETIME_PATTERN of the first schema: seconds, no zone.
    "timestamp": r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}",
    "hostname": r".+",
    "tests": r"[0-9]+",
    "failures": r"[0-9]+",
    "errors": r"[0-9]+",
    "skipped": r"[0-9]+",
    "time": r"[0-9]+(\.[0-9]+)?",
}
_RESULTS = {"error": {"message", "type"}, "failure": {"message", "type"}, "skipped": {"message"}}


def check_structure(content: bytes) -> ET.Element:
    """Hold a document against what both schemas ask for; returns its only suite."""
    root = ET.fromstring(content)  # noqa: S314 - it was just made here
    assert (root.tag, root.attrib) == ("testsuites", {})
    (suite,) = root
    assert suite.tag == "testsuite"
    assert set(suite.attrib) == set(_SUITE)
    for name, pattern in _SUITE.items():
        assert re.fullmatch(pattern, suite.attrib[name]), name
    tags = [child.tag for child in suite]
    cases = suite.findall("testcase")
    assert tags == ["properties", *["testcase"] * len(cases), "system-out", "system-err"]
    for one in suite[0]:
        assert (one.tag, set(one.attrib)) == ("property", {"name", "value"})
    seen = set()
    counts = dict.fromkeys(_RESULTS, 0)
    for case in cases:
        assert set(case.attrib) == {"classname", "name", "time"}
        assert case.attrib["classname"]
        assert case.attrib["name"]
        seen.add((case.attrib["classname"], case.attrib["name"]))
        assert len(case) <= 1
        for result in case:
            assert set(result.attrib) == _RESULTS[result.tag]
            assert result.attrib["message"]
            counts[result.tag] += 1
    assert len(seen) == len(cases)
    assert int(suite.attrib["tests"]) == len(cases)
    for tag, name in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        assert int(suite.attrib[name]) == counts[tag]
    return suite


def test_the_file_has_the_structure_that_schemas_ask_for(judged: Judgement) -> None:
    suite = check_structure(junit_xml(judged))
    assert suite.attrib["timestamp"] == "2026-03-01T07:08:09"
    assert suite.attrib["time"] == "12.500"


def test_a_general_library_reads_one_case_a_gate_and_flight(judged: Judgement, tmp_path: Path) -> None:
    path = tmp_path / "gates.xml"
    path.write_bytes(junit_xml(judged))
    (suite,) = JUnitXml.fromfile(str(path))
    cases = list(suite)
    assert len(cases) == len(judged.gates) == 12
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (12, 3, 3, 2)
    results = [case.result[0] if case.result else None for case in cases]
    kinds = {"failed": Failure, "warned": Skipped, "not_judged": Error}
    for gate, result, case in zip(judged.gates, results, cases, strict=True):
        assert (result is None) == (gate.outcome == "passed")
        if result is not None:
            assert isinstance(result, kinds[gate.outcome])
            assert gate.reason in result.message
        assert case.name.startswith(gate.figure)
    assert cases[0].classname == "run"
    assert cases[3].classname == "a.laz"
    assert cases[1].result[0].message == "warning: noise.share is 0.02, above 0.01 (birds & <dust> | told)"
    assert cases[4].result[0].text == "3.9999999 per m2, must be between 4 and 100 per m2"


def test_an_input_that_failed_is_an_error_also_where_no_gate_is_per_flight() -> None:
    judgement = Judgement(
        gates=judge([Gate(figure="a", at_least=1)], Judged({"a": 1.0})),
        failed=[FailedInput(flight="x.laz", reason="holds no points at all")],
        flights=["x.laz", "y.laz"],
        started="2026-03-01T07:08:09+00:00",
    )
    suite = check_structure(junit_xml(judgement))
    last = suite.findall("testcase")[-1]
    assert (last.attrib["classname"], last[0].tag) == ("x.laz", "error")
    assert last[0].attrib["message"] == "the input failed: holds no points at all"


def test_a_flight_outside_the_boundary_is_skipped_and_a_run_without_inputs_is_an_error() -> None:
    gates = [Gate(figure="a", at_least=1, per="flight"), Gate(figure="a", at_least=1)]
    judgement = Judgement(
        gates=judge(gates, Judged(nothing="no input could be used"), [Judged({}, "x.laz", "outside")]),
        flights=["x.laz"],
        started="2026-03-01T07:08:09+00:00",
    )
    suite = check_structure(junit_xml(judgement))
    assert [case[0].tag for case in suite.findall("testcase")] == ["skipped", "error"]


def test_an_optional_gate_without_its_figure_is_skipped_and_a_warning_is_no_failure() -> None:
    gates = [
        Gate(figure="a", at_least=1, optional=True),
        Gate(figure="a", at_least=1, per="flight", optional=True),
    ]
    judgement = Judgement(
        gates=judge(gates, Judged({"b": 1.0}), [Judged({"b": 1.0}, "x.laz")]),
        flights=["x.laz"],
        started="2026-03-01T07:08:09+00:00",
    )
    suite = check_structure(junit_xml(judgement))
    assert [case[0].tag for case in suite.findall("testcase")] == ["skipped", "skipped"]
    assert json.loads(gates_json(judgement))["passed"]


@given(name=st.text(st.characters(), min_size=1), reason=st.text(st.characters()))
def test_no_name_breaks_the_file(name: str, reason: str) -> None:
    gates = [Gate(figure="a", at_least=1, per="flight")]
    flights = [Judged({"a": 0.0}, name), Judged({}, "b" + name, f"the input failed: {reason}")]
    judgement = Judgement(
        gates=judge(gates, Judged(), flights),
        failed=[FailedInput(flight="b" + name, reason=reason)],
        flights=[one.flight for one in flights],
        pipeline=name,
        started="2026-03-01T07:08:09+00:00",
    )
    suite = check_structure(junit_xml(judgement))
    assert suite.attrib["tests"] == "2"


def test_gates_that_say_the_same_are_told_apart() -> None:
    gates = [Gate(figure="a", at_least=1)] * 3
    judgement = Judgement(gates=judge(gates, Judged({"a": 1.0})), started="2026-03-01T07:08:09+00:00")
    names = [c.attrib["name"] for c in check_structure(junit_xml(judgement)).findall("testcase")]
    assert names == ["a at least 1", "a at least 1 #2", "a at least 1 #3"]


def test_a_suite_without_cases_is_whole_too() -> None:
    suite = check_structure(junit_xml(Judgement(gates=[], started="2026-03-01T07:08:09+00:00")))
    assert suite.attrib["tests"] == "0"
    with pytest.raises(AssertionError):
        check_structure(b"<testsuites><testsuite/></testsuites>")
