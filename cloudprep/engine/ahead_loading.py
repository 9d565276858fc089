"""Loads compiled kernels from disk before they are called, in a thread beside the reading of the flights.

Loading one takes some milliseconds, and a run calls more than a hundred, one after the other: a third of a
second or more in which the other workers wait. Most of it happens outside Python, so that it goes on beside
other work. Whatever may go wrong only means that a kernel is loaded by the run, when it is called.
"""

from __future__ import annotations

import sys
import threading
from typing import TYPE_CHECKING, Self

from cloudprep.engine.ahead_list import KERNELS, listed_kernels, type_from

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cloudprep.engine.ahead_list import Kernel

__all__ = ["LoadedAhead"]


class LoadedAhead:
    """Loads the listed kernels of all modules that are loaded, in the order in which runs call them.

    Notes
    -----
    Used as a context: at its end the thread is over.
    """

    def __init__(self) -> None:
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._load, name="load kernels")

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        self._thread.join()

    def _load(self) -> None:
        for kernel in _called_by_runs():
            if self._stopped.is_set():
                return
            try:
                kernel.compiled_function().compile(tuple(type_from(text) for text in kernel.types))
            except Exception:  # noqa: BLE001 - the run, which will call it, tells what is wrong
                return


def _called_by_runs() -> Iterator[Kernel]:
    """Yield listed kernels of loaded modules, but for those that are part of others: nobody calls these."""
    listed = listed_kernels()
    parts = {part for kernel in listed for part in kernel.calls}
    for at, kernel in enumerate(listed):
        if at not in parts and KERNELS + kernel.module in sys.modules:
            yield kernel
