"""Looks after the process that does the work, so that its end is told even where it can't tell it itself.

The system kills a process where memory runs out, and a library that fails below Python takes the process
with it: damaged files can do that. Nobody in that process can say a word then. So a small one, made before
anything is loaded, waits for it, passes on what it is told to do, and says what happened.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from typing import TYPE_CHECKING

from cloudprep.cli.console import tell
from cloudprep.engine.end_with import end_with
from cloudprep.errors import EXIT_INPUT_FAILED

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import NoReturn

__all__ = ["attended"]

_PASSED_ON = {
    *(signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT),
    *(signal.SIGUSR1, signal.SIGUSR2, signal.SIGTSTP, signal.SIGCONT),
}
# Signals by which the system ends a process for what a library did in it.
_FAILURES = (signal.SIGSEGV, signal.SIGABRT, signal.SIGBUS, signal.SIGILL, signal.SIGFPE)


def attended(work: Callable[[], None]) -> None:
    """Do work in a process of its own, and end as that ends, with a line where it ended without one.

    On Linux, where the process has no other threads yet; else the work is simply done.

    Parameters
    ----------
    work : callable
        What is to be done; it ends the process with an exit code of its own, or returns.
    """
    if sys.platform != "linux" or threading.active_count() > 1:
        work()
        return
    # Held back from before the fork, so that none is lost between it and the waiting.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _PASSED_ON | {signal.SIGCHLD})
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    ours = os.getpid()
    try:
        worker = os.fork()
    except OSError:  # no more processes: it can do without being looked after
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        work()
        return
    if worker == 0:
        end_with(ours)
        # In a group of its own: who stops a group of processes, as Ctrl-C does, must not reach it twice.
        os.setpgid(0, 0)
        signal.signal(signal.SIGTTOU, signal.SIG_IGN)  # a terminal may forbid such groups to write
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        work()
    else:
        _wait(worker)


def _wait(worker: int) -> NoReturn:
    """Wait for the end of the worker, pass signals on meanwhile, and end the same way."""
    while True:
        told = signal.sigwaitinfo(_PASSED_ON | {signal.SIGCHLD})
        if told.si_signo != signal.SIGCHLD:
            os.kill(worker, told.si_signo)
            if told.si_signo == signal.SIGTSTP:  # Ctrl-Z: both stop, and both go on
                os.kill(os.getpid(), signal.SIGSTOP)
            continue
        ended, status = os.waitpid(worker, os.WNOHANG)
        if ended:
            break
    code = os.waitstatus_to_exitcode(status)
    if code < 0:
        code = _ended_by(signal.Signals(-code))
    # Everything that is to be written has been written by the worker.
    os._exit(code)


def _ended_by(number: signal.Signals) -> int:
    """Say why a signal ended the worker, and return the exit code; or end as it did where it was asked to."""
    if number == signal.SIGKILL:
        tell(
            "killed by the system, as it does where memory runs out; nothing half-written lies under a "
            "final name. Where a command has --memory, give it less"
        )
    elif number in _FAILURES:
        tell(
            f"a library failed and took this program with it ({number.name}), as damaged files or a lack of "
            "memory can make one; nothing half-written lies under a final name. Of many flights, "
            "cloudprep batch sets such a one aside and goes on"
        )
    else:
        signal.signal(number, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {number})
        os.kill(os.getpid(), number)
    return EXIT_INPUT_FAILED
