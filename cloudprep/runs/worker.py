"""The process that carries out the sites of a batch, one after the other, and what it tells its supervisor.

It is a process of its own, so that a site which takes the system's memory, or crashes a library, ends this
process and not the batch. It stays for many sites: libraries and compiled kernels are loaded once.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
import warnings
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from cloudprep.engine.end_with import end_with
from cloudprep.engine.garbage import look_seldom
from cloudprep.engine.heap import give_back, one_heap

if TYPE_CHECKING:
    from types import FrameType
    from typing import NoReturn

    from cloudprep.engine.request import RunOutcome, RunRequest

__all__ = ["Answer", "Told", "serve"]

# How often steps are told at most, seconds.
_TELL_EVERY = 0.2

Kind = Literal["start", "advance", "finish", "note"]
# A line of a run's progress: what happened, and a name, a line or a number.
Told = tuple[Kind, str, int]


@dataclass(frozen=True)
class Answer:
    """What came of a site.

    Parameters
    ----------
    outcome : RunOutcome or None
        Where the run came to its end.
    failure : str
        Why it didn't, in a line for people.
    memory : bool
        Whether memory was what it lacked.
    may_pass : bool
        Whether the cause lies in this machine (a full disk, a folder in use), and may be gone another time.
    """

    outcome: RunOutcome | None = None
    failure: str = ""
    memory: bool = False
    may_pass: bool = False


class _Teller:
    """Passes progress on, seldom enough to cost nothing."""

    def __init__(self, line: Connection) -> None:
        self._line = line
        self._held = 0
        self._last = 0.0

    def start(self, name: str, total: int) -> None:
        self._send("start", name, total)

    def advance(self, n: int) -> None:
        self._held += n
        now = time.monotonic()
        if now - self._last >= _TELL_EVERY:
            self._last = now
            self._send("advance", "", self._held)
            self._held = 0

    def finish(self) -> None:
        self._held = 0
        self._send("finish", "", 0)

    def note(self, text: str) -> None:
        self._send("note", text, 0)

    def _send(self, kind: Kind, text: str, number: int) -> None:
        self._line.send((kind, text, number))


def serve(handle: int, supervisor: int) -> None:
    """Carry out what comes in, until nothing more comes.

    Parameters
    ----------
    handle : int
        An open socket to the supervisor.
    supervisor : int
        Number of its process.
    """
    end_with(supervisor)
    _go_first()
    for sign in (signal.SIGTERM, signal.SIGINT):
        signal.signal(sign, _interrupt)
    line = Connection(handle)
    look_seldom()
    one_heap()
    # What a library prints is no result of the batch.
    os.dup2(2, 1)
    try:
        from cloudprep.engine.run import run_site  # noqa: PLC0415 - the supervisor must not wait for that
    except KeyboardInterrupt:
        return
    teller = _Teller(line)
    while True:
        try:
            request: RunRequest = line.recv()
        except (EOFError, OSError, KeyboardInterrupt):
            return
        try:
            answer = _carry_out(run_site, request, teller)
        except KeyboardInterrupt:
            return
        with contextlib.suppress(OSError):
            line.send(answer)


def _carry_out(run_site: Any, request: RunRequest, teller: _Teller) -> Answer:
    from cloudprep.errors import CloudprepError, ClusterError, InUseError, OutputError  # noqa: PLC0415
    from cloudprep.io.atomic import plain_reason  # noqa: PLC0415

    try:
        with warnings.catch_warnings():
            warnings.showwarning = lambda message, *_, **__: teller.note(f"warning: {message}")
            return Answer(run_site(request, teller))
    except CloudprepError as error:
        passing = isinstance(error, OutputError | ClusterError | InUseError)
        return Answer(failure=str(error).replace("\n", "; "), may_pass=passing)
    except MemoryError:
        return Answer(failure="the memory of this machine is not enough for it", memory=True)
    except OSError as error:
        return Answer(
            failure=f"{error.filename or 'a file'}: can't be read or written: {plain_reason(error)}",
            may_pass=True,
        )
    except Exception as error:  # noqa: BLE001 - one site's trouble is no reason to end the others
        if os.environ.get("CLOUDPREP_DEBUG", "0") not in ("", "0"):
            import traceback  # noqa: PLC0415

            traceback.print_exc()
        told = " ".join(str(error).split()) or "no more is known"
        return Answer(failure=f"a fault of the program, not of your data: {type(error).__name__}: {told}")
    finally:
        give_back()


def _interrupt(_number: int, _frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def _go_first() -> None:
    """Let the system, where its memory runs out, end this process and not the one that supervises."""
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500", encoding="ascii")  # proc(5); raising is allowed
