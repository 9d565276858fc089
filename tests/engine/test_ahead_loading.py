"""Kernels loaded from disk while the run reads its points: those that are kept, and no others."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from typing import TYPE_CHECKING, Any

import pytest

from cloudprep.engine.ahead_list import Kernel
from cloudprep.engine.ahead_loading import LoadedAhead

if TYPE_CHECKING:
    from pathlib import Path

SCRIPT = """
import json, sys, time
import numpy as np
from cloudprep.engine import ahead
from cloudprep.engine.progress import Silent
from cloudprep.kernels import bilinear

kernel = bilinear._bilinear
with ahead.CompiledAhead(2, Silent()) as helpers:
    helpers.wait()
    until = time.monotonic() + 60
    while not kernel.signatures and time.monotonic() < until and "kept" in sys.argv:
        time.sleep(0.01)
    known = len(kernel.signatures)
print(json.dumps([helpers.count > 0, known > 0, sum(kernel.stats.cache_misses.values())]))
"""


@pytest.mark.slow
def test_what_is_kept_is_loaded_without_being_called(tmp_path: Path) -> None:
    def told(*arguments: str) -> Any:
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT, *arguments],
            env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
            capture_output=True,
            text=True,
            check=True,
        )
        return json.loads(done.stdout)

    assert told("kept") == [True, True, 0]  # compiled by helpers, loaded by us
    assert told("kept") == [False, True, 0]
    next(tmp_path.rglob("ahead.json")).unlink()
    assert told("kept") == [True, True, 0]  # helpers found them all, and marked them again


class Calls(list[str]):
    """Stands for kernels: notes what is loaded, and may fail or wait over it."""

    def __init__(self) -> None:
        super().__init__()
        self.go_on = threading.Event()
        self.reached = threading.Event()

    def kernel(self, name: str) -> Any:
        def compiled(types: tuple[Any, ...]) -> None:
            assert types == ()
            self.append(name)
            if name == "fails":
                raise OSError("the disk is gone")
            if name == "waits":
                self.reached.set()
                self.go_on.wait(60)

        kernel = Kernel("a", name, ())
        function = type("Function", (), {"compile": staticmethod(compiled)})
        return type("Fake", (), {"types": kernel.types, "compiled_function": lambda _: function})()


def test_one_that_fails_is_left_and_none_comes_after_the_end() -> None:
    calls = Calls()
    loader = LoadedAhead([calls.kernel(name) for name in ("first", "fails", "waits", "late")])
    loader.start()
    assert calls.reached.wait(60)
    loader._stopped = True
    calls.go_on.set()
    loader.stop()
    assert calls == ["first", "fails", "waits"]


def test_nothing_to_load_starts_nothing() -> None:
    before = threading.active_count()
    loader = LoadedAhead([])
    loader.start()
    assert threading.active_count() == before
    loader.stop()
