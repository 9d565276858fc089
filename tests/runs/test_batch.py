"""A batch makes out its sites, carries each out as a run of its own, and says truly how far it came."""

import json
import time
from pathlib import Path

import laspy
import numpy as np
import pytest
from jsonschema import Draft202012Validator

from cloudprep.engine.lock import FolderLock
from cloudprep.errors import ConfigError, OutputError, UsageError
from cloudprep.runs import batch as batches
from cloudprep.runs.batch_record import batch_schema


def record_of(folder):
    found = json.loads((folder / "batch.json").read_text(encoding="utf-8"))
    Draft202012Validator(batch_schema()).validate(found)
    return found


def statuses(folder):
    return {site["name"]: site["status"] for site in record_of(folder)["sites"]}


def content(folder):
    return {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def three(flight):
    """Write three sites: two flights that touch, and two far away."""
    return [
        flight("pit_1.laz"),
        flight("pit_2.laz", 15),
        flight("dam.laz", 3000),
        flight("ridge.laz", 6000),
    ]


def test_each_site_is_an_ordinary_run_and_the_batch_sums_up(three, batch, tmp_path):
    outcome, _, carrier = batch()
    assert outcome.exit_code == 0
    assert carrier.sites == ["dam", "pit", "ridge"]
    out = tmp_path / "out"
    assert sorted(p.name for p in out.iterdir()) == ["batch.json", "dam", "ledger.gpkg", "pit", "ridge"]
    record = record_of(out)
    assert (record["status"], record["exit_code"]) == ("done", 0)
    for site in record["sites"]:
        run = json.loads((out / site["folder"] / "run.json").read_text(encoding="utf-8"))
        assert [i["path"] for i in run["inputs"]] == site["inputs"]
        assert run["seconds"] == site["seconds"]
        assert site["points"] == sum(i["points"] for i in run["inputs"])
    assert {i["path"]: i["site"] for i in record["inputs"]} == dict(
        zip(map(str, sorted(three)), ["dam", "pit", "pit", "ridge"], strict=True)
    )
    # Nothing is lost: every point of every flight is there again, in its order.
    for source in three:
        site = {"pit_1": "pit", "pit_2": "pit"}.get(source.stem, source.stem)
        made = laspy.read(out / site / "clouds" / source.name)
        assert np.array_equal(made.X, laspy.read(source).X)


def test_a_site_comes_out_as_a_single_run_makes_it(three, batch, tmp_path, pipeline):
    from cloudprep.config import load_pipeline
    from cloudprep.engine.progress import Silent
    from cloudprep.engine.run import RunRequest, run_site

    batch()
    inputs = tuple(map(str, three[:2]))
    run_site(RunRequest(load_pipeline(pipeline()), inputs, tmp_path / "single"), Silent())
    for name in ("clouds/pit_1.laz", "clouds/pit_2.laz"):
        assert (tmp_path / "single" / name).read_bytes() == (tmp_path / "out/pit" / name).read_bytes()


def test_a_flight_that_cannot_be_used_is_set_aside_and_the_batch_goes_on(three, batch, tmp_path):
    (tmp_path / "flights/torn.laz").write_bytes(b"no cloud")
    outcome, heard, carrier = batch()
    assert outcome.exit_code == 1
    assert carrier.sites == ["dam", "pit", "ridge"]
    record = record_of(tmp_path / "out")
    assert record["status"] == "some_failed"
    aside = [i for i in record["inputs"] if i["reason"]]
    assert [i["path"] for i in aside] == [str(tmp_path / "flights/torn.laz")]
    assert "isn't a LAS or LAZ file" in aside[0]["reason"]
    assert any(n.startswith("FAILED") and "torn.laz" in n and "set aside" in n for n in heard.notes)
    assert any("torn.laz" in line for line in outcome.lines)


def test_a_flight_that_turns_out_torn_fails_its_site_only_in_part(three, flight, batch, tmp_path):
    flight("pit_2.laz", 15, count=20_000)
    data = bytearray(three[1].read_bytes())
    middle = len(data) // 2
    data[middle : middle + 300] = bytes(300)  # among the points: the header can't tell
    three[1].write_bytes(data)
    outcome, heard, _ = batch()
    assert outcome.exit_code == 1
    record = record_of(tmp_path / "out")
    pit = next(s for s in record["sites"] if s["name"] == "pit")
    assert pit["status"] == "some_inputs_failed"
    assert list(pit["inputs_failed"]) == [str(three[1])]
    assert any(n.startswith("FAILED pit: ") for n in heard.notes)
    # It is what its record says: left alone.
    outcome, _, carrier = batch(resume=True)
    assert (outcome.exit_code, carrier.sites) == (1, [])


def test_a_site_that_fails_stops_no_other_one(three, batch, tmp_path, made_up):
    outcome, heard, carrier = batch(carrier=made_up(dam="no: the disk is full"))
    assert outcome.exit_code == 1
    assert carrier.sites == ["dam", "pit", "ridge"]
    assert statuses(tmp_path / "out") == {"dam": "failed", "pit": "done", "ridge": "done"}
    assert "FAILED dam: the disk is full" in heard.notes
    assert "failed: dam: the disk is full" in outcome.lines


@pytest.mark.parametrize(
    ("said", "code", "status"),
    [
        ({}, 0, "done"),
        ({"pit": "gate_failed"}, 3, "gate_failed"),
        ({"pit": "gate_failed", "dam": "some_inputs_failed"}, 1, "some_failed"),
        ({"ridge": "all_inputs_failed"}, 1, "some_failed"),
    ],
)
def test_exit_codes(three, batch, tmp_path, made_up, said, code, status):
    outcome, _, _ = batch(carrier=made_up(**said))
    record = record_of(tmp_path / "out")
    assert (outcome.exit_code, record["exit_code"], record["status"]) == (code, code, status)
    pit = next(s for s in record["sites"] if s["name"] == "pit")
    assert pit["gates_failed"] == (["points.count is 1, below 2"] if "pit" in said else [])


def test_fail_fast_stops_at_the_first_failure(three, batch, tmp_path, made_up):
    outcome, _, carrier = batch(carrier=made_up(pit="no: too steep"), fail_fast=True)
    assert (outcome.exit_code, carrier.sites) == (1, ["dam", "pit"])
    record = record_of(tmp_path / "out")
    assert record["status"] == "stopped"
    assert statuses(tmp_path / "out")["ridge"] == "unfinished"
    assert any("--resume goes on" in line for line in outcome.lines)
    # A gate is no failure.
    outcome, _, carrier = batch(carrier=made_up(dam="gate_failed"), fail_fast=True, out="other")
    assert (outcome.exit_code, carrier.sites) == (3, ["dam", "pit", "ridge"])
    # A flight that is set aside is one: nothing is begun.
    (tmp_path / "flights/torn.laz").write_bytes(b"no cloud")
    outcome, _, carrier = batch(carrier=made_up(), fail_fast=True, out="third")
    assert (outcome.exit_code, carrier.sites) == (1, [])


def test_an_interruption_is_recorded_and_resume_does_what_is_missing(three, batch, tmp_path, made_up):
    out = tmp_path / "out"
    _, _, carrier = batch(out="whole")
    with pytest.raises(KeyboardInterrupt):
        batch(carrier=made_up(pit=KeyboardInterrupt()))
    record = record_of(out)
    assert (record["status"], record["exit_code"]) == ("interrupted", 130)
    assert {s["name"]: s["status"] for s in record["sites"]} == {
        "dam": "done",
        "pit": "unfinished",
        "ridge": "unfinished",
    }
    assert not (out / ".in-use").exists()
    outcome, _, carrier = batch(resume=True)
    # What was made up left nothing behind: only real runs stand.
    assert carrier.sites == ["dam", "pit", "ridge"]
    assert outcome.exit_code == 0
    outcome, _, carrier = batch(resume=True)
    assert carrier.sites == []


def test_the_record_is_true_at_every_moment(three, batch, tmp_path, made_up):
    seen = []

    class Looking(made_up):
        def carry_out(self, request, progress):
            seen.append((record_of(tmp_path / "out")["status"], statuses(tmp_path / "out")))
            return super().carry_out(request, progress)

    batch(carrier=Looking())
    assert [status for status, _ in seen] == ["unfinished"] * 3
    assert [list(sites.values()).count("done") for _, sites in seen] == [0, 1, 2]
    assert record_of(tmp_path / "out")["status"] == "done"


def test_what_is_finished_is_left_alone_to_the_byte(three, batch, tmp_path):
    batch()
    before = content(tmp_path / "out")
    outcome, heard, carrier = batch(resume=True)
    assert (outcome.exit_code, carrier.sites) == (0, [])
    assert content(tmp_path / "out") == before
    assert any("nothing to do" in line for line in outcome.lines)
    del heard


@pytest.mark.parametrize("aged", [True, False])
def test_resume_redoes_just_what_is_stale(three, batch, tmp_path, flight, aged):
    out = tmp_path / "out"
    batch()
    before = content(out)

    def again(*sites, **options):
        if aged:
            time.sleep(2.1)  # beyond the grain of the file systems' times
        outcome, heard, carrier = batch(resume=True, **options)
        assert carrier.sites == list(sites)
        assert outcome.exit_code == 0
        return [n for n in heard.notes if "done again" in n]

    assert again() == []
    flight("dam.laz", 3000, count=390)
    assert again("dam") == ["dam: done again: inputs changed: dam.laz"]
    (out / "pit/clouds/pit_2.laz").unlink()
    assert again("pit") == ["pit: done again: results are gone: clouds/pit_2.laz"]
    (out / "ridge/run.json").unlink()
    assert again("ridge") == []
    assert again() == []
    same = {p: bytes_ for p, (_, bytes_) in content(out).items() if "dam" not in str(p)}
    # Times and what follows from them aside, all is as it was.
    assert {p for p, b in same.items() if before[p][1] != b} <= {
        out / "batch.json",
        out / "ledger.gpkg",
        *(out / site / name for site in ("pit", "ridge") for name in ("run.json", "report.html")),
    }


def test_another_pipeline_does_all_again_but_not_its_comments(three, batch, tmp_path, pipeline):
    batch()
    path = pipeline()
    path.write_text(path.read_text() + "# a comment\n")
    _, _, carrier = batch(resume=True, declared=path)
    assert carrier.sites == []
    _, heard, carrier = batch(resume=True, declared=pipeline(slope=0.3))
    assert carrier.sites == ["dam", "pit", "ridge"]
    named = "pipeline changed (stages[0] simple_morphological 'slope': 0.3 instead of 0.15)"
    assert [n for n in heard.notes if "done again" in n] == [
        f"{site}: done again: {named}" for site in ("dam", "pit", "ridge")
    ]


def test_sites_done_under_two_pipelines_are_told_apart(three, batch, tmp_path, pipeline, made_up):
    """The batch's own record names the pipeline of the last attempt; each run's names its own."""
    batch()

    class Stopping(made_up.__base__):  # really carries out, until the second site
        def carry_out(self, request, progress):
            if self.requests:
                raise KeyboardInterrupt
            return super().carry_out(request, progress)

    with pytest.raises(KeyboardInterrupt):
        batch(resume=True, declared=pipeline(slope=0.3), carrier=Stopping())
    _, _, carrier = batch(resume=True, declared=pipeline(slope=0.3))
    assert carrier.sites == ["pit", "ridge"]


def test_a_pipeline_that_became_wrong_is_said_before_anything_is_done(three, batch, tmp_path, pipeline):
    batch()
    before = content(tmp_path / "out")
    wrong = pipeline()
    wrong.write_text("cloudprep: 1\nstages:\n  - stage: simple_morfological\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="did you mean 'simple_morphological'"):
        batch(resume=True, declared=wrong)
    assert content(tmp_path / "out") == before


def test_sites_whose_flights_changed_are_done_again_and_orphans_are_named(three, batch, tmp_path, flight):
    batch()
    # A flight between the dam and nothing else: the site grows, and its name is another.
    flight("dyke.laz", 3015)
    outcome, heard, carrier = batch(resume=True)
    out = tmp_path / "out"
    assert outcome.exit_code == 0
    assert carrier.sites == ["dam"]
    assert any(n == "dam: done again: inputs came in: dyke.laz" for n in heard.notes)
    # The ridge's flight is gone: nothing of its folder is touched, and it is named.
    three[3].unlink()
    before = content(out / "ridge")
    outcome, heard, carrier = batch(resume=True)
    assert carrier.sites == []
    assert any("ridge: was a site of this folder and is none any more" in n for n in heard.notes)
    assert content(out / "ridge") == before
    assert record_of(out)["orphaned"] == ["ridge"]
    assert "ridge" not in statuses(out)
    # Still known as one the next time.
    _, heard, _ = batch(resume=True)
    assert record_of(out)["orphaned"] == ["ridge"]


def test_a_folder_that_holds_something_else_is_refused(three, batch, tmp_path):
    batch()
    with pytest.raises(UsageError, match="holds a batch; --resume goes on with it"):
        batch()
    with pytest.raises(UsageError, match="holds a single run"):
        batch(out="out/pit")
    outcome, _, carrier = batch(overwrite=True)
    assert carrier.sites == ["dam", "pit", "ridge"]
    assert outcome.exit_code == 0


def test_a_second_batch_is_refused_while_the_first_works(three, batch, tmp_path):
    with FolderLock(tmp_path / "out"), pytest.raises(UsageError, match="has been at work in this folder"):
        batch()
    outcome, _, _ = batch()
    assert outcome.exit_code == 0
    assert not [p for p in (tmp_path / "out").rglob("*") if p.name == ".in-use" or ".part-" in p.name]


def test_a_dry_run_shows_the_sites_and_writes_nothing(three, batch, tmp_path):
    outcome, _, carrier = batch(dry_run=True)
    assert not (tmp_path / "out").exists()
    assert carrier.requests == []
    assert outcome.exit_code == 0
    text = "\n".join(outcome.lines)
    assert "pit: 800 points of pit_1.laz, pit_2.laz: it is new" in text
    assert "3 sites, 3 to do" in text
    assert outcome.record.status == "planned"
    batch()
    three[2].touch()
    (tmp_path / "out/ridge/run.json").unlink()
    before = content(tmp_path / "out")
    outcome, _, _ = batch(dry_run=True, resume=True)
    assert content(tmp_path / "out") == before
    text = "\n".join(outcome.lines)
    assert "ridge: 400 points of ridge.laz: it was not finished" in text
    assert "3 sites, 1 to do" in text


def test_urls_are_refused_in_words(batch):
    with pytest.raises(
        UsageError, match=r"s3://flights/day1: a batch takes files and folders of this machine"
    ):
        batch("s3://flights/day1")


def test_the_options_of_every_run_are_handed_on(three, batch, tmp_path, made_up):
    _, _, carrier = batch(
        carrier=made_up(),
        workers=3,
        memory=4_000_000_000,
        cell=0.7,
        scratch=tmp_path / "fast",
        assume_crs="EPSG:25832",
    )
    request = carrier.requests[0]
    assert (request.workers, request.memory, request.cell) == (3, 4_000_000_000, 0.7)
    assert (request.scratch, request.assume_crs) == (tmp_path / "fast", "EPSG:25832")
    assert (request.overwrite, request.resume) == (False, False)


def test_results_below_the_inputs_are_no_inputs(three, batch, tmp_path):
    batch(tmp_path, out="flights/results")
    _, _, carrier = batch(tmp_path, out="flights/results", resume=True)
    assert carrier.sites == []


def test_a_record_that_cannot_be_written_ends_the_batch_in_one_line(three, batch, tmp_path, monkeypatch):
    real, calls = batches.write_batch, []

    def full(record, folder):
        calls.append(record.status)
        if len(calls) == 3:
            raise OutputError(f"{folder / 'batch.json'}: can't be written: the disk is full")
        real(record, folder)

    monkeypatch.setattr(batches, "write_batch", full)
    with pytest.raises(OutputError, match="the disk is full"):
        batch()
    record = record_of(tmp_path / "out")
    assert record["status"] == "unfinished"
    assert not (tmp_path / "out/.in-use").exists()


def test_the_order_in_which_flights_are_given_does_not_show(three, batch, tmp_path):
    batch(*three)
    batch(*three[::-1], out="turned")
    keys = ("sites", "inputs", "asked", "status")
    one, other = (record_of(tmp_path / n) for n in ("out", "turned"))
    for site in (*one["sites"], *other["sites"]):
        del site["seconds"]
    assert [one[k] for k in keys] == [other[k] for k in keys]


def test_a_site_keeps_its_folder_when_another_of_its_name_comes_in(flight, batch, tmp_path):
    flight("may/pit.laz")
    batch()
    assert statuses(tmp_path / "out") == {"pit": "done"}
    flight("june/pit.laz", 3000)
    _, _, carrier = batch(resume=True)
    assert carrier.sites == ["june_pit"]
    assert statuses(tmp_path / "out") == {"june_pit": "done", "pit": "done"}


def test_the_folder_of_an_orphan_is_never_written_to(flight, batch, tmp_path):
    first = flight("pit.laz")
    batch()
    before = content(tmp_path / "out/pit")
    first.unlink()
    flight("new/pit.laz", 3000, count=390)
    batch(resume=True)
    assert record_of(tmp_path / "out")["orphaned"] == ["pit"]
    assert content(tmp_path / "out/pit") == before
    # Its flights are back: so is the site, and nothing is to be done.
    flight("pit.laz")
    _, _, carrier = batch(resume=True)
    assert carrier.sites == []
    assert record_of(tmp_path / "out")["orphaned"] == []


def test_a_batch_is_gone_on_with_from_another_folder(three, batch, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    batch("flights")
    monkeypatch.chdir(tmp_path / "flights")
    _, _, carrier = batch(".", resume=True)
    assert carrier.sites == []


def test_the_committed_schema_is_current():
    # Regenerate: python -m cloudprep.runs.batch_record > docs/batch.schema.json
    path = Path(__file__).parents[2] / "docs" / "batch.schema.json"
    assert json.loads(path.read_text(encoding="utf-8")) == batch_schema()
