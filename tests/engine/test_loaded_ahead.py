"""Kernels loaded before they are called: found by the run, and nothing waits for a thread that is stopped."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import pytest

from cloudprep.engine import ahead, ahead_loading
from cloudprep.engine.ahead_list import Kernel
from cloudprep.engine.ahead_loading import LoadedAhead
from cloudprep.engine.progress import Silent

if TYPE_CHECKING:
    from pathlib import Path

# Compiles what is listed of one module in one process, and loads it in another.
SCRIPT = """
import json, sys, time
from cloudprep.engine.ahead import CompiledAhead
from cloudprep.engine.ahead_list import KERNELS, listed_kernels
from cloudprep.engine.ahead_loading import LoadedAhead
from cloudprep.engine.progress import Silent
from cloudprep.kernels import bilinear

with CompiledAhead(2, Silent()) as helpers:
    helpers.wait()
    kept = helpers.kept
    with LoadedAhead() as loading:
        loading._thread.join()
one = bilinear._bilinear
print(json.dumps([kept, len(one.overloads), sum(one.stats.cache_hits.values())]))
"""


@pytest.mark.slow
def test_what_is_kept_is_loaded(tmp_path: Path) -> None:
    def told() -> list[object]:
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT],
            env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    told()
    kept, loaded, found = told()
    assert kept is True
    assert loaded == found
    assert loaded


def test_only_what_runs_call_themselves_is_loaded(monkeypatch: pytest.MonkeyPatch) -> None:
    import cloudprep.kernels.bilinear  # noqa: F401 - so that its module is loaded

    part, whole = Kernel("bilinear", "part", ()), Kernel("bilinear", "whole", (), (0,))
    elsewhere = Kernel("no_such_module", "other", ())
    monkeypatch.setattr(ahead_loading, "listed_kernels", lambda: (part, whole, elsewhere))
    assert list(ahead_loading._called_by_runs()) == [whole]


def test_a_kernel_that_cannot_be_loaded_is_left_to_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    import cloudprep.kernels.bilinear  # noqa: F401 - as above

    gone = Kernel("bilinear", "no_such_name", ())
    monkeypatch.setattr(ahead_loading, "listed_kernels", lambda: (gone,))
    with pytest.raises(AttributeError):
        gone.compiled_function()
    LoadedAhead()._load()  # in the thread an error would be told to nobody


def test_the_thread_ends_with_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    asked, go_on = threading.Event(), threading.Event()
    compiled: list[int] = []

    class Slow:
        def compiled_function(self) -> Slow:
            asked.set()
            assert go_on.wait(60)
            return self

        types = ()

        def compile(self, _: object) -> None:
            compiled.append(1)

    monkeypatch.setattr(ahead_loading, "_called_by_runs", lambda: [Slow(), Slow(), Slow()])
    loading = LoadedAhead()
    with loading:
        assert asked.wait(60)
        loading._stopped.set()
        go_on.set()
    assert not loading._thread.is_alive()
    assert compiled == [1]


def test_what_is_not_known_to_be_on_disk_is_not_loaded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import cloudprep.kernels.bilinear  # noqa: F401 - as above

    monkeypatch.setattr(ahead, "SHIPPED", tmp_path / "no such folder")
    monkeypatch.setattr(ahead, "kernels_folder", lambda: tmp_path)
    assert not ahead.CompiledAhead(2, Silent()).kept
    monkeypatch.setattr(ahead.os, "access", lambda *_: False)
    assert not ahead.CompiledAhead(2, Silent()).kept
    assert not ahead.CompiledAhead(1, Silent()).kept
