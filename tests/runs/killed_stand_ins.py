"""A watch that is killed at any moment and started again loses nothing and delivers nothing twice.

Killed is meant by the letter: SIGKILL, to a process of its own. Runs are stand-ins that deliver in many small
steps, so that hundreds of deaths fit into a test; the one with real runs is in
``tests/cli/test_watch_command.py``.
"""

import hashlib
import os
import random
import shutil
import signal
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import laspy
import numpy as np
import pyproj  # noqa: F401 - imported before processes part, so that each need not do it
import pytest

import cloudprep.io.las
import cloudprep.runs.ledger  # noqa: F401 - likewise
from cloudprep.config import load_pipeline
from cloudprep.engine.record import InputRecord, RunRecord, read_record, write_record
from cloudprep.io.atomic import whole_file
from cloudprep.runs import register, watch_events
from cloudprep.runs.watch import Ended, WatchRequest, watch

# Each names a file of the inbox, and which points it holds: two hold the same.
CAPTURES = {"a.laz": 1, "b.laz": 2, "day1/a.laz": 3, "day1/copy.laz": 2, "e.laz": 5}
FOLDERS = {"a", "b", "day1_a", "e"}
# Of kills at random moments; each single step is killed in any case. A hundred for the full number.
KILLS = int(os.environ.get("CLOUDPREP_KILL_TESTS", "20"))


def fill(inbox):
    for name, seed in CAPTURES.items():
        path = inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        header = laspy.LasHeader(point_format=6, version="1.4")
        header.scales = np.full(3, 0.01)
        cloud = laspy.LasData(header)
        cloud.x, cloud.y, cloud.z = np.random.default_rng(seed).uniform(0, 50, (3, 5))
        cloud.write(path)
    cut = (inbox / "a.laz").read_bytes()[:-40]
    (inbox / "cut.laz").write_bytes(cut)


def run_in_steps(step, log):
    """Return a stand-in for a run that delivers piece by piece and notes in a log that it came to its end."""

    def run(request, inputs, out):
        (path,) = map(Path, inputs)
        data = path.read_bytes()
        for room in ("clouds", "terrain"):
            (out / room).mkdir(parents=True, exist_ok=True)
            step()
        for number in range(3):
            with whole_file(out / "terrain" / f"tile{number}.bin") as part:
                part.write_bytes(data[number::3])
                step()
            step()
        shutil.copyfile(path, out / "clouds" / path.name)
        step()
        record = RunRecord(
            status="done",
            started="2026-03-01T12:00:00+00:00",
            finished="2026-03-01T12:00:01+00:00",
            seconds=1,
            peak_memory_bytes=1,
            versions={"cloudprep": "0.1.0"},
            workers=1,
            pipeline_source="stand-in",
            pipeline={},
            inputs=[
                InputRecord(
                    path=path.name,
                    size_bytes=len(data),
                    sha256=hashlib.sha256(data).hexdigest(),
                    points=5,
                    status="done",
                )
            ],
        )
        write_record(record, out)
        with log.open("a", encoding="utf-8") as file:
            file.write(f"{out.name}\n")
        step()
        return Ended(record.model_dump(mode="json"))

    return run


@pytest.fixture
def place(tmp_path):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    fill(inbox)
    (tmp_path / "p.yaml").write_text("cloudprep: 1\nstages:\n- stage: low_points\n", encoding="utf-8")
    return tmp_path


def start(place, out, step, after_fork=lambda: None):
    """Start a watch in a process of its own; return its number."""
    log = place / f"{out.name}.log"
    child = os.fork()
    if child:
        return child
    code = 99
    try:
        after_fork()
        base = register.Register._step

        def stepped(self):
            step()
            return base(self)

        register.Register._step = stepped
        request = WatchRequest(
            place / "inbox", out, load_pipeline(place / "p.yaml"), settle=0.0, poll=0.1, once=True
        )
        code = watch(request, lambda event: step() or event.line(), run_in_steps(step, log))
    finally:
        os._exit(code)


def wait(child):
    """Return the exit code of a process; minus the signal that ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def tree(folder):
    """Return the files of all runs, byte by byte."""
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.name not in ("ledger.gpkg", "watch.sqlite")
    }


def check(place, out, whole, inbox):
    assert tree(out) == whole
    with closing(sqlite3.connect(out / "watch.sqlite")) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        rows = base.execute("SELECT place, state, folder FROM captures").fetchall()
    delivered = {folder for _, state, folder in rows if state == "delivered"}
    assert delivered == FOLDERS
    assert len([r for r in rows if r[1] == "delivered"]) == len(FOLDERS)
    assert sorted(r[0] for r in rows if r[1] == "duplicate") == ["day1/copy.laz"]
    assert [r[0] for r in rows if r[1] == "set aside"] == ["cut.laz"]
    # A run that came to its end was never done again: the log has each once (or not at all, where the death
    # came between the record and the log).
    log = place / f"{out.name}.log"
    ended = log.read_text(encoding="utf-8").split() if log.exists() else []
    assert len(ended) == len(set(ended))
    with closing(sqlite3.connect(out / "ledger.gpkg")) as base:
        assert {run for (run,) in base.execute("SELECT run FROM runs")} == FOLDERS
    assert {p: p.read_bytes() for p in sorted((place / "inbox").rglob("*")) if p.is_file()} == inbox


@pytest.fixture
def whole(place):
    """What an uninterrupted watch delivers, how many steps and how many seconds it takes."""
    steps = place / "steps"

    def count():
        with steps.open("a", encoding="utf-8") as file:
            file.write("x")

    assert wait(start(place, place / "whole", count)) == 1  # one capture is cut
    began = time.monotonic()
    assert wait(start(place, place / "timed", lambda: None)) == 1
    return tree(place / "whole"), steps.stat().st_size, time.monotonic() - began


@pytest.fixture
def inbox(place):
    return {p: p.read_bytes() for p in sorted((place / "inbox").rglob("*")) if p.is_file()}


def finish(place, out):
    code = wait(start(place, out, lambda: None))
    assert code in (0, 1)


def test_the_whole_is_what_is_wanted(place, whole, inbox):
    files, steps, _ = whole
    assert {name.partition("/")[0] for name in files} == FOLDERS
    assert steps > 60
    check(place, place / "whole", files, inbox)


@pytest.mark.slow
def test_killed_at_every_single_step(place, whole, inbox):
    files, steps, _ = whole
    for number in range(1, steps + 1):
        out = place / f"out{number}"
        left = iter(range(number - 1))

        def step(left=left):
            if next(left, None) is None:
                os.kill(os.getpid(), signal.SIGKILL)

        assert wait(start(place, out, step)) == -signal.SIGKILL
        finish(place, out)
        check(place, out, files, inbox)
        shutil.rmtree(out)


@pytest.mark.slow
def test_killed_again_and_again_at_random_moments(place, whole, inbox):
    files, _, seconds = whole
    draw = random.Random(20260301)  # noqa: S311 - no secret
    kills = rounds = 0
    while kills < KILLS:
        rounds += 1
        out = place / f"out{rounds}"
        while True:
            child = start(place, out, lambda: None)
            time.sleep(draw.uniform(0, 1.2 * seconds))
            os.kill(child, signal.SIGKILL)
            code = wait(child)
            if code != -signal.SIGKILL:  # it was quicker
                break
            kills += 1
        check(place, out, files, inbox)
        shutil.rmtree(out)


def test_a_polite_end_leaves_nothing_to_be_recovered(place, whole, inbox):
    files, _, _ = whole
    out = place / "out"

    def interrupted():
        def stop(*_):
            raise KeyboardInterrupt

        signal.signal(signal.SIGTERM, stop)

    child = start(place, out, lambda: time.sleep(0.02), interrupted)
    while not list(out.glob("*/terrain/*.bin")):
        time.sleep(0.005)
    os.kill(child, signal.SIGTERM)
    assert wait(child) == 99
    with closing(sqlite3.connect(out / "watch.sqlite")) as base:
        states = [s for (s,) in base.execute("SELECT state FROM captures")]
    assert "being worked on" not in states
    assert not (out / ".in-use").exists()
    finish(place, out)
    check(place, out, files, inbox)


def test_what_is_told_is_a_line_each():
    event = watch_events.Event("set_aside", "a\n.laz", reason="cut \x1b[31m")
    assert event.line().count("\n") == 0
    assert "\x1b" not in event.line()


def test_a_record_is_there_only_with_its_files(place, whole):
    """The order in which a run delivers is what all this rests on: the record comes last."""
    out = place / "out"
    child = start(place, out, lambda: time.sleep(0.002))
    seen = 0
    while not os.waitpid(child, os.WNOHANG)[0]:
        for folder in FOLDERS:
            if read_record(out / folder) is not None:
                seen += 1
                assert len(list((out / folder / "terrain").glob("tile*.bin"))) == 3
        time.sleep(0.005)
    assert seen
