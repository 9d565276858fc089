"""What becomes of memory that a process has let go: kept for the next stage, or given back to the system.

Fresh pages are dear, since the system clears each when it is first touched. Where every stage gave back what
the next one then asked for again, that took an eighth of a run's processor time.
"""

from __future__ import annotations

import contextlib
import ctypes
import sys

__all__ = ["give_back", "keep_freed", "one_heap"]

# As malloc.h of the GNU C library numbers them, see mallopt(3).
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
# What lies free at the heap's end goes back if it is more than the first number of bytes, and at once
# what was taken in a piece of more than the second. While memory is kept, hardly ever; else as the
# library's own thresholds, which follow what is taken, end up.
_KEPT = (2**31 - 1, 2**30)
_USUAL = (2**26, 2**25)

_ours: list[bool] = []
_keeping: list[bool] = []


def one_heap() -> None:
    """Have all threads of this process share one heap; to be called before there are any others.

    The C library would give each thread one of its own, and none can use again what another one let go.
    """
    if not _ours and _mallopt(_ARENA_MAX, 1):
        _ours.append(True)


def keep_freed(keep: bool) -> None:
    """Keep what is let go from now on, or give it back again.

    Only in a process with :func:`one_heap`: in one that is somebody else's nothing is changed.

    Parameters
    ----------
    keep : bool
        Whether there is memory enough for that.
    """
    if not _ours or keep == bool(_keeping):
        return
    trim, pieces = _KEPT if keep else _USUAL
    _mallopt(_TRIM_THRESHOLD, trim)
    _mallopt(_MMAP_THRESHOLD, pieces)
    if keep:
        _keeping.append(True)
    else:
        _keeping.clear()


def give_back() -> None:
    """Give memory that is no longer used back to the system, unless it is to be kept."""
    # The C library keeps what lies between pieces in use, hundreds of megabytes after a stage.
    if not _keeping:
        with contextlib.suppress(OSError, AttributeError, MemoryError):
            ctypes.CDLL(None).malloc_trim(0)


def _mallopt(what: int, value: int) -> bool:
    """Set a parameter of the C library's allocator; return whether it has one."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError, MemoryError):
            return bool(ctypes.CDLL(None).mallopt(what, value))
    return False
