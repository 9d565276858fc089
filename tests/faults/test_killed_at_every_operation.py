"""A run that is killed before any of its operations on files: what it leaves, and what comes of it.

What a kill leaves is what is in the folder at that moment, since the system keeps what it was given. So one
run is enough: before each operation its folder is copied.
"""

from __future__ import annotations

import json
import os
import shutil

import pytest
from faulty_files import CHANGES, faulty_files
from folders import LOCK, PART, contents, deliverables, halves
from tiny_site import assert_same

# Linux numbers processes up to 2**22.
NO_PROCESS = 2**22 + 7
# Makes more files than the tiny site's own pipeline does.
ANOTHER = """cloudprep: 1
output:
  stac_item: true
  tile_index: true
stages:
  - stage: progressive_ground
  - stage: terrain_grid
    cell: 1.0
  - stage: surface_grid
    cell: 1.0
"""


@pytest.fixture(scope="module")
def earlier(site, tmp_path_factory):
    """Make a finished run of the same flights by another pipeline, in files with other names too."""
    folder = tmp_path_factory.mktemp("earlier")
    pipeline = folder / "another.yaml"
    pipeline.write_text(ANOTHER, encoding="utf-8")
    result = site.run(out=folder / "out", pipeline=pipeline)
    assert result.exit_code == 0, result.stderr
    assert set(contents(folder / "out")) > {*site.wanted(), "terrain/dsm.tif", "item.json", "report.html"}
    return folder / "out"


@pytest.fixture(params=["nothing", "another run", "a killed run of another"])
def before(request, site, earlier, tmp_path):
    """What lies in the folder: nothing, a finished run, or the same after a kill just before its record."""
    if request.param == "nothing":
        return None
    if request.param == "another run":
        return earlier
    return killed(site, tmp_path, earlier.parent / "another.yaml")


def killed(site, folder, pipeline):
    """Return what a run leaves that is killed as its record is about to appear."""
    out, left = site.fresh(), folder / "left"

    def copy(operation):
        if operation.kind == "rename" and operation.path.endswith("-run.json"):
            shutil.copytree(out, left)
            let_die(left)

    with faulty_files(out, copy):
        site.run(pipeline=pipeline)
    assert "run.json" not in contents(left)
    assert "terrain/dsm.tif" in contents(left)
    return left


def let_die(folder):
    """Put a process that is no more into the lock of a copied folder: this one, which it names, goes on."""
    lock = folder / LOCK
    if lock.exists() and lock.read_bytes():
        owner = json.loads(lock.read_bytes())
        assert owner["process"] in (os.getpid(), NO_PROCESS)
        lock.write_text(json.dumps({**owner, "process": NO_PROCESS}), encoding="utf-8")


def snapshots(site, before, folder):
    """Return what a kill before each operation of a run leaves, each state once, and the operations."""
    out = site.fresh(before)
    states, seen = [], set()

    def copy(operation):
        if operation.kind not in CHANGES:
            return
        state = {n: d for n, d in contents(out).items() if not n.rpartition("/")[2].startswith(PART)}
        mark = (tuple(sorted(state.items())), len(halves(out)))
        if mark not in seen:
            seen.add(mark)
            states.append((folder / f"{len(states)}", operation))
            shutil.copytree(out, states[-1][0]) if out.exists() else states[-1][0].mkdir()
            let_die(states[-1][0])

    with faulty_files(out, copy):
        result = site.run("--overwrite")
    assert result.exit_code == 0, result.stderr
    return states


@pytest.mark.slow
def test_a_kill_leaves_whole_files_only_and_the_next_run_leaves_no_trace_of_it(site, before, tmp_path):
    states = snapshots(site, before, tmp_path)
    assert len(states) > 15
    unfinished = 0
    for state, operation in states:
        site.check_whole(state, *([before] if before else []))
        if "run.json" not in deliverables(state):
            unfinished += 1
        site.fresh(state)
        result = site.run("--overwrite")
        assert result.exit_code == 0, (operation, result.stderr)
        assert halves(site.out) == [], operation
        assert_same(contents(site.out), site.wanted())
    assert unfinished > 12
