"""A little memory kept back from the start, so that a command can still say that memory ran out.

What is to be said takes memory, and so does what Python tidies up at the end. Where a limit leaves none, the
first would fail, and of the second Python would tell in lines of its own.
"""

from __future__ import annotations

import mmap
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

__all__ = ["hand_out", "is_own_process", "keep_back"]

# Addresses only: pages nobody writes to cost no memory.
_BYTES = 4 << 20
# None: there was nothing to keep.
_kept: list[mmap.mmap | None] = []


def keep_back() -> None:
    """Keep some memory back, once, in a process that is this program's own."""
    if _kept:
        return
    try:
        _kept.append(mmap.mmap(-1, _BYTES))
    except (OSError, MemoryError):
        _kept.append(None)


def is_own_process() -> bool:
    """Return whether this process is this program's own, so that something is kept back in it."""
    return bool(_kept)


def hand_out() -> None:
    """Give up what was kept back; Python keeps quiet about what it can't tidy up for want of memory.

    Where nothing was to be kept back, as in a process that only calls a command, all is left as it is.
    """
    if not is_own_process():
        return
    if _kept[0] is not None:
        _kept[0].close()
    sys.unraisablehook = _tell_of_others


def _tell_of_others(told: UnraisableHookArgs) -> None:
    if not issubclass(told.exc_type, MemoryError):
        sys.__unraisablehook__(told)
