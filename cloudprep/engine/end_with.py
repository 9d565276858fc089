"""Sees to it that a process doesn't outlive the one that looks after it."""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import sys

__all__ = ["end_with"]

_PR_SET_PDEATHSIG = 1  # prctl(2)


def end_with(parent: int) -> None:
    """End this process when its parent ends, however that ends. On Linux only; elsewhere nothing is arranged.

    Parameters
    ----------
    parent : int
        Number of the parent process.

    Raises
    ------
    SystemExit
        If the parent is no more.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:  # it ended before that was arranged
        sys.exit(1)
