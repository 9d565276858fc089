"""``cloudprep run`` hands over what was typed and shows what came back. The engine is a stand-in here."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from cloudprep.config import Gate
from cloudprep.engine import run as engine
from cloudprep.errors import UsageError
from cloudprep.judging import Judged, judge
from cloudprep.model.figures import FIGURES

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    from cloudprep.engine.progress import ProgressSink

    Call = Callable[..., Result]

RECORD: dict[str, Any] = {
    "inputs": [
        {"path": "flights/north [1].laz", "points": 1234567, "status": "done", "reason": ""},
        {"path": "flights/south.laz", "points": 0, "status": "failed", "reason": "not a LAS file"},
    ],
    "stages": [
        {"stage": "rock_finder", "changed": 1500, "seconds": 2.04, "classes": {"1": 3}},
        {"stage": "floor_finder", "changed": 9, "seconds": 0.5, "classes": {"1": 250_000, "2": 750_000}},
    ],
}


@dataclass
class FakeEngine:
    """Notes what it was asked for; answers as it is told."""

    outcome: engine.RunOutcome = field(
        default_factory=lambda: engine.RunOutcome(RECORD, 1, ["1 of 2 inputs delivered"])
    )
    requests: list[engine.RunRequest] = field(default_factory=list)
    error: Exception | None = None

    def __call__(self, request: engine.RunRequest, progress: ProgressSink) -> engine.RunOutcome:
        self.requests.append(request)
        progress.start("reading", 1000)
        progress.advance(1000)
        progress.finish()
        progress.note("assumed: metres")
        progress.note("FAILED flights/south.laz: not a LAS file")
        if self.error is not None:
            raise self.error
        return self.outcome


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> FakeEngine:
    fake = FakeEngine()
    monkeypatch.setattr(engine, "run_site", fake)
    return fake


def test_everything_typed_reaches_the_engine(call: Call, fake: FakeEngine, good_pipeline: Path) -> None:
    call(
        *("run", good_pipeline, "a.laz", "b dir/", "--out", "out", "--workers", "3", "--overwrite"),
        *("--dry-run", "--assume-crs", "epsg:25832+7837"),
    )
    (request,) = fake.requests
    assert request.inputs == ("a.laz", "b dir/")
    assert (request.out, request.workers) == (Path("out"), 3)
    assert (request.overwrite, request.dry_run, request.assume_crs) == (True, True, "EPSG:25832+7837")
    assert request.pipeline.source == good_pipeline


def test_what_is_left_out_has_its_default(call: Call, fake: FakeEngine, good_pipeline: Path) -> None:
    call("run", good_pipeline, "a.laz", "--out", "out")
    (request,) = fake.requests
    assert (request.workers, request.overwrite, request.dry_run, request.assume_crs) == (
        None,
        False,
        False,
        None,
    )


def test_the_summary_goes_to_stdout_and_notes_to_stderr(
    call: Call, fake: FakeEngine, good_pipeline: Path
) -> None:
    result = call("run", good_pipeline, "a.laz", "--out", "out")
    assert result.exit_code == 1
    assert result.stderr.splitlines() == [
        "cloudprep: assumed: metres",
        "cloudprep: FAILED flights/south.laz: not a LAS file",
    ]
    lines = [line.split() for line in result.stdout.splitlines()]
    assert ["north", "[1].laz", "1,234,567", "done"] in lines
    assert ["south.laz", "0", "not", "a", "LAS", "file"] in lines
    assert ["rock_finder", "1,500", "2.0"] in lines
    assert ["2", "ground", "750,000", "75.00", "%"] in lines
    assert result.stdout.splitlines()[-1] == "1 of 2 inputs delivered"


def test_gates_are_shown_with_value_limit_and_outcome(
    call: Call, fake: FakeEngine, good_pipeline: Path
) -> None:
    gates = [Gate(figure="noise.share", at_most=0.1), Gate(figure="points.density", at_least=4, per="flight")]
    flights = [Judged({"points.density": 9.0 - i}, one["path"]) for i, one in enumerate(RECORD["inputs"])]
    found = judge(gates, Judged({"noise.share": 0.25}), flights, FIGURES)
    record = {**RECORD, "gates": [one.model_dump(mode="json") for one in found]}
    fake.outcome = engine.RunOutcome(record, 3, ["gate: noise.share is 0.25, above 0.1"])
    result = call("run", good_pipeline, "a.laz", "--out", "out")
    assert result.exit_code == 3
    rows = [" ".join(line.split()) for line in result.stdout.splitlines()]
    assert "gate flight value limit outcome" in rows
    assert "noise.share whole run 0.25 at most 0.1 FAILED" in rows
    assert "points.density south.laz 8 per m2 at least 4 per m2 passed" in rows


def test_json_gives_the_record_and_nothing_else_on_stdout(
    call: Call, fake: FakeEngine, good_pipeline: Path
) -> None:
    result = call("run", good_pipeline, "a.laz", "--out", "out", "--json")
    assert json.loads(result.stdout) == RECORD
    assert result.exit_code == 1


def test_quiet_hides_notes_but_never_failures(call: Call, fake: FakeEngine, good_pipeline: Path) -> None:
    words = ("run", good_pipeline, "a.laz", "--out", "out")
    result = call(*words, "-q")
    assert result.stderr == "cloudprep: FAILED flights/south.laz: not a LAS file\n"
    assert "delivered" in result.stdout
    result = call(*words, "-qq")
    assert result.stderr == "cloudprep: FAILED flights/south.laz: not a LAS file\n"
    assert result.stdout == ""


def test_verbose_tells_each_step_with_its_time(call: Call, fake: FakeEngine, good_pipeline: Path) -> None:
    result = call("run", good_pipeline, "a.laz", "--out", "out", "-v")
    assert "cloudprep: reading: 0.0 s" in result.stderr


def test_a_dry_run_shows_its_lines_only(call: Call, fake: FakeEngine, good_pipeline: Path) -> None:
    fake.outcome = engine.RunOutcome({"dry_run": True, "plan": {}}, 0, ["3 blocks", "1 GB"])
    result = call("run", good_pipeline, "a.laz", "--out", "out", "--dry-run")
    assert (result.exit_code, result.stdout) == (0, "3 blocks\n1 GB\n")


@pytest.mark.parametrize("code", [0, 1, 3])
def test_the_exit_code_is_the_engines(call: Call, fake: FakeEngine, good_pipeline: Path, code: int) -> None:
    fake.outcome = engine.RunOutcome(RECORD, code, [])
    assert call("run", good_pipeline, "a.laz", "--out", "out").exit_code == code


def test_what_the_engine_refuses_is_one_line(call: Call, fake: FakeEngine, good_pipeline: Path) -> None:
    fake.error = UsageError("out: holds a finished run; use --overwrite")
    result = call("run", good_pipeline, "a.laz", "--out", "out")
    assert result.exit_code == 2
    assert result.stderr.splitlines()[-1] == "cloudprep: out: holds a finished run; use --overwrite"
    assert result.stdout == ""


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["a.laz"], "Missing option '--out'"),
        (["--out", "out"], "Missing argument 'INPUT'"),
        (["a.laz", "--out", "out", "--workers", "0"], "--workers"),
        (["a.laz", "--out", "out", "--workers", "two"], "--workers"),
        (["a.laz", "--out", "out", "--assume-crs", "UTM 32"], "--assume-crs must be like EPSG:25832"),
    ],
)
def test_wrong_usage_starts_nothing(
    call: Call, fake: FakeEngine, good_pipeline: Path, words: list[str], told: str
) -> None:
    result = call("run", good_pipeline, *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert told in result.stderr
    assert fake.requests == []


def test_a_bad_pipeline_starts_nothing(call: Call, fake: FakeEngine, bad_pipeline: Path) -> None:
    result = call("run", bad_pipeline, "a.laz", "--out", "out")
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 2
    assert fake.requests == []
