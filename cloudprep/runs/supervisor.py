"""Has sites carried out by a worker process; tells its end from a failure, tries again with less memory."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, Self

from cloudprep.engine.peak import peak_of
from cloudprep.runs.less_memory import peak_of_the_dead, with_less_memory
from cloudprep.runs.worker import Answer

if TYPE_CHECKING:
    from types import TracebackType

    from cloudprep.engine.progress import ProgressSink
    from cloudprep.engine.request import RunRequest

__all__ = ["Carrier", "Supervisor", "WorkerDiedError"]

_PACKAGE = Path(__file__).parents[1]
# -P: what lies in the folder of the flights must not be taken for a module.
_PROGRAM = (
    "import sys; sys.path.insert(0, sys.argv[1]); import cloudprep; sys.path.pop(0); "
    "from cloudprep.runs.worker import serve; serve(int(sys.argv[2]), int(sys.argv[3]))"
)
# What a worker that is told to stop may take to clean up, seconds.
_CLEANING_UP = 30.0


class WorkerDiedError(Exception):
    """A worker ended without an answer.

    Parameters
    ----------
    code : int
        Its exit code; minus the signal's number where one ended it.
    """

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(_end_of(code))

    @property
    def by_the_system(self) -> bool:
        """Whether it was killed as the system does where memory runs out, or gave up for want of it."""
        return self.code in (-signal.SIGKILL, -signal.SIGABRT)


class Carrier(Protocol):
    """Carries out the run of a site."""

    def carry_out(self, request: RunRequest, progress: ProgressSink) -> tuple[Answer, str]:
        """Return what came of it, and a remark on what happened on the way."""


class Supervisor:
    """A worker process, started when it is needed and again when it died; a context that ends it.

    Parameters
    ----------
    workers : int, optional
        Processors that each run may use.
    """

    def __init__(self, workers: int | None = None) -> None:
        self._workers = workers
        self._process: subprocess.Popen[bytes] | None = None
        self._line: Connection | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop(at_once=kind is not None)

    @property
    def process(self) -> int | None:
        """The number of the worker's process, if there is one."""
        return None if self._process is None else self._process.pid

    def start(self) -> None:
        """Start the worker, so that its libraries are loaded meanwhile."""
        if self._process is not None:
            return
        ours, theirs = socket.socketpair()
        environment = dict(os.environ)
        if self._workers is not None:
            # The compressor has threads of its own, as many as processors unless told before it begins.
            environment.setdefault("RAYON_NUM_THREADS", str(self._workers))
        with theirs:
            self._process = subprocess.Popen(  # noqa: S603
                [
                    *(sys.executable, "-P", "-c", _PROGRAM, str(_PACKAGE.parent)),
                    *(str(theirs.fileno()), str(os.getpid())),
                ],
                pass_fds=(theirs.fileno(),),
                stdin=subprocess.DEVNULL,
                env=environment,
                # Ctrl-C goes to everything that the terminal has in front: this one is told by us.
                process_group=0,
            )
        self._line = Connection(ours.detach())

    def carry_out(self, request: RunRequest, progress: ProgressSink) -> tuple[Answer, str]:
        """Have a site carried out; once more with half the memory where memory was what lacked.

        Parameters
        ----------
        request : RunRequest
            The run of the site.
        progress : ProgressSink
            Told what happens.

        Returns
        -------
        Answer
            What came of it.
        str
            What happened on the way; empty as a rule.
        """
        try:
            answer = self._attempt(request, progress)
        except WorkerDiedError as died:
            if not died.by_the_system:
                return Answer(failure=f"the process that worked on it ended: {died}"), ""
            answer, why = Answer(failure=str(died), memory=True), str(died)
            peak = peak_of_the_dead()
        else:
            why = "its memory was not enough"
            peak = peak_of(self.process) if answer.memory and self.process is not None else None
        if not answer.memory:
            return answer, ""
        less = with_less_memory(request, peak)
        remark = f"{why}: done once more with half the memory ({less.memory or 0:,} bytes)"
        progress.note(f"warning: {remark}")
        try:
            second = self._attempt(less, progress)
        except WorkerDiedError as died:
            return Answer(failure=f"the process that worked on it ended, twice: {died}"), ""
        if second.outcome is None:  # what is wrong with half the memory is not what was wrong at first
            second = replace(second, failure=f"{why}; with half the memory: {second.failure}")
        return second, remark

    def _attempt(self, request: RunRequest, progress: ProgressSink) -> Answer:
        self.start()
        assert self._line is not None  # noqa: S101
        try:
            self._line.send(request)
            while True:
                told = self._line.recv()
                if isinstance(told, Answer):
                    return told
                kind, text, number = told
                if kind == "start":
                    progress.start(text, number)
                elif kind == "advance":
                    progress.advance(number)
                elif kind == "finish":
                    progress.finish()
                else:
                    progress.note(text)
        except (EOFError, OSError):
            progress.finish()
            raise WorkerDiedError(self._buried()) from None

    def _buried(self) -> int:
        """Return how the worker that is no more ended."""
        assert self._process is not None  # noqa: S101
        try:
            code = self._process.wait(_CLEANING_UP)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            code = 1
        self._forget()
        return code

    def stop(self, *, at_once: bool = False) -> None:
        """End the worker: when it is done, or at once, with time to clean up what it was at.

        Parameters
        ----------
        at_once : bool
            Whether it is interrupted.
        """
        if self._process is None:
            return
        if at_once:
            self._process.terminate()
        elif self._line is not None:
            self._line.close()
        try:
            self._process.wait(_CLEANING_UP)
        except BaseException as error:  # a second Ctrl-C, too: nothing may stay behind
            self._process.kill()
            self._process.wait()
            if not isinstance(error, subprocess.TimeoutExpired):
                raise
        finally:
            self._forget()

    def _forget(self) -> None:
        if self._line is not None:
            with contextlib.suppress(OSError):
                self._line.close()
        self._line = self._process = None


def _end_of(code: int) -> str:
    """Return how a process ended, in words."""
    if code == -signal.SIGKILL:
        return "killed by the system, as it does where memory runs out"
    if code == -signal.SIGABRT:
        return "given up by a library, as some do where memory runs out"
    if code < 0:
        with contextlib.suppress(ValueError):
            return f"signal {signal.Signals(-code).name}"
        return f"signal {-code}"
    return f"exit code {code}"
