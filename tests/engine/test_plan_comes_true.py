"""What a plan tells of memory, scratch space and blocks is within a quarter of what the run then takes."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from airborne import write_airborne

sys.path.pop(0)


def planned_and_taken(source, out, *options, pipeline="bare_earth"):
    command = [sys.executable, "-m", "cloudprep", "run", str(pipeline), str(source), "--out", str(out)]
    command += ["--overwrite", "--workers", "2", "--json", "-q", *options]

    def told(*more):
        done = subprocess.run([*command, *more], capture_output=True, text=True, check=True)
        return json.loads(done.stdout)

    plan = told("--dry-run")["plan"]
    told()  # compiling kernels takes memory too, once
    return plan, told()


@pytest.mark.slow
@pytest.mark.parametrize("memory", ["20GB", "520MB"])
def test_memory_scratch_and_blocks_come_true(tmp_path, memory):
    source = tmp_path / "flight.laz"
    write_airborne(source, 900_000, density=20.0)
    plan, taken = planned_and_taken(source, tmp_path / "out", "--memory", memory)
    assert plan["on_disk"] == (memory == "520MB")
    assert plan["memory_bytes"] == pytest.approx(taken["peak_memory_bytes"], rel=0.25)
    assert plan["scratch_bytes"] == pytest.approx(taken["scratch_bytes"], rel=0.25)
    assert plan["blocks"] == pytest.approx(taken["blocks"], rel=0.25)
    assert not list((tmp_path / "out").glob(".part-*"))


@pytest.mark.slow
@pytest.mark.parametrize("memory", ["20GB", "390MB"])
def test_rasters_with_many_more_cells_than_points_are_counted(tmp_path, memory):
    source = tmp_path / "flight.laz"
    write_airborne(source, 100_000, density=0.1)
    pipeline = tmp_path / "grid.yaml"
    pipeline.write_text("cloudprep: 1\nstages:\n- stage: terrain_grid\n  classes: [0, 1, 2]\n  cell: 0.25\n")
    plan, taken = planned_and_taken(source, tmp_path / "out", "--memory", memory, pipeline=pipeline)
    assert taken["figures"]["terrain.cells"] > 10_000_000
    assert plan["on_disk"] == (memory == "390MB")
    assert plan["memory_bytes"] == pytest.approx(taken["peak_memory_bytes"], rel=0.25)
    assert plan["scratch_bytes"] == pytest.approx(taken["scratch_bytes"], rel=0.25)
    assert not list((tmp_path / "out").glob(".part-*"))
