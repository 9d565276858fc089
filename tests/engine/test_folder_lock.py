"""One run at a time works in a folder; who comes second is told; the lock of the dead is taken over."""

import fcntl
import json
import os
import subprocess
import sys
import textwrap
import threading
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta

import psutil
import pytest

from cloudprep.engine import lock
from cloudprep.engine.lock import LOCK_NAME, FolderLock, Owner, owner_of
from cloudprep.errors import OutputError, UsageError


def held(folder, **kwargs):
    return FolderLock(folder, patience=0.0, **kwargs)


def put(folder, owner):
    folder.mkdir(exist_ok=True)
    (folder / LOCK_NAME).write_text(json.dumps(asdict(owner)), encoding="utf-8")


@pytest.fixture
def holder(tmp_path):
    """Start a process that holds a folder until it is killed."""
    code = """
    import sys, time
    from pathlib import Path
    from cloudprep.engine.lock import FolderLock
    with FolderLock(Path(sys.argv[1])):
        print("held", flush=True)
        time.sleep(600)
    """
    started = []

    def start(folder):
        words = [sys.executable, "-c", textwrap.dedent(code), str(folder)]
        process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        started.append(process)
        assert process.stdout.readline() == "held\n"
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


def test_a_lock_is_there_while_it_is_held_and_gone_afterwards(tmp_path):
    folder = tmp_path / "out"
    with held(folder):
        owner = owner_of(folder)
        assert owner.process == os.getpid()
        assert owner.is_running
    assert not folder.exists(), "made for the lock, and nothing came into it"
    folder.mkdir()
    with held(folder):
        assert (folder / LOCK_NAME).exists()
    assert list(folder.iterdir()) == []
    with pytest.raises(KeyboardInterrupt), held(folder):
        raise KeyboardInterrupt
    assert list(folder.iterdir()) == []


def test_the_second_is_refused_in_one_line_with_owner_and_age(tmp_path, holder):
    process = holder(tmp_path)
    owner = owner_of(tmp_path)
    hours_ago = (datetime.now(UTC) - timedelta(hours=3)).isoformat(timespec="seconds")
    # Written into the file and not in place of it: its owner's lock is on that file.
    (tmp_path / LOCK_NAME).write_text(json.dumps(asdict(replace(owner, taken=hours_ago))), encoding="utf-8")
    with pytest.raises(UsageError) as caught, held(tmp_path):
        pass
    line = str(caught.value)
    assert "\n" not in line
    assert f"process {process.pid} on {owner.host}" in line
    assert "for 3.0 hours" in line
    assert owner_of(tmp_path).process == process.pid, "the owner keeps it"


def test_a_second_lock_in_the_same_process_is_refused_too(tmp_path):
    with held(tmp_path):
        with pytest.raises(UsageError, match=f"process {os.getpid()}"), held(tmp_path):
            pass
        assert owner_of(tmp_path).process == os.getpid()


def test_the_lock_of_a_killed_process_is_taken_over_and_said_once(tmp_path, holder):
    process = holder(tmp_path)
    process.kill()
    process.wait()
    assert (tmp_path / LOCK_NAME).exists()
    notes = []
    with held(tmp_path, note=notes.append):
        assert owner_of(tmp_path).process == os.getpid()
    assert len(notes) == 1
    assert f"process {process.pid} on" in notes[0]
    assert "taken over" in notes[0]
    with held(tmp_path, note=notes.append):
        pass
    assert len(notes) == 1


def test_a_process_number_that_is_used_again_is_no_owner(tmp_path):
    # The same number, and a process of that number runs; but it began at another time.
    put(tmp_path, replace(Owner.here(), began=Owner.here().began - 1))
    notes = []
    with held(tmp_path, note=notes.append):
        pass
    assert len(notes) == 1


def test_a_lock_from_before_the_machine_started_anew_is_no_lock(tmp_path):
    put(tmp_path, replace(Owner.here(), boot="another start"))
    with held(tmp_path):
        pass


def test_the_start_of_a_process_is_the_one_that_psutil_tells():
    # psutil, a general-purpose library, tells it in seconds since 1970: ticks since the machine's start here.
    ticks = Owner.here().began / os.sysconf("SC_CLK_TCK")
    assert abs(psutil.boot_time() + ticks - psutil.Process().create_time()) < 2.0
    assert lock._began(1) == pytest.approx(
        (psutil.Process(1).create_time() - psutil.boot_time()) * os.sysconf("SC_CLK_TCK"), abs=200
    )


def test_the_lock_of_another_machine_is_respected_and_what_to_do_is_said(tmp_path):
    days_ago = (datetime.now(UTC) - timedelta(days=2)).isoformat(timespec="seconds")
    put(tmp_path, replace(Owner.here(), host="survey-store", boot="of its own", process=17, taken=days_ago))
    with pytest.raises(UsageError) as caught, held(tmp_path):
        pass
    line = str(caught.value)
    assert "process 17 on survey-store" in line
    assert "for 2.0 days" in line
    assert f"delete {tmp_path / LOCK_NAME}" in line
    (tmp_path / LOCK_NAME).unlink()
    with held(tmp_path):
        pass


def test_a_container_of_this_machine_that_is_no_more_is_told_by_the_systems_lock(tmp_path):
    put(tmp_path, replace(Owner.here(), host="c0ffee", process=1))
    with held(tmp_path):
        pass


def test_without_locks_on_open_files_processes_tell(tmp_path, monkeypatch):
    def refuse(handle, flags):
        raise OSError(lock._NO_FLOCK[0], "no locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    me = Owner.here()
    put(tmp_path, me)
    with pytest.raises(UsageError, match=f"process {me.process}"), held(tmp_path):
        pass
    put(tmp_path, replace(me, began=me.began - 1))
    with held(tmp_path):
        pass
    # A container's process can't be seen, and nothing else tells.
    put(tmp_path, replace(me, host="c0ffee"))
    with pytest.raises(UsageError, match="c0ffee"), held(tmp_path):
        pass


@pytest.mark.parametrize("content", ["", "{", "[]", '{"host": "a"}', "\x00" * 50])
def test_a_lock_that_says_nothing_is_nobodys_once_the_system_gives_it(tmp_path, content):
    (tmp_path / LOCK_NAME).write_text(content, encoding="utf-8")
    with held(tmp_path):
        assert owner_of(tmp_path).process == os.getpid()
    assert not (tmp_path / LOCK_NAME).exists()


def test_who_waits_for_a_lock_that_is_given_up_gets_it(tmp_path):
    first = held(tmp_path)
    first.__enter__()
    waiting = threading.Timer(0.3, first.__exit__, (None, None, None))
    waiting.start()
    with FolderLock(tmp_path, patience=30.0):
        assert owner_of(tmp_path).process == os.getpid()
    waiting.join()
    assert list(tmp_path.iterdir()) == []


def test_who_waits_gets_a_folder_that_its_first_owner_removes_as_it_goes(tmp_path):
    """It had made the folder, and nothing came into it."""
    folder = tmp_path / "new"
    first = held(folder)
    first.__enter__()
    waiting = threading.Timer(0.3, first.__exit__, (None, None, None))
    waiting.start()
    with FolderLock(folder, patience=30.0):
        assert owner_of(folder).process == os.getpid()
    waiting.join()
    assert list(tmp_path.iterdir()) == []


def test_a_lock_that_is_a_link_to_nowhere_is_refused_at_once(tmp_path):
    (tmp_path / LOCK_NAME).symlink_to(tmp_path / "gone" / "lock")
    with pytest.raises(OutputError, match="can't be locked"), held(tmp_path):
        pass


def test_of_many_at_once_one_at_a_time_has_it(tmp_path):
    code = """
    import os, sys, time
    from pathlib import Path
    from cloudprep.engine.lock import FolderLock
    folder = Path(sys.argv[1])
    for _ in range(20):
        with FolderLock(folder, patience=60.0):
            # Fails where another one is inside.
            mark = os.open(folder / "inside", os.O_CREAT | os.O_EXCL)
            time.sleep(0.001)
            os.close(mark)
            os.unlink(folder / "inside")
    """
    words = [sys.executable, "-c", textwrap.dedent(code), str(tmp_path)]
    crowd = [subprocess.Popen(words, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    for one in crowd:
        _, errors = one.communicate(timeout=120)
        assert one.returncode == 0, errors
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_the_users_mistake(tmp_path):
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(UsageError, match="is a file, not a folder"), held(tmp_path / "file" / "out"):
        pass


def test_a_full_disk_is_one_line_and_leaves_no_lock(tmp_path, monkeypatch):
    def full(handle, *_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "pwrite", full)
    with pytest.raises(OutputError, match="the disk is full"), held(tmp_path):
        pass
    assert list(tmp_path.iterdir()) == []
