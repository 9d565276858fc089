"""With --resume a finished run of just this is left alone; whatever differs is named, and done again."""

import json
import os
import time

import pytest

import cloudprep
from cloudprep.engine import standing
from cloudprep.engine.lock import FolderLock
from cloudprep.engine.progress import Silent
from cloudprep.errors import UsageError

QUICK = "cloudprep: 1\nstages:\n  - stage: simple_morphological\n    slope: {}\n"


class Listening(Silent):
    def __init__(self):
        self.notes = []
        self.steps = []

    def note(self, text):
        self.notes.append(text)

    def start(self, name, total):
        self.steps.append(name)


@pytest.fixture
def resume(run, pipeline_file):
    """Run once more with --resume; returns the outcome, the reason why it was done again, and the folder."""

    def go(*inputs, slope=0.15, pipeline=None, **options):
        heard = Listening()
        text = QUICK.format(slope)
        outcome, out = run(
            *inputs,
            pipeline=pipeline or pipeline_file(text),
            resume=True,
            sink=heard,
            **options,
        )
        told = [n.partition("done again: ")[2] for n in heard.notes if "done again" in n]
        assert bool(heard.steps) == (not outcome.lines[0].endswith("left alone"))
        return outcome, (told or [None])[0], out

    return go


def content(folder):
    return {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.rglob("*") if p.is_file()}


def grown_old(*paths):
    """Give files times that no clock doubts: as if they had lain there for a day."""
    for path in paths:
        facts = path.stat()
        os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns - 86_400 * 10**9))


def test_what_is_finished_and_unchanged_is_left_alone(clouds, resume):
    flights = [clouds.write("a.laz"), clouds.write("b.laz", east=412_050.0)]
    first, _, out = resume(*flights)
    before = content(out)
    again, reason, _ = resume(*flights)
    assert (again.exit_code, reason) == (0, None)
    assert again.record == first.record
    assert content(out) == before
    # The order in which flights are given doesn't matter.
    _, reason, _ = resume(*reversed(flights))
    assert reason is None
    assert content(out) == before


def test_a_failed_gate_keeps_its_exit_code(clouds, resume, pipeline_file):
    gated = QUICK.format(0.15) + "gates:\n  - figure: points.count\n    at_least: 1000000000\n"
    flight = clouds.write()
    for _ in range(2):
        outcome, reason, _ = resume(flight, pipeline=pipeline_file(gated))
        assert (outcome.exit_code, reason) == (3, None)
    assert outcome.lines[0].endswith("left alone")


def test_an_unfinished_run_is_finished(clouds, resume):
    flight = clouds.write()
    _, _, out = resume(flight)
    (out / "run.json").unlink()
    outcome, _, _ = resume(flight)
    assert outcome.exit_code == 0
    assert (out / "run.json").exists()


def test_without_resume_a_finished_run_is_refused_as_ever(clouds, resume, run):
    flight = clouds.write()
    resume(flight)
    with pytest.raises(UsageError, match="--overwrite"):
        run(flight)


def test_a_pipeline_that_changed_is_named_with_the_place(clouds, resume):
    flight = clouds.write()
    resume(flight)
    outcome, reason, _ = resume(flight, slope=0.3)
    assert reason == "pipeline changed (stages[0] simple_morphological 'slope': 0.3 instead of 0.15)"
    assert outcome.record["stages"][0]["parameters"]["slope"] == 0.3
    _, reason, _ = resume(flight, slope=0.3)
    assert reason is None


def test_comments_and_defaults_spelled_out_are_no_change(clouds, resume, pipeline_file):
    flight = clouds.write()
    resume(flight)
    text = QUICK.format(0.15) + "output:\n  format: laz  # as it is anyway\n"
    _, reason, _ = resume(flight, pipeline=pipeline_file(text))
    assert reason is None


@pytest.mark.parametrize(
    ("option", "named"),
    [({"cell": 2.0}, "--cell changed"), ({"assume_crs": "EPSG:25832"}, "--assume-crs changed")],
)
def test_options_that_matter_are_named(clouds, resume, option, named):
    flight = clouds.write()
    resume(flight)
    _, reason, _ = resume(flight, **option)
    assert reason == named
    _, reason, _ = resume(flight, **option)
    assert reason is None


def test_options_that_do_not_matter_are_none(clouds, resume):
    flight = clouds.write()
    resume(flight, workers=1)
    _, reason, _ = resume(flight, workers=2, memory=2_000_000_000)
    assert reason is None


def test_another_version_does_it_again(clouds, resume, monkeypatch):
    flight = clouds.write()
    resume(flight)
    monkeypatch.setattr(standing, "__version__", "99.0")
    _, reason, _ = resume(flight)
    assert reason == f"cloudprep {cloudprep.__version__} made it, and this is 99.0"


def test_inputs_that_come_in_or_go_are_named(clouds, resume):
    a, b = clouds.write("a.laz"), clouds.write("b.laz", east=412_050.0)
    resume(a)
    _, reason, out = resume(a, b)
    assert reason == "inputs came in: b.laz"
    _, reason, _ = resume(b)
    assert reason == "inputs are no longer among them: a.laz"
    assert [p.name for p in (out / "clouds").iterdir()] == ["b.laz"]


def test_a_changed_input_is_noticed_whatever_its_size_and_time(clouds, resume):
    flight = clouds.write(rows=slice(0, 500))
    grown_old(flight)
    resume(flight)
    facts = flight.stat()
    data = bytearray(flight.read_bytes())
    data[60:65] = b"other"  # the name of what made the file: it stays a cloud
    flight.write_bytes(data)
    os.utime(flight, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert (flight.stat().st_size, flight.stat().st_mtime_ns) == (facts.st_size, facts.st_mtime_ns)
    _, reason, _ = resume(flight)
    assert reason == "inputs changed: flight.laz"


def test_a_touched_or_copied_input_is_read_and_found_the_same(clouds, resume):
    flight = clouds.write()
    resume(flight)
    flight.touch()
    _, reason, _ = resume(flight)
    assert reason is None
    data = flight.read_bytes()
    flight.unlink()
    flight.write_bytes(data)
    _, reason, _ = resume(flight)
    assert reason is None


def test_a_change_within_the_grain_of_the_file_systems_times_is_read(tmp_path):
    """Times alone don't prove a file that changed just before the run began."""
    path = tmp_path / "a.laz"
    path.write_bytes(b"one")
    facts = path.stat()
    earlier = {
        "size_bytes": 3,
        "modified_ns": facts.st_mtime_ns,
        "changed_ns": facts.st_ctime_ns,
        "sha256": "of something else",
    }
    assert not standing._is_same(path, earlier, settled=facts.st_ctime_ns)
    assert standing._is_same(path, earlier, settled=facts.st_ctime_ns + 1)


def test_results_that_are_gone_or_changed_are_made_again(clouds, resume):
    flight = clouds.write()
    _, _, out = resume(flight)
    cloud = out / "clouds" / "flight.laz"
    good = cloud.read_bytes()
    cloud.unlink()
    _, reason, _ = resume(flight)
    assert reason == "results are gone: clouds/flight.laz"
    assert cloud.read_bytes() == good
    # Of the same size: only its content tells.
    cloud.write_bytes(bytes([good[0]]) + good[1:-1] + bytes([good[-1] ^ 1]))
    _, reason, _ = resume(flight)
    assert reason == "results were changed: clouds/flight.laz"
    assert cloud.read_bytes() == good
    # Touched only: found the same.
    cloud.touch()
    _, reason, _ = resume(flight)
    assert reason is None


def test_a_damaged_input_is_not_tried_again_but_one_out_of_reach_is(clouds, resume, monkeypatch):
    good, bad = clouds.write("good.laz"), clouds.folder / "bad.laz"
    bad.write_bytes(b"this is no cloud")
    for _ in range(2):
        outcome, reason, _ = resume(good, bad)
        assert (outcome.exit_code, reason) == (1, None)
    assert outcome.lines[0].endswith("left alone")
    bad.write_bytes(good.read_bytes())
    outcome, reason, _ = resume(good, bad)
    assert (outcome.exit_code, reason) == (0, "inputs changed: bad.laz")
    # What the system refuses may be given another time.
    bad.unlink()
    bad.symlink_to(clouds.folder / "unplugged.laz")
    outcome, reason, _ = resume(good, bad)
    assert outcome.exit_code == 1
    _, reason, _ = resume(good, bad)
    assert reason == "failed for a cause that may have passed: bad.laz"


def test_a_vector_file_that_changed_is_named(clouds, resume, pipeline_file, tmp_path):
    flight = clouds.write()
    ring = [[412_000, 5_654_000], [412_050, 5_654_000], [412_050, 5_654_050], [412_000, 5_654_000]]

    def outline(name, corner):
        ring[2] = [corner, 5_654_050]
        shape = {"type": "Polygon", "coordinates": [ring]}
        crs = {"type": "name", "properties": {"name": "EPSG:32632"}}
        features = [{"type": "Feature", "properties": {}, "geometry": shape}]
        text = json.dumps({"type": "FeatureCollection", "crs": crs, "features": features})
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    path = outline("site.geojson", 412_050)
    resume(flight, boundary=path)
    _, reason, _ = resume(flight, boundary=path)
    assert reason is None
    outline("site.geojson", 412_040)
    _, reason, _ = resume(flight, boundary=path)
    assert reason == "the boundary changed: site.geojson"
    _, reason, _ = resume(flight, boundary=outline("other.geojson", 412_040))
    assert reason == "--boundary changed"
    _, reason, _ = resume(flight)
    assert reason == "--boundary changed"


def test_a_layer_that_a_stage_was_given_is_held_to_its_checksum(clouds, resume, pipeline_file, tmp_path):
    water = tmp_path / "ponds.geojson"
    ring = [[412_000, 5_654_000], [412_010, 5_654_000], [412_010, 5_654_010], [412_000, 5_654_000]]
    crs = {"type": "name", "properties": {"name": "EPSG:32632"}}
    shape = {"type": "Polygon", "coordinates": [ring]}
    features = [{"type": "Feature", "properties": {}, "geometry": shape}]

    def write(**more):
        text = json.dumps({"type": "FeatureCollection", "crs": crs, "features": features, **more})
        water.write_text(text, encoding="utf-8")

    write()
    text = "cloudprep: 1\nstages:\n  - stage: water_points\n    water: ponds.geojson\n"
    pipeline = pipeline_file(text)
    flight = clouds.write()
    resume(flight, pipeline=pipeline)
    _, reason, _ = resume(flight, pipeline=pipeline)
    assert reason is None
    write(name="another")
    _, reason, _ = resume(flight, pipeline=pipeline)
    assert reason == "water_points: 'water' changed: ponds.geojson"


def test_a_record_that_cannot_be_understood_is_done_again(clouds, resume):
    flight = clouds.write()
    _, _, out = resume(flight)
    (out / "run.json").write_text('{"status": "done", "versions": [], "inputs": 3}', encoding="utf-8")
    _, reason, _ = resume(flight)
    assert reason == "its record can't be understood"


def test_a_second_run_is_refused_while_the_first_works(clouds, resume, run):
    flight = clouds.write()
    out = clouds.folder.parent / "out"
    with FolderLock(out):
        began = time.monotonic()
        with pytest.raises(UsageError, match=f"process {os.getpid()} on .* has been at work"):
            run(flight)
        assert time.monotonic() - began < 30
        assert [p.name for p in out.iterdir()] == [".in-use"]
    outcome, _ = run(flight)
    assert outcome.exit_code == 0
    assert not (out / ".in-use").exists()


def test_the_folder_is_held_until_the_record_is_written(clouds, run, monkeypatch):
    from cloudprep.engine import run as engine
    from cloudprep.engine.lock import owner_of

    real, owners = engine.write_record, []

    def watched(record, folder):
        owners.append(owner_of(folder))
        made = real(record, folder)
        owners.append(owner_of(folder))
        return made

    monkeypatch.setattr(engine, "write_record", watched)
    _, out = run(clouds.write())
    assert [owner.process for owner in owners] == [os.getpid()] * 2
    assert owner_of(out) is None


def test_the_record_knows_inputs_again(clouds, run, record_of):
    flight = clouds.write()
    facts = flight.stat()
    _, out = run(flight)
    one = record_of(out)["inputs"][0]
    assert (one["name"], one["size_bytes"]) == ("flight", facts.st_size)
    assert (one["modified_ns"], one["changed_ns"]) == (facts.st_mtime_ns, facts.st_ctime_ns)
