"""How much memory a process had at most, as the system tells it."""

from __future__ import annotations

import contextlib
from pathlib import Path


def peak_of(process: int | str) -> int | None:
    """Return the largest resident memory that a process had so far, bytes; None where that isn't told.

    Parameters
    ----------
    process : int or str
        Its number, or ``self``.
    """
    with contextlib.suppress(OSError, ValueError):
        status = Path(f"/proc/{process}/status").read_text(encoding="ascii", errors="replace")
        for line in status.splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    return None
