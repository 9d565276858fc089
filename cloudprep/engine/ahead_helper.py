"""A process that compiles kernels for another one: it reads their lines and answers each when it is kept."""

from __future__ import annotations

import signal
import sys

from cloudprep.engine.ahead_list import Kernel, type_from
from cloudprep.engine.garbage import look_seldom

__all__ = ["answer"]


def answer() -> None:
    """Compile what stands on each line of the input until it ends, also because who wrote it is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who started it is told, and ends it
    look_seldom()
    for line in sys.stdin:
        try:
            _compile(Kernel.from_line(line))
            told = "done"
        except Exception as error:  # noqa: BLE001 - the kernel is then compiled by who calls it, who will tell
            told = " ".join(f"failed: {error}".split())
        sys.stdout.write(told + "\n")
        sys.stdout.flush()


def _compile(kernel: Kernel) -> None:
    """Compile a kernel, or load it where it is kept already."""
    function = kernel.compiled_function()
    # numba numbers a kernel's files by what its index says; another process that compiles the same kernel for
    # other types at the same time would pick the same number, and one of them find the other's code.
    kept = function._cache._cache_file  # noqa: SLF001 - there is no public way
    kept._data_name_pattern = kept._data_name_pattern.replace(".{number", ".ahead{number")  # noqa: SLF001
    function.compile(tuple(type_from(text) for text in kernel.types))
