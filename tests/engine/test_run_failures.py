"""What goes wrong in a run is one clear line, and leaves nothing half-written."""

import os
import signal
import subprocess
import sys
import textwrap
import time

import numpy as np
import pytest

from cloudprep.engine.progress import Silent
from cloudprep.errors import CrsError, UsageError
from cloudprep.stages.ground.progressive_ground import ProgressiveGround


def files(folder):
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def test_a_failing_input_does_not_stop_the_others(clouds, run, record_of):
    good = clouds.write("good.laz")
    bad = clouds.folder / "bad.las"
    bad.write_bytes(b"this is no cloud")
    outcome, out = run(bad, good)
    assert outcome.exit_code == 1
    assert files(out / "clouds") == ["good.laz"]
    record = record_of(out)
    assert record["status"] == "some_inputs_failed"
    failed = [i for i in record["inputs"] if i["status"] == "failed"]
    assert [i["path"] for i in failed] == [str(bad)]
    assert failed[0]["reason"]
    assert any(str(bad) in line for line in outcome.lines)


def test_when_every_input_fails_nothing_is_delivered_and_the_run_may_be_repeated(clouds, run, record_of):
    bad = clouds.write()
    bad.write_bytes(bad.read_bytes()[:100])
    for _ in range(2):
        outcome, out = run(bad)
        assert outcome.exit_code == 1
        assert record_of(out)["status"] == "all_inputs_failed"
        assert [p.name for p in out.iterdir()] == ["run.json"]  # no empty folders either
        assert files(out) == ["run.json"]


def test_rot_in_the_middle_of_a_chunk_fails_that_input_alone(clouds, run, record_of):
    good, rotten = clouds.write("good.laz"), clouds.write("rotten.laz")
    data = bytearray(rotten.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 400] = bytes(400)
    rotten.write_bytes(data)
    outcome, out = run(good, rotten)
    assert files(out / "clouds") == ["good.laz"]
    assert outcome.exit_code == 1
    reasons = {i["path"]: i["reason"] for i in record_of(out)["inputs"]}
    assert "damaged" in reasons[str(rotten)]
    assert not reasons[str(good)]


def test_a_finished_folder_is_refused_without_overwrite(clouds, run):
    flight = clouds.write()
    run(flight)
    with pytest.raises(UsageError, match="--overwrite"):
        run(flight)
    outcome, _ = run(flight, overwrite=True)
    assert outcome.exit_code == 0


def test_inputs_far_apart_are_refused_with_their_groups(clouds, run):
    near = [clouds.write("a.laz"), clouds.write("b.laz", east=412_050.0)]
    far = clouds.write("c.laz", east=440_000.0)
    with pytest.raises(UsageError) as error:
        run(*near, far)
    line = str(error.value)
    assert "\n" not in line
    assert "group 1: a.laz, b.laz" in line
    assert "group 2: c.laz" in line


def test_a_far_point_does_not_explode_and_is_noise(clouds, run, labels_of, record_of):
    columns = {n: v.copy() for n, v in clouds.columns().items()}
    columns["x"][17] = 1.9e6
    outcome, out = run(clouds.write(columns=columns))
    assert outcome.exit_code == 0
    assert labels_of(out / "clouds/flight.laz")[17] in (7, 18)
    record = record_of(out)
    assert record["inputs"][0]["stray_points"] == 1
    assert any("absurd coordinates" in w for w in record["warnings"])
    assert record["site"]["bounds"][2] < 412_100


def test_degrees_are_refused_with_what_to_do(clouds, run, record_of):
    columns = {n: v.copy() for n, v in clouds.columns().items()}
    columns["x"] /= 1e5
    columns["y"] /= 1e5
    flight = clouds.write(columns=columns, epsg=4326, scale=1e-7, east=9.0, north=51.0)
    outcome, out = run(flight)
    assert outcome.exit_code == 1
    assert "reproject" in record_of(out)["inputs"][0]["reason"]


def test_without_a_reference_system_metres_are_assumed_aloud(clouds, run, record_of):
    notes = []

    class Listening(Silent):
        def note(self, text):
            notes.append(text)

    _, out = run(clouds.write(epsg=None), sink=Listening())
    assert any("ASSUMED" in n for n in notes)
    assert any("ASSUMED" in a for a in record_of(out)["assumed"])


def test_an_assumed_reference_system_is_recorded_and_written(clouds, run, record_of):
    import rasterio

    _, out = run(clouds.write(epsg=None), assume_crs="EPSG:25832")
    assert any("EPSG:25832" in a for a in record_of(out)["assumed"])
    with rasterio.open(out / "terrain/dtm.tif") as grid:
        assert grid.crs.to_epsg() == 25832


def test_an_unknown_code_is_the_users_mistake(clouds, run):
    with pytest.raises(CrsError, match="999999"):
        run(clouds.write(epsg=None), assume_crs="EPSG:999999")


def test_flights_in_different_systems_are_refused(clouds, run):
    with pytest.raises(UsageError, match="one reference system"):
        run(clouds.write("a.laz", epsg=32632), clouds.write("b.laz", epsg=25833))


def test_a_missing_column_is_named_before_any_work(clouds, run, monkeypatch):
    from cloudprep.errors import MissingColumnError
    from cloudprep.stages.registry import stage_class

    monkeypatch.setattr(stage_class("progressive_ground"), "needs", ("x", "y", "z", "nir"))
    with pytest.raises(MissingColumnError, match="'nir'"):
        run(clouds.write())


def test_a_dry_run_touches_nothing(clouds, run):
    outcome, out = run(clouds.write(), dry_run=True)
    assert outcome.exit_code == 0
    assert not out.exists()
    text = "\n".join(outcome.lines)
    for word in ("pass 1", "buffer", "memory", "dtm.tif", "flight.laz"):
        assert word in text


def test_gates_decide_the_exit_code(clouds, run, pipeline_file, record_of, monkeypatch):
    text = "cloudprep: 1\nstages:\n  - stage: progressive_ground\ngates:\n  - figure: {}\n    {}: {}\n"
    flight = clouds.write()
    outcome, out = run(flight, pipeline=pipeline_file(text.format("ground.share", "at_least", 0.99)), out="a")
    assert outcome.exit_code == 3
    assert record_of(out)["status"] == "gate_failed"
    outcome, _ = run(flight, pipeline=pipeline_file(text.format("ground.share", "at_least", 0.1)), out="b")
    assert outcome.exit_code == 0
    # A stage that doesn't say which figures it gives may give any.
    monkeypatch.setattr(ProgressiveGround, "reports", None)
    outcome, _ = run(flight, pipeline=pipeline_file(text.format("no.such", "at_most", 1)), out="c")
    assert outcome.exit_code == 3
    assert any("no.such" in line for line in outcome.lines)


@pytest.mark.parametrize("step", ["reading", "isolated_clusters", "writing"])
def test_an_interruption_leaves_no_half_file(clouds, run, tmp_path, step):
    class Interrupting(Silent):
        name = ""

        def start(self, name, total):
            self.name = name

        def advance(self, n):
            if self.name == step:
                raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(clouds.write(), sink=Interrupting())
    left = files(tmp_path / "out")
    assert "run.json" not in left
    assert not [f for f in left if ".part-" in f]


def child(body, *arguments):
    code = textwrap.dedent(body)
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def test_a_full_disk_is_one_line_and_leaves_nothing(clouds, tmp_path, pipeline_file):
    # A limit on the size of files stands in for a full disk: the same refusal by the same call.
    flight = clouds.write(columns=clouds.columns(count=60_000))
    process = child(
        """
        import resource, signal, sys
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        from cloudprep.cli.main import entry
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
        sys.argv = ["cloudprep", "run", sys.argv[1], sys.argv[2], "--out", sys.argv[3]]
        entry()
        """,
        pipeline_file(),
        flight,
        tmp_path / "out",
    )
    _, errors = process.communicate(timeout=120)
    assert process.returncode == 1
    assert "Traceback" not in errors
    assert "can't be written" in errors
    assert not [f for f in files(tmp_path / "out") if f.startswith("clouds/")]
    assert not [f for f in files(tmp_path / "out") if ".part-" in f]


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_stops_the_command_with_130_and_no_half_file(clouds, tmp_path, pipeline_file, sign):
    clouds.write(columns=clouds.columns(count=400_000))
    process = child(
        """
        import signal, sys
        from cloudprep.cli.main import entry
        # What is started in the background inherits that Ctrl-C is ignored.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        sys.argv = ["cloudprep", "run", sys.argv[1], sys.argv[2], "--out", sys.argv[3]]
        entry()
        """,
        pipeline_file(),
        clouds.folder,
        tmp_path / "out",
    )
    deadline = time.monotonic() + 60
    while not (tmp_path / "out" / "terrain").exists():
        assert time.monotonic() < deadline, "the run did not begin"
        assert process.poll() is None, process.communicate()[1]
        time.sleep(0.02)
    process.send_signal(sign)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130, errors
    assert "Traceback" not in errors
    left = files(tmp_path / "out")
    assert "run.json" not in left
    assert not [f for f in left if ".part-" in f]


def test_an_input_that_changes_during_the_run_is_not_delivered(clouds, run):
    flight, other = clouds.write("a.laz"), clouds.write("b.laz")

    class Meddling(Silent):
        def start(self, name, total):
            if name == "writing":
                flight.unlink()

    outcome, out = run(flight, other, sink=Meddling())
    assert outcome.exit_code == 1
    assert files(out / "clouds") == ["b.laz"]
    assert any("vanished" in line for line in outcome.lines)


def test_an_empty_cloud_is_named(clouds, run, record_of):
    outcome, out = run(clouds.write(rows=slice(0, 0)), clouds.write("good.laz"))
    assert outcome.exit_code == 1
    assert "no points" in record_of(out)["inputs"][0]["reason"]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_handful_of_points_runs_through(clouds, run, labels_of, count):
    outcome, out = run(clouds.write(rows=slice(0, count)))
    assert outcome.exit_code == 0
    assert len(labels_of(out / "clouds/flight.laz")) == count


def test_points_all_in_one_place_run_through(clouds, run, labels_of):
    columns = {n: v.copy() for n, v in clouds.columns().items()}
    for axis in "xyz":
        columns[axis][:] = 12.0
    outcome, out = run(clouds.write(columns=columns))
    assert outcome.exit_code == 0
    last = columns["return_number"] >= columns["number_of_returns"]
    assert labels_of(out / "clouds/flight.laz").tolist() == np.where(last, 2, 1).tolist()


ONLY_RASTERS = """
cloudprep: 1
stages:
  - stage: surface_grid
  - stage: terrain_grid
    {}
"""


def test_a_terrain_from_a_cloud_without_ground_points_is_one_line_before_anything_is_made(
    clouds, run, pipeline_file
):
    columns = clouds.columns()
    columns["classification"][:] = 1
    flight = clouds.write(columns=columns)
    with pytest.raises(UsageError) as caught:
        run(flight, pipeline=pipeline_file(ONLY_RASTERS.format("method: tin")))
    assert str(caught.value) == (
        "terrain_grid: no point of this cloud has class 2 (ground): put a ground stage before it, or name "
        "the classes that are ground ('classes')"
    )
    assert not files(clouds.folder.parent / "out")
    # Other classes may be ground, and a stage before it may find some: that isn't known yet.
    run(flight, pipeline=pipeline_file(ONLY_RASTERS.format("classes: [1]")))
    given = pipeline_file("cloudprep: 1\nstages:\n  - stage: progressive_ground\n  - stage: terrain_grid\n")
    run(flight, pipeline=given, out="classified")


def test_a_cell_that_is_far_too_small_is_one_line_with_one_that_would_do(clouds, run, pipeline_file):
    flight = clouds.write()
    for stage in ("terrain_grid", "surface_grid", "intensity_grid", "density_grids"):
        pipeline = pipeline_file(f"cloudprep: 1\nstages:\n  - stage: {stage}\n    cell: 0.001\n")
        with pytest.raises(
            UsageError, match=rf"{stage}: a cell of 0\.001 m .* choose 'cell' 0\.25 m or more"
        ):
            run(flight, pipeline=pipeline)
        assert not files(clouds.folder.parent / "out")


def test_a_raster_too_large_for_the_memory_is_one_line_with_a_cell_that_fits(clouds, run, pipeline_file):
    flight = clouds.write()
    # Filling has the whole raster at hand; what is only drawn lies in files.
    text = "cloudprep: 1\nstages:\n  - stage: terrain_grid\n    cell: 0.005\n    fill: smooth\n"
    pipeline = pipeline_file(text)
    with pytest.raises(UsageError, match=r"its rasters take \d\.\d\d GB, .* 'cell' of terrain_grid: \d"):
        run(flight, pipeline=pipeline, memory=500_000_000)
    assert not files(clouds.folder.parent / "out")
