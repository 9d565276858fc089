"""``cloudprep batch`` hands over what was typed and shows what came back. The batch is a stand-in here."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from jsonschema import Draft202012Validator

from cloudprep.runs import batch as batches
from cloudprep.runs.batch_record import BatchInput, BatchRecord, SiteEntry, batch_schema
from cloudprep.runs.batch_request import BatchOutcome, BatchRequest

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    from cloudprep.engine.progress import ProgressSink

    Call = Callable[..., Result]


def record(**more: Any) -> BatchRecord:
    sites = [
        SiteEntry(
            name="pit", folder="pit", inputs=["a.laz", "b.laz"], points=1_234_567, status="done", seconds=2
        ),
        SiteEntry(name="dam", folder="dam", inputs=["c.laz"], status="failed", reason="the disk is full"),
        SiteEntry(name="ridge", folder="ridge", inputs=["d.laz"], status="gate_failed", seconds=61.04),
        SiteEntry(name="weir", folder="weir", inputs=["e.laz"]),
    ]
    values: dict[str, Any] = {
        "status": "some_failed",
        "exit_code": 1,
        "started": "2026-11-30T08:00:00+00:00",
        "finished": "2026-11-30T08:01:00+00:00",
        "seconds": 60.0,
        "version": "0.1.0",
        "pipeline_source": "/p.yaml",
        "pipeline_sha256": "",
        "asked": {},
        "group_by": "adjacency",
        "gap_m": 10.0,
        "sites": sites,
        "inputs": [BatchInput(path="a.laz", site="pit")],
    }
    return BatchRecord(**{**values, **more})


@dataclass
class FakeBatch:
    """Notes what it was asked for; answers as it is told."""

    outcome: BatchOutcome = field(default_factory=lambda: BatchOutcome(record(), 1, ["1 of 4 sites done"]))
    requests: list[BatchRequest] = field(default_factory=list)

    def __call__(self, request: BatchRequest, progress: ProgressSink) -> BatchOutcome:
        self.requests.append(request)
        progress.note("pit: 2 flights done in 2.0 s")
        progress.note("FAILED dam: the disk is full")
        return self.outcome


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> FakeBatch:
    fake = FakeBatch()
    monkeypatch.setattr(batches, "run_batch", fake)
    return fake


def test_everything_typed_reaches_the_batch(call: Call, fake: FakeBatch) -> None:
    call(
        *("batch", "quarry.yaml", "a.laz", "b dir/", "--out", "out", "--group-by", "folder", "--gap", "2.5"),
        *(
            "--resume",
            "--fail-fast",
            "--workers",
            "3",
            "--memory",
            "4GB",
            "--scratch",
            "fast",
            "--cell",
            "0.5",
        ),
        *("--boundary", "site.gpkg", "--assume-crs", "epsg:25832", "--dry-run", "-v"),
    )
    (request,) = fake.requests
    assert request == BatchRequest(
        pipeline="quarry.yaml",
        inputs=("a.laz", "b dir/"),
        out=Path("out"),
        group_by="folder",
        gap=2.5,
        resume=True,
        fail_fast=True,
        dry_run=True,
        tell_all=True,
        workers=3,
        memory=4_000_000_000,
        scratch=Path("fast"),
        cell=0.5,
        boundary=Path("site.gpkg"),
        assume_crs="EPSG:25832",
    )


def test_what_is_left_out_has_its_default(call: Call, fake: FakeBatch) -> None:
    call("batch", "quarry.yaml", "a.laz", "--out", "out")
    assert fake.requests == [BatchRequest("quarry.yaml", ("a.laz",), Path("out"))]


def test_one_line_a_site_and_a_table_at_the_end(call: Call, fake: FakeBatch) -> None:
    result = call("batch", "quarry.yaml", "a.laz", "--out", "out")
    assert result.exit_code == 1
    assert result.stderr.splitlines() == [
        "cloudprep: pit: 2 flights done in 2.0 s",
        "cloudprep: FAILED dam: the disk is full",
    ]
    lines = [line.split() for line in result.stdout.splitlines()]
    assert lines[0] == ["site", "flights", "points", "seconds", "outcome"]
    assert ["pit", "2", "1,234,567", "2.0", "done"] in lines
    assert ["dam", "1", "0", "0.0", "the", "disk", "is", "full"] in lines
    assert ["ridge", "1", "0", "61.0", "gate", "failed"] in lines
    assert ["weir", "1", "0", "unfinished"] in lines
    assert result.stdout.splitlines()[-1] == "1 of 4 sites done"


def test_json_gives_the_record_and_nothing_else(call: Call, fake: FakeBatch) -> None:
    result = call("batch", "quarry.yaml", "a.laz", "--out", "out", "--json")
    found = json.loads(result.stdout)
    Draft202012Validator(batch_schema()).validate(found)
    assert BatchRecord.model_validate(found) == fake.outcome.record
    assert result.exit_code == 1


def test_quiet_keeps_failures(call: Call, fake: FakeBatch) -> None:
    result = call("batch", "quarry.yaml", "a.laz", "--out", "out", "-qq")
    assert (result.stdout, result.stderr) == ("", "cloudprep: FAILED dam: the disk is full\n")


@pytest.mark.parametrize("code", [0, 1, 3])
def test_the_exit_code_is_the_batchs(call: Call, fake: FakeBatch, code: int) -> None:
    fake.outcome = BatchOutcome(record(), code, [])
    assert call("batch", "quarry.yaml", "a.laz", "--out", "out").exit_code == code


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["a.laz"], "Missing option '--out'"),
        (["--out", "out"], "Missing argument 'INPUT'"),
        (["a.laz", "--out", "out", "--group-by", "colour"], "'colour' is not one of"),
        (["a.laz", "--out", "out", "--gap", "-1"], "--gap"),
        (["a.laz", "--out", "out", "--resume", "--overwrite"], "give one of them"),
        (["a.laz", "--out", "out", "--memory", "much"], "no amount of memory"),
    ],
)
def test_wrong_usage_starts_nothing(call: Call, fake: FakeBatch, words: list[str], told: str) -> None:
    result = call("batch", "quarry.yaml", *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert told in result.stderr
    assert fake.requests == []


def test_run_takes_resume_but_not_with_overwrite(call: Call) -> None:
    result = call("run", "bare_earth", "a.laz", "--out", "out", "--resume", "--overwrite")
    assert result.exit_code == 2
    assert "give one of them" in result.stderr


def test_a_batch_of_urls_is_refused_in_words(call: Call, tmp_path: Path) -> None:
    result = call("batch", "bare_earth", "s3://flights/", "--out", tmp_path / "out")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith(
        "cloudprep: s3://flights/: a batch takes files and folders of this machine"
    )
    result = call("batch", "bare_earth", "flights/", "--out", "s3://flights/done")
    assert result.exit_code == 2
    assert "s3://flights/done: a batch takes" in result.stderr
    assert list(tmp_path.iterdir()) == []
