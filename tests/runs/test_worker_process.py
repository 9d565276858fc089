"""The worker is a process of its own: its end costs one attempt, and it never outlives its batch."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time

import psutil
import pytest

from cloudprep.config import load_pipeline
from cloudprep.engine.lock import LOCK_NAME, FolderLock
from cloudprep.engine.request import RunRequest
from cloudprep.runs.supervisor import Supervisor
from cloudprep.runs.worker import Answer


@pytest.fixture
def request_of(pipeline, tmp_path):
    def make(*inputs, out="out", declared=None, **options):
        return RunRequest(
            load_pipeline(declared or pipeline()), tuple(map(str, inputs)), tmp_path / out, **options
        )

    return make


@pytest.fixture
def listening():
    from cloudprep.engine.progress import Silent

    class Listening(Silent):
        def __init__(self):
            self.notes, self.steps, self.done = [], [], 0

        def note(self, text):
            self.notes.append(text)

        def start(self, name, total):
            self.steps.append(name)

        def advance(self, n):
            self.done += n

    return Listening()


def test_one_process_carries_out_many_sites_and_ends_with_the_batch(flight, request_of, listening, tmp_path):
    a, b = flight("a.laz"), flight("b.laz", 3000)
    with Supervisor(workers=1) as supervisor:
        first, remark = supervisor.carry_out(request_of(a, out="a"), listening)
        process = supervisor.process
        second, _ = supervisor.carry_out(request_of(b, out="b"), listening)
        assert supervisor.process == process
        assert process != os.getpid()
    assert not psutil.pid_exists(process)
    assert (first.outcome.exit_code, second.outcome.exit_code, remark) == (0, 0, "")
    assert {"reading", "simple_morphological", "writing"} <= set(listening.steps)
    assert json.loads((tmp_path / "a/run.json").read_text(encoding="utf-8")) == first.outcome.record


def test_what_a_run_refuses_is_one_line_and_the_process_stays(flight, request_of, listening):
    a, far = flight("a.laz"), flight("far.laz", 90_000)
    with Supervisor() as supervisor:
        answer, _ = supervisor.carry_out(request_of(a, far), listening)
        process = supervisor.process
        assert answer.outcome is None
        assert "more than 1 km apart" in answer.failure
        assert "\n" not in answer.failure
        answer, _ = supervisor.carry_out(request_of(a), listening)
        assert answer.outcome.exit_code == 0
        assert supervisor.process == process


def test_a_folder_in_use_may_be_free_another_time(flight, request_of, listening, tmp_path):
    a = flight("a.laz")
    with Supervisor() as supervisor, FolderLock(tmp_path / "out"):
        answer, _ = supervisor.carry_out(request_of(a), listening)
    assert answer.may_pass
    assert "has been at work in this folder" in answer.failure


class KilledWhileReading:
    """Kills the worker once a step begins, as the system does where memory runs out; so many times."""

    def __init__(self, supervisor, times, sign=signal.SIGKILL):
        self.supervisor, self.times, self.sign = supervisor, times, sign
        self.notes, self.killed = [], []

    def start(self, name, total):
        if name == "simple_morphological" and len(self.killed) < self.times:
            self.killed.append(self.supervisor.process)
            os.kill(self.supervisor.process, self.sign)

    def advance(self, n):
        pass

    def finish(self):
        pass

    def note(self, text):
        self.notes.append(text)


@pytest.fixture
def large(flight):
    """A flight that takes a while: the worker is killed in the middle of it."""
    return flight("large.laz", size=400.0, count=300_000)


def test_a_worker_that_the_system_kills_tries_once_more_with_half_the_memory(large, request_of, tmp_path):
    with Supervisor() as supervisor:
        killing = KilledWhileReading(supervisor, 1)
        answer, remark = supervisor.carry_out(request_of(large, memory=2_000_000_000), killing)
        assert supervisor.process not in killing.killed
    assert answer.outcome.exit_code == 0
    assert remark == (
        "killed by the system, as it does where memory runs out: done once more with half the memory "
        "(1,000,000,000 bytes)"
    )
    left = [p.name for p in (tmp_path / "out").rglob("*") if p.name == LOCK_NAME or ".part-" in p.name]
    assert left == []


def test_a_site_that_is_killed_twice_fails_and_the_next_one_is_done(large, flight, request_of, tmp_path):
    with Supervisor() as supervisor:
        killing = KilledWhileReading(supervisor, 2)
        answer, _ = supervisor.carry_out(request_of(large), killing)
        assert answer == Answer(
            failure="the process that worked on it ended, twice: killed by the system, as it does where "
            "memory runs out"
        )
        assert not (tmp_path / "out/run.json").exists()
        answer, _ = supervisor.carry_out(request_of(flight("b.laz"), out="b"), killing)
        assert answer.outcome.exit_code == 0


def test_a_worker_that_crashes_is_not_tried_again(large, request_of):
    with Supervisor() as supervisor:
        killing = KilledWhileReading(supervisor, 1, signal.SIGSEGV)
        answer, _ = supervisor.carry_out(request_of(large), killing)
    assert answer == Answer(failure="the process that worked on it ended: signal SIGSEGV")


def test_an_interruption_lets_the_worker_clean_up(large, request_of, tmp_path):
    class Interrupting(KilledWhileReading):
        def start(self, name, total):
            if name == "simple_morphological":
                raise KeyboardInterrupt

    supervisor = Supervisor()
    with pytest.raises(KeyboardInterrupt), supervisor:
        supervisor.carry_out(request_of(large), Interrupting(supervisor, 0))
    left = [p.name for p in (tmp_path / "out").rglob("*") if p.is_file()]
    assert left == []


def test_the_worker_ends_with_its_supervisor_however_that_ends(tmp_path):
    code = """
    import time
    from cloudprep.runs.supervisor import Supervisor
    supervisor = Supervisor()
    supervisor.start()
    print(supervisor.process, flush=True)
    time.sleep(600)
    """
    words = [sys.executable, "-c", textwrap.dedent(code)]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    worker = psutil.Process(int(process.stdout.readline()))
    time.sleep(1.0)  # both before and after it has arranged for that
    process.kill()
    process.communicate()
    _, alive = psutil.wait_procs([worker], timeout=30)
    assert alive == []


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_the_command_with_130_and_a_true_record(flight, pipeline, tmp_path, sign):
    flight("a.laz")
    flight("big.laz", 3000, size=400.0, count=400_000)
    code = """
    import signal, sys
    from cloudprep.cli.main import entry
    # What is started in the background inherits that Ctrl-C is ignored.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["cloudprep", "batch", *sys.argv[1:]]
    entry()
    """
    out = tmp_path / "out"
    words = (sys.executable, "-c", textwrap.dedent(code), pipeline(), tmp_path / "flights", "--out", out)
    process = subprocess.Popen([*map(str, words)], stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 120
    while not (out / "big" / "terrain").exists():
        assert time.monotonic() < deadline, "the second site did not begin"
        assert process.poll() is None, process.communicate()[1]
        time.sleep(0.02)
    children = psutil.Process(process.pid).children()
    process.send_signal(sign)
    printed, errors = process.communicate(timeout=120)
    assert (process.returncode, printed) == (130, ""), errors
    assert "Traceback" not in errors
    assert errors.splitlines()[-1] == "cloudprep: interrupted; nothing half-written is left"
    record = json.loads((out / "batch.json").read_text(encoding="utf-8"))
    assert (record["status"], record["exit_code"]) == ("interrupted", 130)
    assert {s["name"]: s["status"] for s in record["sites"]} == {"a": "done", "big": "unfinished"}
    assert not [p for p in out.rglob("*") if ".part-" in p.name or p.name == LOCK_NAME]
    assert not (out / "big" / "run.json").exists()
    assert psutil.wait_procs(children, timeout=30)[1] == []


def test_a_second_thread_may_watch(flight, request_of, listening):
    """The worker belongs to the thread that started it: that thread's end is the worker's."""
    answers = []

    def work():
        with Supervisor() as supervisor:
            answers.append(supervisor.carry_out(request_of(flight("a.laz")), listening))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join(120)
    assert answers[0][0].outcome.exit_code == 0
