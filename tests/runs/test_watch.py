"""A watched folder: each capture is taken when it is whole, delivered once, and the inbox stays as it is.

Runs are stand-ins here that deliver a copy; time is what the test says. The real thing is in
``tests/cli/test_watch_command.py``.
"""

import hashlib
import json
import os
import shutil
import socket
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import laspy
import numpy as np
import pytest

from cloudprep.config import load_pipeline
from cloudprep.engine.journal import JOURNAL_NAME
from cloudprep.engine.lock import LOCK_NAME, FolderLock
from cloudprep.engine.record import InputRecord, RunRecord, read_record, write_record
from cloudprep.engine.standing import asked_of
from cloudprep.errors import UsageError
from cloudprep.runs import watch as watches
from cloudprep.runs.inbox import captures_in
from cloudprep.runs.watch import MOST_DEATHS, Ended, WatchRequest, watch


class Stopped(BaseException):
    """Stands for Ctrl-C."""


class StandIn:
    """Delivers copies, and a record of just that."""

    def __init__(self):
        self.runs = []
        self.fails = {}
        self.meanwhile = lambda: None

    def __call__(self, request, inputs, out):
        names = tuple(Path(i).name for i in inputs)
        self.runs.append((out.name, names))
        self.meanwhile()
        trouble = next((self.fails[n] for n in names if n in self.fails), None)
        if isinstance(trouble, BaseException):
            raise trouble
        if isinstance(trouble, Ended):
            return trouble
        records = []
        (out / "clouds").mkdir(parents=True, exist_ok=True)
        for path in map(Path, inputs):
            data = path.read_bytes()
            (out / "clouds" / path.name).write_bytes(data)
            bad = trouble == "bad" and path.name in self.fails
            records.append(
                InputRecord(
                    path=str(path).encode("utf-8", "backslashreplace").decode(),
                    size_bytes=len(data),
                    sha256=hashlib.sha256(data).hexdigest(),
                    points=0 if bad else 5,
                    status="failed" if bad else "done",
                    reason="rotten inside" if bad else "",
                )
            )
        failed = [r.status == "failed" for r in records]
        status = "all_inputs_failed" if all(failed) else "some_inputs_failed" if any(failed) else "done"
        if trouble == "gate":
            status = "gate_failed"
        record = RunRecord(
            status=status,
            started="2026-03-01T12:00:00+00:00",
            finished="2026-03-01T12:00:01+00:00",
            seconds=1,
            peak_memory_bytes=1,
            versions={"cloudprep": "0.1.0"},
            workers=1,
            pipeline_source=str(request.pipeline.source),
            pipeline=request.pipeline.as_dict(),
            asked=asked_of(request.pipeline, cell=None, boundary=None, assume_crs=None),
            inputs=records,
        )
        write_record(record, out)
        return Ended(record.model_dump(mode="json"))


class Place:
    """An inbox, results, and a clock."""

    def __init__(self, root):
        self.inbox, self.out = root / "inbox", root / "out"
        self.inbox.mkdir()
        self.pipeline = root / "quarry.yaml"
        self.pipeline.write_text("cloudprep: 1\nstages:\n- stage: low_points\n", encoding="utf-8")
        self.now = 1_700_000_000.0
        self.runner = StandIn()
        self.events = []
        self.between = []

    def put(self, name, seed=1, count=5):
        path = self.inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        header = laspy.LasHeader(point_format=6, version="1.4")
        header.scales = np.full(3, 0.01)
        cloud = laspy.LasData(header)
        cloud.x, cloud.y, cloud.z = np.random.default_rng(seed).uniform(0, 50, (3, count))
        cloud.write(path)
        return path

    def _sleep(self, seconds):
        assert seconds >= 0
        self.now += max(seconds, 0.001)
        if not self.between:
            raise Stopped
        step = self.between.pop(0)
        if step is not None:
            step()

    def watch(self, *between, **options):
        """Watch; ``between`` is done between two looks, one after the other, then the watch is stopped."""
        self.between = list(between)
        given = {"settle": 30.0, "poll": 10.0, "once": not between, **options}
        request = WatchRequest(self.inbox, self.out, load_pipeline(self.pipeline), **given)
        if given["once"]:
            self.between = [None] * 100
        self.events = []
        try:
            code = watch(request, self.events.append, self.runner, sleep=self._sleep, clock=lambda: self.now)
        except Stopped:
            code = None
        return code

    def told(self, *kinds):
        return [(e.event, e.capture) for e in self.events if e.event in (kinds or {e.event})]

    def rows(self, columns="place, state, folder"):
        with closing(sqlite3.connect(self.out / "watch.sqlite")) as base:
            return base.execute(f"SELECT {columns} FROM captures ORDER BY id").fetchall()  # noqa: S608 - our own words

    def inbox_as_it_is(self):
        return {
            p.relative_to(self.inbox): (p.read_bytes(), p.stat().st_mtime_ns)
            for p in self.inbox.rglob("*")
            if p.is_file()
        }


@pytest.fixture
def place(tmp_path):
    return Place(tmp_path)


# -- when it is taken ------------------------------------------------------------------------------------


def test_a_capture_is_delivered_once_it_has_stood_still(place):
    place.put("north.laz")
    before = place.inbox_as_it_is()
    start = place.now
    assert place.watch() == 0
    assert place.now - start == pytest.approx(30, abs=1)
    assert place.runner.runs == [("north", ("north.laz",))]
    assert place.rows() == [("north.laz", "delivered", "north")]
    assert (place.out / "ledger.gpkg").is_file()
    assert place.inbox_as_it_is() == before
    assert place.told("found", "begun", "delivered") == [
        (k, "north.laz") for k in ("found", "begun", "delivered")
    ]


def test_what_grows_is_waited_for(place):
    path = place.put("north.laz")
    whole = path.read_bytes()

    def grow(share):
        return lambda: path.write_bytes(whole[: int(len(whole) * share)])

    grow(0.5)()
    growing = [grow(0.5 + 0.05 * n) for n in range(8)] + [grow(1.0)]  # every 10 s, for 90 s
    place.watch(*growing)
    assert place.runner.runs == []
    place.watch(None, None, None, None)
    assert place.runner.runs == [("north", ("north.laz",))]


def test_once_leaves_what_still_grows_for_the_next_time(place):
    place.put("ready.laz", seed=1)
    path = place.put("growing.laz", seed=2)
    steps = iter(range(10**6))
    rest = place._sleep

    def sleep(seconds):
        rest(seconds)
        os.utime(path, ns=(0, 10**18 + next(steps)))

    place._sleep = sleep
    assert place.watch() == 1  # not all that lies there is delivered
    assert place.runner.runs == [("ready", ("ready.laz",))]
    assert "1 still growing" in place.events[-1].reason


def test_a_second_call_need_not_wait_for_what_the_first_saw(place):
    place.put("north.laz")
    place.watch(None)  # stopped after two looks, 10 s apart
    assert place.runner.runs == []
    place.now += 25
    start = place.now
    assert place.watch() == 0
    assert place.now == start
    assert place.runner.runs == [("north", ("north.laz",))]


def test_names_of_copies_under_way_are_not_looked_at(place):
    for name in (".north.laz.Xy12", "north.laz.part", ".part-1-north.laz", "~north.laz", "a.tmp", ".s/b.laz"):
        place.put(name) if name.endswith(".laz") else (place.inbox / name).write_bytes(b"x")
    assert place.watch(settle=0) == 0
    assert place.runner.runs == []
    shutil.copy(place.inbox / "~north.laz", place.inbox / "north.LAZ")
    assert place.watch(settle=0) == 0
    assert place.runner.runs == [("north", ("north.LAZ",))]


def test_a_clock_put_back_starts_the_wait_anew(place):
    place.put("north.laz")
    place.watch(None)
    place.now -= 86_400
    start = place.now
    assert place.watch() == 0
    assert place.now - start == pytest.approx(30, abs=1)


# -- what can't be used ----------------------------------------------------------------------------------


def test_a_cut_capture_is_set_aside_and_taken_when_it_is_whole(place):
    path = place.put("north.laz", count=500)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert place.watch() == 1
    assert place.rows("state, folder") == [("set aside", None)]
    (event,) = [e for e in place.events if e.event == "set_aside"]
    assert "cut short" in event.reason
    assert place.watch() == 0  # not tried again: nothing has changed
    assert place.told("set_aside") == []
    path.write_bytes(whole)
    assert place.watch() == 0
    assert place.rows() == [("north.laz", "delivered", "north")]


def test_a_run_that_fails_is_set_aside_and_tried_again_only_when_asked(place):
    place.put("north.laz")
    place.put("south.laz", seed=2)
    place.runner.fails["north.laz"] = Ended(None, "two reference systems")
    assert place.watch() == 1
    assert place.rows("place, state, reason") == [
        ("north.laz", "set aside", "two reference systems"),
        ("south.laz", "delivered", ""),
    ]
    assert place.watch() == 0
    assert len(place.runner.runs) == 2
    place.runner.fails.clear()
    assert place.watch(retry=True) == 0
    assert place.runner.runs[2:] == [("north", ("north.laz",))]
    assert place.rows() == [("north.laz", "delivered", "north"), ("south.laz", "delivered", "south")]


def test_the_cause_of_all_inputs_failed_is_told(place):
    place.put("north.laz")
    place.runner.fails["north.laz"] = "bad"
    assert place.watch() == 1
    assert place.rows("state, reason") == [("set aside", "rotten inside")]
    place.put("north.laz", seed=3)
    place.runner.fails.clear()
    assert place.watch() == 0
    assert place.rows() == [("north.laz", "delivered", "north")]
    assert read_record(place.out / "north")["status"] == "done"


def test_a_full_disk_puts_it_off_and_nothing_is_set_aside(place):
    place.put("north.laz")
    place.runner.fails["north.laz"] = Ended(None, "the disk is full", may_pass=True)
    assert place.watch() == 1
    assert place.rows("state") == [("interrupted",)]
    assert place.told("postponed") == [("postponed", "north.laz")]
    place.runner.fails.clear()
    assert place.watch() == 0
    assert place.rows() == [("north.laz", "delivered", "north")]


def test_a_failed_gate_is_a_delivery_with_its_own_exit_code(place):
    place.put("north.laz")
    place.runner.fails["north.laz"] = "gate"
    assert place.watch() == 3
    assert place.rows("state") == [("delivered, a gate failed",)]
    assert place.watch() == 0
    assert len(place.runner.runs) == 1


def test_a_file_that_changes_while_it_is_worked_on_is_taken_again(place):
    path = place.put("north.laz")
    place.runner.meanwhile = lambda: place.put("north.laz", seed=9)
    place.watch(None, None, None)
    assert place.told("changed") == [("changed", "north.laz")]
    assert place.rows("state") == [("interrupted",)]
    place.runner.meanwhile = lambda: None
    assert place.watch() == 0
    assert place.rows() == [("north.laz", "delivered", "north")]
    assert (place.out / "north" / "clouds" / "north.laz").read_bytes() == path.read_bytes()


def test_a_capture_that_goes_while_it_is_worked_on_is_not_set_aside(place):
    path = place.put("north.laz")
    data = path.read_bytes()
    place.runner.fails["north.laz"] = Ended(None, "there is no such file")
    place.runner.meanwhile = lambda: path.unlink(missing_ok=True)
    place.watch(settle=0)
    assert place.rows("state") == [("interrupted",)]
    place.runner = StandIn()
    path.write_bytes(data)
    assert place.watch() == 0
    assert place.rows() == [("north.laz", "delivered", "north")]


def test_an_inbox_that_is_away_for_a_while_is_waited_for(place):
    place.put("north.laz")
    gone = place.inbox.with_name("unplugged")
    place.watch(
        lambda: place.inbox.rename(gone), None, None, lambda: gone.rename(place.inbox), None, None, None, None
    )
    assert place.told("away", "back", "delivered") == [
        ("away", None),
        ("back", None),
        ("delivered", "north.laz"),
    ]


# -- the same again --------------------------------------------------------------------------------------


def test_copies_and_other_names_are_recognised(place):
    path = place.put("north.laz")
    place.watch()
    shutil.copy(path, place.inbox / "copy.laz")
    path.rename(place.inbox / "other name.laz")
    assert place.watch() == 0
    assert len(place.runner.runs) == 1
    reasons = {e.capture: e.reason for e in place.events if e.event == "duplicate"}
    assert set(reasons) == {"copy.laz", "other name.laz"}
    assert all("is, under another name, north.laz (delivered to north)" in r for r in reasons.values())
    assert place.watch() == 0
    assert place.told("duplicate") == []  # said once


def test_of_two_that_come_together_one_is_taken(place):
    path = place.put("a.laz")
    shutil.copy(path, place.inbox / "b.laz")
    assert place.watch() == 0
    assert place.runner.runs == [("a", ("a.laz",))]
    assert place.told("duplicate") == [("duplicate", "b.laz")]


def test_a_touched_file_is_the_same(place):
    path = place.put("north.laz")
    place.watch()
    os.utime(path, (2e9, 2e9))
    assert place.watch() == 0
    assert len(place.runner.runs) == 1
    assert place.told("duplicate", "delivered") == []


def test_new_content_under_an_old_name_is_a_new_delivery(place):
    place.put("north.laz")
    place.watch()
    place.put("north.laz", seed=2)
    assert place.watch() == 0
    (first, second) = (folder for folder, _ in place.runner.runs)
    assert first == "north"
    assert second.startswith("north-")
    assert read_record(place.out / "north") is not None


def test_another_pipeline_delivers_beside(place):
    place.put("north.laz")
    place.watch()
    place.pipeline.write_text("cloudprep: 1\nstages:\n- stage: isolated_clusters\n", encoding="utf-8")
    assert place.watch() == 0
    assert len({folder for folder, _ in place.runner.runs}) == 2
    assert place.watch() == 0
    assert len(place.runner.runs) == 2


def test_where_the_pipeline_lies_is_no_difference(place):
    place.put("north.laz")
    place.watch()
    place.pipeline = shutil.copy(place.pipeline, place.pipeline.with_name("other.yaml"))
    assert place.watch() == 0
    assert len(place.runner.runs) == 1


# -- names -----------------------------------------------------------------------------------------------


def test_names_of_folders_are_plain_stable_and_never_two_of_one(place):
    for seed, name in enumerate(
        ("a.las", "a.laz", "A.copc.laz", "day1/a.laz", "day1_a.laz", "watch.laz", "..b.c.laz")
    ):
        if not name.startswith("."):
            place.put(name, seed)
    assert place.watch() == 0
    folders = [folder for folder, _ in place.runner.runs]
    assert len({f.casefold() for f in folders}) == len(folders) == 6
    root = place.inbox.parent / "again"
    root.mkdir()
    again = Place(root)
    for path in sorted(place.inbox.rglob("*.la?")):
        target = again.inbox / path.relative_to(place.inbox)
        target.parent.mkdir(exist_ok=True)
        shutil.copy(path, target)
    assert again.watch() == 0
    assert [folder for folder, _ in again.runner.runs] == folders


def test_a_folder_that_is_there_already_is_not_touched(place):
    place.put("north.laz")
    mine = place.out / "north" / "mine.txt"
    mine.parent.mkdir(parents=True)
    mine.write_text("mine", encoding="utf-8")
    assert place.watch() == 0
    assert place.runner.runs[0][0].startswith("north-")
    assert mine.read_text(encoding="utf-8") == "mine"


def test_a_name_that_is_no_text_is_taken(place):
    path = place.put("north.laz")
    path.rename(os.fsdecode(os.fsencode(place.inbox) + b"/n\xf6rd.laz"))
    assert place.watch() == 0
    assert len(place.runner.runs) == 1
    assert place.rows("place, state") == [("n\\udcf6rd.laz", "delivered")]


# -- folders of flights ----------------------------------------------------------------------------------


def test_a_folder_of_flights_is_one_capture(place):
    place.put("day1/a.laz", 1)
    place.put("day1/sub/b.laz", 2)
    place.put("lone.laz", 3)
    assert place.watch(group_by="folder") == 0
    assert place.runner.runs == [("day1", ("a.laz", "b.laz")), ("lone", ("lone.laz",))]


def test_a_folder_waits_for_all_that_still_comes_into_it(place):
    place.put("day1/a.laz", 1)
    part = place.inbox / "day1" / ".b.laz.tmp"
    growing = [lambda n=n: part.write_bytes(b"x" * n) for n in range(1, 9)]
    place.watch(*growing, lambda: (part.unlink(), place.put("day1/b.laz", 2)), group_by="folder")
    assert place.runner.runs == []
    assert place.watch(group_by="folder") == 0
    assert place.runner.runs == [("day1", ("a.laz", "b.laz"))]


def test_one_cut_flight_holds_its_folder_back(place):
    place.put("day1/a.laz", 1)
    path = place.put("day1/b.laz", 2, count=500)
    whole = path.read_bytes()
    path.write_bytes(whole[:-100])
    assert place.watch(group_by="folder") == 1
    assert "1 other flight waits for it" in place.events[-2].reason
    path.write_bytes(whole)
    assert place.watch(group_by="folder") == 0
    assert place.runner.runs == [("day1", ("a.laz", "b.laz"))]


def test_a_delivered_folder_may_be_emptied_flight_by_flight(place):
    for n, name in enumerate("abc"):
        place.put(f"day1/{name}.laz", n)
    place.watch(group_by="folder")
    for name in "ab":
        (place.inbox / "day1" / f"{name}.laz").unlink()
        assert place.watch(group_by="folder") == 0
    assert len(place.runner.runs) == 1


def test_a_flight_more_is_a_new_capture(place):
    place.put("day1/a.laz", 1)
    place.watch(group_by="folder")
    place.put("day1/b.laz", 2)
    assert place.watch(group_by="folder") == 0
    assert [names for _, names in place.runner.runs] == [("a.laz",), ("a.laz", "b.laz")]


def test_a_copy_within_a_folder_is_left_out(place):
    path = place.put("day1/a.laz", 1)
    shutil.copy(path, path.with_name("a_copy.laz"))
    assert place.watch(group_by="folder") == 0
    assert place.runner.runs == [("day1", ("a.laz",))]
    assert any("a_copy.laz holds the same as day1/a.laz" in e.reason for e in place.events)
    assert place.watch(group_by="folder") == 0
    assert len(place.runner.runs) == 1


def test_what_is_delivered_in_part_is_done_again_when_it_changes(place):
    place.put("day1/a.laz", 1)
    place.put("day1/b.laz", 2)
    place.runner.fails["b.laz"] = "bad"
    assert place.watch(group_by="folder") == 1
    assert place.rows("state, reason") == [("delivered in part", "b.laz: rotten inside")]
    assert place.watch(group_by="folder") == 0
    place.runner.fails.clear()
    place.put("day1/b.laz", 3)
    assert place.watch(group_by="folder") == 0
    assert place.rows() == [("day1", "delivered", "day1")]
    assert read_record(place.out / "day1")["status"] == "done"


# -- stops and restarts ----------------------------------------------------------------------------------


def test_a_stop_in_the_middle_of_a_run_is_made_good(place):
    place.put("north.laz")
    place.runner.fails["north.laz"] = Stopped()
    place.watch(settle=0)
    assert place.rows() == [("north.laz", "interrupted", "north")]
    place.runner.fails.clear()
    assert place.watch() == 0
    assert place.rows() == [("north.laz", "delivered", "north")]


def working_again(place):
    """Make it look as if the process had died while it worked on the only capture."""
    with closing(sqlite3.connect(place.out / "watch.sqlite")) as base:
        base.execute("UPDATE captures SET state = 'being worked on', begun = 1, ended = NULL")
        base.commit()


def test_a_run_that_had_ended_is_taken_as_delivered(place):
    place.put("north.laz")
    place.watch()
    working_again(place)
    assert place.watch() == 0
    assert len(place.runner.runs) == 1
    assert place.rows("state") == [("delivered",)]


def left_behind(folder):
    """Make it look as if the run had been killed just behind its record."""
    gone = {"host": socket.gethostname(), "boot": "", "process": 2**22 + 7, "began": 0, "taken": ""}
    (folder / LOCK_NAME).write_text(json.dumps(gone), encoding="utf-8")
    (folder / JOURNAL_NAME).write_text('"clouds/north.laz"\n', encoding="utf-8")
    (folder / ".part-0123456789ab-run.json").write_bytes(b"{")


def names_in(folder):
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("register", ["kept", "lost"])
def test_a_run_killed_just_behind_its_record_leaves_nothing_but_its_delivery(place, register):
    """It did: its lock and its notes stayed for ever, since nothing was to be done there any more."""
    place.put("north.laz")
    place.watch()
    delivered = names_in(place.out / "north")
    working_again(place)
    left_behind(place.out / "north")
    if register == "lost":
        (place.out / "watch.sqlite").unlink()
    assert place.watch() == 0
    assert len(place.runner.runs) == 1
    assert names_in(place.out / "north") == delivered
    assert read_record(place.out / "north") is not None


def test_what_a_dying_worker_left_behind_its_record_is_waited_for(place):
    """Longer than a run waits for a folder that another one holds: the system may be slow to end it."""
    place.put("north.laz")
    place.watch()
    working_again(place)
    (place.out / "north" / JOURNAL_NAME).write_text("", encoding="utf-8")
    lock = FolderLock(place.out / "north")
    lock.__enter__()
    timer = threading.Timer(2.0, lock.__exit__, (None, None, None))
    timer.start()
    assert place.watch() == 0
    timer.join()
    assert names_in(place.out / "north") == ["clouds", "run.json"]


def test_a_record_of_something_else_is_not_taken_as_the_delivery(place):
    place.put("north.laz")
    place.watch()
    working_again(place)
    shutil.rmtree(place.out / "north")
    place.put("other.laz", 7)
    StandIn()(
        WatchRequest(place.inbox, place.out, load_pipeline(place.pipeline)),
        (str(place.inbox / "other.laz"),),
        place.out / "north",
    )
    (place.inbox / "other.laz").unlink()
    assert place.watch() == 0
    assert place.runner.runs == [("north", ("north.laz",))] * 2


def test_what_a_killed_run_left_does_not_stay(place):
    place.put("north.laz")
    place.watch()
    working_again(place)
    (place.out / "north" / "run.json").unlink()
    stale = place.out / "north" / "terrain" / "stale.tif"
    stale.parent.mkdir()
    stale.write_bytes(b"x")
    half = place.out / "north" / ".part-0123456789ab-run.json"
    half.write_bytes(b"{")
    assert place.watch() == 0
    assert not stale.exists()
    assert not half.exists()
    assert read_record(place.out / "north") is not None


def test_a_capture_that_kills_the_program_again_and_again_is_set_aside(place):
    place.put("north.laz")
    place.runner.fails["north.laz"] = Stopped()
    place.watch(settle=0)
    with closing(sqlite3.connect(place.out / "watch.sqlite")) as base:
        base.execute("UPDATE captures SET state = 'being worked on', begun = ?", (MOST_DEATHS,))
        base.commit()
    place.runner.fails.clear()
    assert place.watch() == 1
    assert f"ended {MOST_DEATHS} times" in place.rows("reason")[0][0]
    assert place.watch(retry=True) == 0


def test_what_a_killed_watch_set_aside_is_in_the_exit_code_of_the_next(place):
    """It was not: the next watch found nothing left to do, and ended as if all were delivered."""
    place.put("cut.laz").write_bytes(b"LASF")
    place.put("day2/gate.laz", 2)
    place.put("north.laz", 3)
    place.runner.fails = {"gate.laz": "gate", "north.laz": Stopped()}
    assert place.watch(settle=0) is None  # dies over the last one
    assert [state for _, state, _ in place.rows()] == ["set aside", "delivered, a gate failed", "interrupted"]
    place.runner.fails.clear()
    assert place.watch(settle=0) == 1
    assert place.told("delivered", "set_aside") == [("delivered", "north.laz")]
    assert place.watch(settle=0) == 0  # once is enough


def test_a_gate_that_failed_in_a_killed_watch_is_told_by_the_next(place):
    place.put("gate.laz", 2)
    place.put("north.laz", 3)
    place.runner.fails = {"gate.laz": "gate", "north.laz": Stopped()}
    assert place.watch(settle=0) is None
    place.runner.fails.clear()
    assert [place.watch(settle=0), place.watch(settle=0)] == [3, 0]


def test_a_worker_that_is_still_dying_is_waited_for(place):
    """A killed watch's worker may hold the folder of its capture a while longer."""
    place.put("north.laz")
    place.runner.fails["north.laz"] = Stopped()
    place.watch(settle=0)
    place.runner.fails.clear()
    lock = FolderLock(place.out / "north")
    lock.__enter__()
    timer = threading.Timer(2.0, lock.__exit__, (None, None, None))
    timer.start()
    assert place.watch(settle=0) == 0
    timer.join()
    assert place.rows() == [("north.laz", "delivered", "north")]


def test_a_folder_that_stays_in_use_puts_its_capture_off_and_nothing_is_touched(place, monkeypatch):
    monkeypatch.setattr(watches, "PATIENCE_WITH_THE_DYING", 0.1)
    place.put("north.laz")
    place.runner.fails["north.laz"] = Stopped()
    place.watch(settle=0)
    place.runner.fails.clear()
    begun = place.out / "north" / "terrain" / "tile.tif"
    begun.parent.mkdir(parents=True)
    begun.write_bytes(b"somebody's")
    with FolderLock(place.out / "north"):
        assert place.watch(settle=0) == 1
        assert begun.read_bytes() == b"somebody's"
    assert place.told("begun", "set_aside", "postponed") == [("postponed", "north.laz")]
    assert "has been at work in this folder" in place.events[-2].reason
    assert place.events[-1].reason == "0 delivered, 1 put off"
    assert place.rows() == [("north.laz", "interrupted", "north")]
    assert place.watch(settle=0) == 0
    assert not begun.exists()
    assert place.rows() == [("north.laz", "delivered", "north")]


def test_a_capture_that_crashes_its_worker_is_set_aside_though_its_lock_is_left(place):
    place.put("north.laz")

    def crash():
        gone = {"host": socket.gethostname(), "boot": "", "process": 2**22 + 7, "began": 0, "taken": ""}
        (place.out / "north").mkdir()
        (place.out / "north" / LOCK_NAME).write_text(json.dumps(gone), encoding="utf-8")

    place.runner.meanwhile = crash
    place.runner.fails["north.laz"] = Ended(failure="the process that worked on it ended: signal SIGSEGV")
    assert place.watch(settle=0) == 1
    assert place.rows("state, reason") == [
        ("set aside", "the process that worked on it ended: signal SIGSEGV")
    ]


def test_a_lost_register_is_made_again_from_the_records(place):
    place.put("north.laz")
    place.put("day2/south.laz", 2)
    place.watch()
    (place.out / "watch.sqlite").unlink()
    assert place.watch() == 0
    assert len(place.runner.runs) == 2
    assert place.told("adopted", "duplicate") == [("adopted", "day2_south"), ("adopted", "north")]
    assert place.rows() == [
        ("day2/south.laz", "delivered", "day2_south"),
        ("north.laz", "delivered", "north"),
    ]


def test_only_one_watch_at_a_time(place):
    with FolderLock(place.out), pytest.raises(UsageError, match="has been at work in this folder"):
        place.watch()


@pytest.mark.parametrize("out", [".", "inside", "inside/deeper"])
def test_results_may_not_lie_in_the_inbox(place, out):
    place.out = place.inbox / out
    with pytest.raises(UsageError, match="lies in the watched folder"):
        place.watch()
    assert list(place.inbox.iterdir()) == []


def test_the_register_is_what_it_says(place):
    place.put("north.laz")
    place.watch()
    with closing(sqlite3.connect(place.out / "watch.sqlite")) as base:
        assert base.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
    assert {p.name for p in place.out.iterdir()} == {"north", "watch.sqlite", "ledger.gpkg"}


def test_links_to_folders_are_not_followed(place):
    place.put("north.laz")
    (place.inbox / "round").symlink_to(place.inbox)
    assert [c.place for c in captures_in(place.inbox, "file")] == ["north.laz"]
