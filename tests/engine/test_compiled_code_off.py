"""Whole runs without compiled code, in processes of their own: the same bytes, and said once."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pathlib import Path

ROWS = slice(0, None, 4)  # plain loops take their time
MARK = "compiled code is off"


def run_apart(pipeline: str, flight: Path, out: Path, **variables: str) -> tuple[dict[str, Any], str]:
    """Run a pipeline in a process of its own; return the run record and what was on the screen."""
    done = subprocess.run(
        [sys.executable, "-m", "cloudprep", "run", pipeline, str(flight), "--out", str(out)],
        env={**os.environ, **variables},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads((out / "run.json").read_text()), done.stderr


def products(record: dict[str, Any]) -> dict[str, str]:
    return {o["path"]: o["sha256"] for o in record["outputs"] if o["kind"] != "report"}


@pytest.mark.slow
def test_the_main_job_gives_the_same_files(clouds: Any, run: Any, tmp_path: Path) -> None:
    flight = clouds.write(rows=ROWS)
    with_numba = run(flight, pipeline="bare_earth")[0].record
    without, screen = run_apart("bare_earth", flight, tmp_path / "off", CLOUDPREP_COMPILED="0")
    assert {"dtm.tif", "flight.laz"} <= {path.split("/")[-1] for path in products(without)}
    assert products(without) == products(with_numba)
    assert without["figures"] == with_numba["figures"]
    assert not any(MARK in line for line in with_numba["warnings"])
    assert [line.count(MARK) for line in without["warnings"] if MARK in line] == [1]
    assert screen.count(MARK) == 1
    assert "RuntimeWarning" not in screen


def test_a_machine_where_numba_cant_be_loaded_runs(
    clouds: Any, run: Any, pipeline_file: Any, tmp_path: Path
) -> None:
    flight = clouds.write()
    with_numba = run(flight)[0].record
    broken = tmp_path / "broken" / "numba.py"
    broken.parent.mkdir()
    broken.write_text("raise OSError('its compiler is missing')\n")
    path = os.pathsep.join([str(broken.parent), os.environ.get("PYTHONPATH", "")])
    without, screen = run_apart(str(pipeline_file()), flight, tmp_path / "off", PYTHONPATH=path)
    assert products(without) == products(with_numba)
    assert "(numba can't be loaded: its compiler is missing)" in " ".join(screen.split())
