"""Processes of the command line that are copies of this one, with its libraries loaded."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Protocol

from cloudprep.runs.supervisor import Supervisor

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


PATIENCE = 900.0
"""Seconds for a command: the first one compiles its kernels."""


class Process(Protocol):
    """What is wanted of a process that was started."""

    pid: int

    def poll(self) -> int | None:
        """Return its exit code, None while it is there."""

    def wait(self, timeout: float | None = None) -> int:
        """Return its exit code once it has ended."""


class Forked:
    """A copy of this process that calls one function."""

    def __init__(self, function: Callable[[], None]) -> None:
        sys.stdout.flush()
        self.code: int | None = None
        self.pid = os.fork()
        if self.pid == 0:
            code = 1
            try:
                function()
                code = 0
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) else 1
            finally:
                os._exit(code)

    def poll(self) -> int | None:
        if self.code is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.code = os.waitstatus_to_exitcode(status)
        return self.code

    def wait(self, timeout: float | None = None) -> int:
        end = time.monotonic() + (PATIENCE if timeout is None else timeout)
        while (code := self.poll()) is None:
            if time.monotonic() >= end:
                raise subprocess.TimeoutExpired("forked", timeout or PATIENCE)
            time.sleep(0.002)
        return code

    def terminate(self) -> None:
        os.kill(self.pid, signal.SIGTERM)

    def kill(self) -> None:
        os.kill(self.pid, signal.SIGKILL)


class ForkedWorker(Supervisor):
    """A supervisor whose worker is a copy, too."""

    def start(self) -> None:
        if self._process is not None:
            return
        from cloudprep.runs.worker import serve

        ours, theirs = socket.socketpair()
        supervisor = os.getpid()

        def work() -> None:
            ours.close()
            os.setpgid(0, 0)
            serve(theirs.detach(), supervisor)

        self._process = Forked(work)  # type: ignore[assignment]
        theirs.close()
        self._line = Connection(ours.detach())


def forked_command(folder: Path, words: list[str]) -> Forked:
    """Start a command in a folder, in a session of its own; what it tells comes to ``stderr.txt`` there."""

    def work() -> None:
        from cloudprep.cli.main import entry
        from cloudprep.runs import batch, supervisor

        os.setsid()
        os.chdir(folder)
        nowhere = os.open(os.devnull, os.O_RDWR)
        errors = os.open("stderr.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        for old, new in ((0, nowhere), (1, nowhere), (2, errors)):
            os.dup2(new, old)
        # Whoever started this may have put others in their place.
        sys.stdout, sys.stderr = (os.fdopen(n, "w", buffering=1, closefd=False) for n in (1, 2))
        batch.Supervisor = supervisor.Supervisor = ForkedWorker  # type: ignore[misc]
        sys.argv = ["cloudprep", *words]
        entry()

    return Forked(work)


def load() -> None:
    """Load what a run needs; but start no threads, which copies wouldn't have."""
    import rasterio  # noqa: F401

    import cloudprep.cli.batch
    import cloudprep.cli.watch
    import cloudprep.engine.run  # noqa: F401
    from cloudprep.stages.registry import stage_class
    from cloudprep.testing import example_cloud, run_stage

    columns = example_cloud()
    run_stage(stage_class("progressive_ground")(), columns)
    run_stage(stage_class("terrain_grid")(), columns)
