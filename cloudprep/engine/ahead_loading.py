"""Loads compiled kernels from disk before they are called, while the run reads its points."""

from __future__ import annotations

import contextlib
import threading
from typing import TYPE_CHECKING

from cloudprep.engine.ahead_list import type_from

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.engine.ahead_list import Kernel

__all__ = ["LoadedAhead"]


class LoadedAhead:
    """Loads kernels in a thread, in their order, until told to stop.

    It takes some 5 ms each, and 0.3 s for what numba makes ready at the first; meanwhile points are read and
    kernels run without the interpreter's lock. Who calls a kernel before its turn loads it himself.

    Parameters
    ----------
    kernels : sequence of Kernel
        Those that are kept.
    """

    def __init__(self, kernels: Sequence[Kernel]) -> None:
        self._kernels = kernels
        self._stopped = False
        self._thread = threading.Thread(target=self._load, name="load ahead", daemon=True)

    def start(self) -> None:
        """Begin."""
        if self._kernels:
            self._thread.start()

    def stop(self) -> None:
        """Return when the kernel at hand is loaded; later ones are left."""
        self._stopped = True
        if self._thread.ident is not None:
            self._thread.join()

    def _load(self) -> None:
        for kernel in self._kernels:
            if self._stopped:
                break
            with contextlib.suppress(Exception):  # who calls it will be told
                kernel.compiled_function().compile(tuple(type_from(text) for text in kernel.types))
