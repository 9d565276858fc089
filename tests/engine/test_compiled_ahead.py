"""Kernels compiled before they are needed: found by the run, nobody is left behind, the list is complete."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import psutil
import pytest

from cloudprep.engine import ahead
from cloudprep.engine.ahead_list import Kernel, listed_kernels, type_from, type_text
from cloudprep.engine.progress import Silent

if TYPE_CHECKING:
    from pathlib import Path

# Compiles what is listed of one module, then calls it as the run would.
SCRIPT = """
import json, os, pathlib, sys
import numpy as np
from cloudprep.engine import ahead
from cloudprep.engine.progress import Silent
from cloudprep.kernels import bilinear

ahead.SHIPPED = pathlib.Path("no such folder")
with ahead.CompiledAhead(2, Silent()) as helpers:
    print("started", flush=True)
    if "wait" in sys.argv:
        helpers.wait()
    elif "hang" in sys.argv:
        sys.stdin.read()
with ahead.CompiledAhead(2, Silent()) as again:
    pass
ones = np.ones((4, 4))
bilinear.bilinear(ones, np.ones(2), np.ones(2))
stats = bilinear._bilinear.stats
print(json.dumps({
    "listed": helpers.count, "again": again.count,
    "found": sum(stats.cache_hits.values()), "compiled": sum(stats.cache_misses.values()),
}))
"""


@pytest.fixture(autouse=True)
def none_shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An installed package may have brought its kernels, and then there is nothing to compile."""
    monkeypatch.setattr(ahead, "SHIPPED", tmp_path / "no such folder")


def apart(folder: Path, *arguments: str, **variables: str) -> dict[str, int]:
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, *arguments],
        env={**os.environ, "NUMBA_CACHE_DIR": str(folder), **variables},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.slow
def test_the_run_finds_what_helpers_compiled_and_later_ones_start_none(tmp_path: Path) -> None:
    first = apart(tmp_path, "wait")
    assert first["listed"] > 1
    assert (first["again"], first["found"], first["compiled"]) == (0, 1, 0)
    second = apart(tmp_path, "wait")
    assert (second["listed"], second["found"], second["compiled"]) == (0, 1, 0)


@pytest.mark.slow
def test_what_was_cut_short_is_compiled_by_the_run(tmp_path: Path) -> None:
    told = apart(tmp_path)
    assert told["found"] + told["compiled"] == 1
    assert told["again"] > 0


@pytest.mark.slow
def test_helpers_end_with_a_run_that_is_killed(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", SCRIPT, "hang"],
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as run:
        assert run.stdout is not None
        run.stdout.readline()
        helpers: list[psutil.Process] = []
        until = time.monotonic() + 60
        while not helpers and time.monotonic() < until:
            helpers = psutil.Process(run.pid).children()
            time.sleep(0.05)
        assert helpers
        run.send_signal(signal.SIGKILL)
    gone, alive = psutil.wait_procs(helpers, timeout=60)
    assert (len(gone), alive) == (len(helpers), [])


@pytest.mark.parametrize("broken", ["/bin/false", "/no/such/program"])
def test_helpers_that_fail_leave_the_run_alone(
    broken: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import cloudprep.kernels.bilinear  # noqa: F401 - so that something is listed of what is loaded

    monkeypatch.setattr(sys, "executable", broken)
    monkeypatch.setattr(ahead, "kernels_folder", lambda: tmp_path)
    with ahead.CompiledAhead(2, Silent()) as helpers:
        assert helpers.count
        helpers.wait()
    assert json.loads((tmp_path / "ahead.json").read_text()) == []


def test_nothing_is_compiled_ahead_where_it_would_be_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import cloudprep.kernels.bilinear  # noqa: F401 - as above

    monkeypatch.setattr(ahead, "kernels_folder", lambda: tmp_path)
    assert ahead.CompiledAhead(2, Silent()).count
    assert not ahead.CompiledAhead(1, Silent()).count
    monkeypatch.setattr(ahead.os, "access", lambda *_: False)
    assert not ahead.CompiledAhead(2, Silent()).count


def test_nothing_is_compiled_ahead_where_compiled_code_is_off(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from cloudprep.engine.ahead import *; print(kernels_folder())"],
        env={**os.environ, "CLOUDPREP_COMPILED": "0"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "None"


def test_kernels_wait_for_what_they_call_and_no_function_is_given_out_twice() -> None:
    kernels = [
        Kernel("a", "inner", ("int64",)),
        Kernel("a", "outer", ("int64",), (0,)),
        Kernel("a", "inner", ("float64",)),
        Kernel("a", "other", ("int64",)),
    ]
    queue = ahead._Queue(dict(enumerate(kernels)))
    assert [queue.take(), queue.take()] == [
        0,
        3,
    ]  # neither what calls the first, nor the first for other types
    queue.settle(0, answered=True)
    assert [queue.take(), queue.take()] == [1, 2]
    for at in (1, 2, 3):
        queue.settle(at, answered=at != 2)
    assert queue.take() is None
    assert queue.answered == {0, 1, 3}


def test_a_helper_first_gets_what_calls_its_own_kernels() -> None:
    lines = [
        Kernel("a", "f", ()),
        Kernel("a", "g", ()),
        Kernel("a", "h", (), (0,)),
        Kernel("a", "k", (), (1,)),
    ]
    queue = ahead._Queue(dict(enumerate(lines)))
    assert [queue.take(), queue.take()] == [0, 1]
    queue.settle(0, answered=True)
    queue.settle(1, answered=True)
    assert queue.take({1}) == 3
    assert queue.take({1, 3}) == 2


def test_marks_change_with_the_source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "kernels").mkdir()
    source = tmp_path / "kernels" / f"{listed_kernels()[0].module}.py"
    monkeypatch.setattr(ahead, "_PACKAGE", tmp_path)
    marks = []
    for text in ("a = 1\n", "a = 11\n"):
        source.write_text(text)
        marks.append(next(mark for _, mark in ahead._marked()))
    assert marks[0] != marks[1]


def test_every_line_of_the_list_names_a_kernel_and_its_types() -> None:
    assert len(listed_kernels()) > 100
    for at, kernel in enumerate(listed_kernels()):
        assert Kernel.from_line(kernel.line()) == kernel
        assert all(called < at for called in kernel.calls)
        assert hasattr(kernel.compiled_function(), "compile"), kernel
        for text in kernel.types:
            assert type_text(type_from(text)) == text


@pytest.mark.slow
def test_the_list_has_all_kernels_that_the_demo_calls(tmp_path: Path) -> None:
    """Where it fails: ``python benchmarks/record_kernels.py``."""
    script = """
import sys
from pathlib import Path
from cloudprep.engine.ahead_list import KERNELS, listed_kernels, type_text
from cloudprep.engine.demo import run_demo
from cloudprep.engine.progress import Silent

run_demo(Path(sys.argv[1]), Silent())
seen = 0
listed = {(k.module, k.name, str(list(k.types))) for k in listed_kernels()}
for name, module in list(sys.modules.items()):
    for function in list(vars(module).values()) if name.startswith(KERNELS) else ():
        if getattr(function, "__module__", "") != name or not hasattr(function, "overloads"):
            continue
        for types in function.signatures:
            seen += 1
            called = (name.removeprefix(KERNELS), function.__name__, str([type_text(t) for t in types]))
            if called not in listed:
                print(*called)
print(seen)
"""
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    *missing, seen = done.stdout.splitlines()
    assert missing == []
    assert int(seen) > 80
