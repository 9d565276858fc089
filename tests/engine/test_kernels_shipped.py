"""A wheel brings its kernels compiled: numba takes them where they lie, or where it looks instead."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BUILD = "from hatchling.builders.wheel import WheelBuilder; print(*WheelBuilder('.').build(directory='dist'))"
CALL = """
import json, sys
import numpy as np
import cloudprep
from cloudprep.engine import ahead
from cloudprep.engine.progress import Silent
from cloudprep.kernels import bilinear

with ahead.CompiledAhead(int(sys.argv[1]), Silent()) as helpers:
    helpers.wait()
ones = np.ones((4, 4))
bilinear.bilinear(ones, np.ones(2), np.ones(2))
stats = bilinear._bilinear.stats
print(json.dumps([cloudprep.__file__, helpers.count, sum(stats.cache_hits.values())]))
"""


def project(folder: Path) -> Path:
    """Return a copy of the project that lists the kernels of one module only."""
    if not (ROOT / "hatch_build.py").exists():
        pytest.skip("not a checkout")
    for name in ("cloudprep", "pipelines", "demo_clouds"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "hatch_build.py", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder)
    kernels = folder / "cloudprep" / "engine" / "ahead_list.jsonl"
    lines = [line for line in kernels.read_text().splitlines() if line.startswith('["bilinear"')]
    assert lines
    kernels.write_text("\n".join(lines) + "\n")
    return folder


def build(folder: Path, **variables: str) -> tuple[Path, str]:
    """Build the wheel as an installer does; return where it was unpacked, and its name."""
    outside = {name: value for name, value in os.environ.items() if not name.startswith("NUMBA")}
    done = subprocess.run(
        [sys.executable, "-P", "-c", BUILD],
        cwd=folder,
        env={**outside, **variables},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    (wheel,) = (folder / "dist").iterdir()
    with zipfile.ZipFile(wheel) as file:
        file.extractall(folder / "site")
    return folder / "site", wheel.name


def call(site: Path, workers: int = 2, **variables: str) -> list[object]:
    outside = {name: value for name, value in os.environ.items() if not name.startswith("NUMBA")}
    done = subprocess.run(
        [sys.executable, "-P", "-c", CALL, str(workers)],
        cwd=site,
        env={**outside, "PYTHONPATH": str(site), **variables},
        capture_output=True,
        text=True,
        check=True,
    )
    where, *rest = json.loads(done.stdout.splitlines()[-1])
    assert Path(where).is_relative_to(site)
    return rest


@pytest.mark.slow
def test_a_wheel_brings_its_kernels_and_no_first_run_compiles_them(tmp_path: Path) -> None:
    site, name = build(project(tmp_path))
    assert not name.endswith("-none-any.whl")  # it is for this machine
    assert call(site) == [0, 1]
    # Where numba keeps kernels elsewhere they are copied there, for one worker too.
    elsewhere = tmp_path / "elsewhere"
    for workers in (1, 2):
        assert call(site, workers, NUMBA_CACHE_DIR=str(elsewhere / str(workers))) == [0, 1]
    (kept,) = (elsewhere / "2").iterdir()
    assert not list(kept.glob(".part-*"))
    # Another source has other kernels.
    source = site / "cloudprep" / "kernels" / "bilinear.py"
    source.write_text(source.read_text() + "\n# changed\n")
    count, found = call(site)
    assert count
    assert found  # by the helpers just now


@pytest.mark.parametrize("why", ["switched off", "failed"])
def test_a_wheel_is_built_without_kernels_too(why: str, tmp_path: Path) -> None:
    folder = project(tmp_path)
    variables = {}
    if why == "failed":
        (folder / "cloudprep" / "engine" / "ahead.py").write_text("raise OSError('no room')\n")
    else:
        variables = {"CLOUDPREP_COMPILED": "0"}
    site, name = build(folder, **variables)
    assert name.endswith("-none-any.whl")
    assert not list(site.rglob("*.nb[ic]"))
