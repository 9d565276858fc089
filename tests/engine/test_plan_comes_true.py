"""What a plan tells of memory, scratch space and blocks is within a quarter of what the run then takes."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from airborne import write_airborne

sys.path.pop(0)


def planned_and_taken(source, out, *options):
    command = [sys.executable, "-m", "cloudprep", "run", "bare_earth", str(source), "--out", str(out)]
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
