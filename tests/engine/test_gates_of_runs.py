"""Gates of whole runs: exit codes, the files about them, failed inputs, flights outside the boundary."""

import hashlib
import json
import os
from xml.etree import ElementTree as ET

import pytest
from jsonschema import Draft202012Validator

from cloudprep.errors import EXIT_DONE, EXIT_GATE_FAILED, EXIT_INPUT_FAILED
from cloudprep.judging.document import gates_schema
from cloudprep.testing import example_cloud

PIPELINE = "cloudprep: 1\nstages:\n  - stage: progressive_ground\ngates:\n"
NAMES = ("gates.json", "gates.md", "gates.xml")


@pytest.fixture
def judged(run, pipeline_file, record_of):
    """Run a pipeline with gates; returns outcome, folder and record."""

    def go(gates, *inputs, **options):
        text = PIPELINE + "".join(f"  - {gate}\n" for gate in gates)
        outcome, out = run(*inputs, pipeline=pipeline_file(text), **options)
        return outcome, out, record_of(out)

    return go


def cases(out):
    """Return owner, title and result of each case."""
    suite = ET.parse(out / "gates.xml").getroot()[0]  # noqa: S314 - it was just made here
    return [
        (c.attrib["classname"], c.attrib["name"], c[0].tag if len(c) else "passed")
        for c in suite.findall("testcase")
    ]


@pytest.mark.parametrize(
    ("gate", "code", "status", "outcome"),
    [
        ("{figure: ground.share, at_least: 0.1}", EXIT_DONE, "done", "passed"),
        ("{figure: ground.share, at_least: 0.99}", EXIT_GATE_FAILED, "gate_failed", "failed"),
        ("{figure: ground.share, at_least: 0.99, severity: warn}", EXIT_DONE, "done", "warned"),
        ("{figure: points.density, per: flight, at_least: 900}", EXIT_GATE_FAILED, "gate_failed", "failed"),
        ("{figure: points.density, per: flight, between: [0, 900]}", EXIT_DONE, "done", "passed"),
        ("{figure: seconds, at_most: 0}", EXIT_GATE_FAILED, "gate_failed", "failed"),
    ],
)
def test_a_missed_gate_is_exit_code_3_unless_it_only_warns(judged, clouds, gate, code, status, outcome):
    told, _, record = judged([gate], clouds.write())
    assert (told.exit_code, record["status"]) == (code, status)
    assert [g["outcome"] for g in record["gates"]] == [outcome]
    lines = [line for line in told.lines if line.startswith("gate")]
    assert len(lines) == (outcome != "passed")
    assert all(line.startswith("gate warning:") == (outcome == "warned") for line in lines)
    assert "seconds" not in record["figures"]


def test_the_files_about_gates_are_listed_with_their_checksums(judged, clouds):
    _, out, record = judged(["{figure: ground.share, at_least: 0.1}"], clouds.write())
    listed = {o["path"]: o["sha256"] for o in record["outputs"] if o["kind"] == "judgement"}
    assert sorted(listed) == list(NAMES)
    for name, checksum in listed.items():
        assert hashlib.sha256((out / name).read_bytes()).hexdigest() == checksum
    document = json.loads((out / "gates.json").read_text(encoding="utf-8"))
    Draft202012Validator(gates_schema()).validate(document)
    assert document["gates"] == record["gates"]


def test_a_pipeline_without_gates_leaves_no_files_and_a_new_run_removes_old_ones(
    clouds, run, pipeline_file, judged
):
    flight = clouds.write()
    _, out, _ = judged(["{figure: ground.share, at_least: 0.1}"], flight)
    assert all((out / name).exists() for name in NAMES)
    run(flight, pipeline=pipeline_file(PIPELINE.replace("gates:\n", "")), overwrite=True)
    assert not any((out / name).exists() for name in NAMES)


def test_a_dry_run_names_the_files_about_gates(clouds, run, pipeline_file):
    flight = clouds.write()
    text = PIPELINE + "  - {figure: ground.share, at_least: 0.1}\n"
    outcome, _ = run(flight, pipeline=pipeline_file(text), dry_run=True)
    assert [p.endswith("/gates.xml") for p in outcome.record["plan"]["outputs"]].count(True) == 1
    outcome, _ = run(flight, pipeline=pipeline_file(PIPELINE.replace("gates:\n", "")), dry_run=True)
    assert not any("gates" in p for p in outcome.record["plan"]["outputs"])


def test_inputs_that_failed_are_errors_and_the_others_are_judged(judged, clouds):
    broken = clouds.folder / "broken.laz"
    flight = clouds.write()
    broken.write_bytes(flight.read_bytes()[:700])
    told, out, record = judged(
        ["{figure: points.count, at_least: 10, per: flight}", "{figure: ground.share, at_least: 0.99}"],
        flight,
        broken,
    )
    assert (told.exit_code, record["status"]) == (EXIT_INPUT_FAILED, "some_inputs_failed")
    assert cases(out) == [
        ("flight.laz", "points.count at least 10", "passed"),
        ("broken.laz", "points.count at least 10", "error"),
        ("run", "ground.share at least 0.99", "failure"),
    ]
    assert [g["outcome"] for g in record["gates"]] == ["passed", "not_judged", "failed"]
    assert sum("broken.laz" in line for line in told.lines) == 1


def test_a_run_of_which_every_input_failed_says_so_in_the_files_too(judged, clouds):
    broken = clouds.folder / "broken.laz"
    broken.parent.mkdir(parents=True)
    broken.write_bytes(b"LASF" + bytes(300))
    told, out, record = judged(["{figure: ground.share, at_least: 0.1}"], broken)
    assert (told.exit_code, record["status"]) == (EXIT_INPUT_FAILED, "all_inputs_failed")
    assert cases(out) == [
        ("run", "ground.share at least 0.1", "error"),
        ("broken.laz", "input", "error"),
    ]
    assert "no input could be used" in (out / "gates.md").read_text(encoding="utf-8")
    assert record["extra_dimensions"] == []


def test_names_of_flights_with_signs_of_markup_break_nothing(judged, clouds):
    flight = clouds.write("a|b<i>&amp; `x` é.laz")
    _, out, _ = judged(["{figure: points.density, per: flight, at_least: 900, why: 'a < b | c'}"], flight)
    assert cases(out) == [(flight.name, "points.density at least 900 per m2", "failure")]
    row = (out / "gates.md").read_text(encoding="utf-8").splitlines()[4]
    assert r"a\|b&lt;i&gt;&amp;amp; \`x\` é.laz" in row


def test_a_flight_whose_name_is_no_text_is_judged_and_recorded_like_any_other(judged, clouds):
    flight = clouds.write()
    odd = flight.with_name(os.fsdecode(b"n\xff.laz"))
    flight.rename(odd)
    told, out, record = judged(["{figure: points.count, at_least: 10, per: flight}"], odd)
    assert told.exit_code == EXIT_DONE
    assert record["inputs"][0]["path"] == record["gates"][0]["flight"] == str(odd)
    assert (out / record["outputs"][0]["path"]).is_file()
    assert cases(out) == [(r"n\udcff.laz", "points.count at least 10", "passed")]


def test_many_flights_are_told_in_few_lines(judged, clouds):
    columns = example_cloud(300)
    flights = [clouds.write(f"f{i:02}.laz", columns) for i in range(25)]
    told, out, record = judged(["{figure: points.density, per: flight, at_least: 900}"], *flights)
    assert len(record["gates"]) == len(cases(out)) == 25
    lines = [line for line in told.lines if line.startswith("gate")]
    assert len(lines) == 21
    assert lines[-1] == "gate: and 5 more, all of them in gates.md and gates.json"


def test_the_same_run_gives_the_same_judgement_but_for_its_times(judged, clouds):
    flight = clouds.write()
    gates = ["{figure: points.count, at_least: 10, per: flight}"]
    folders = [judged(gates, flight, out=out)[1] for out in "ab"]
    for name in ("gates.json", "gates.md"):
        first, second = ((folder / name).read_bytes() for folder in folders)
        assert first == second
