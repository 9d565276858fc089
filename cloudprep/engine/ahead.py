"""Compiles kernels before they are needed, in helper processes: on a new machine the first run is a slow one.

numba compiles one kernel at a time in a process, whatever its threads. So as many processes as there are
workers share the list of kernels (:mod:`cloudprep.engine.ahead_list`), each once what it calls is done, and
leave them in numba's cache on disk, where the run finds them. Which are done is written beside them, so that
later runs start no process. A package that was built as a wheel brings them compiled
(:mod:`cloudprep.engine.ahead_shipped`). Whatever may go wrong only means that a kernel is compiled later, by
the run.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import importlib
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from cloudprep.engine.ahead_list import KERNELS, listed_kernels
from cloudprep.engine.ahead_shipped import SHIPPED, copy_shipped
from cloudprep.errors import OutputError
from cloudprep.io.atomic import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from collections.abc import Set as AbstractSet

    from cloudprep.engine.ahead_list import Kernel
    from cloudprep.engine.progress import ProgressSink

__all__ = ["CompiledAhead", "compile_all", "kernels_folder"]

_PACKAGE = Path(__file__).parents[1]
# -P: what lies in the folder of the flights must not be taken for a module.
_HELPER = (
    "import sys; sys.path.insert(0, sys.argv[1]); import cloudprep; sys.path.pop(0); "
    "from cloudprep.engine.ahead_helper import answer; answer()"
)
# More would wait for each other, and each takes some 300 MB.
_MOST_HELPERS = 8
_TOLD = "compiling what this machine hasn't compiled yet; later runs start at once"


class CompiledAhead:
    """Compiles the listed kernels of all modules that are loaded, while something else is done.

    Parameters
    ----------
    workers : int
        Processes. With one nothing is compiled ahead: the run itself does as well.
    progress : ProgressSink
        Told where there is something to compile.

    Notes
    -----
    Used as a context: at its end no helper is left, whatever happened.
    """

    def __init__(self, workers: int, progress: ProgressSink) -> None:
        self.workers = workers
        self.progress = progress
        self.folder = kernels_folder()
        if self.folder is not None:
            _take_shipped(self.folder)
        if workers == 1:
            self.folder = None
        missing = self._missing()
        self.kept = self.folder is not None and not missing
        """Whether all of them are on disk, for whoever has a thread to load them."""
        # A folder that can't be written to would lose them.
        writable = self.folder is not None and os.access(self.folder, os.W_OK)
        self._queue = _Queue(missing if writable else {})
        self._helpers: list[subprocess.Popen[str]] = []
        self._driver = threading.Thread(target=self._drive, name="compile ahead")

    @property
    def count(self) -> int:
        """How many kernels there were to compile, or to find compiled."""
        return self._queue.count

    def __enter__(self) -> Self:
        if self.count:
            self.progress.note(_TOLD)
            self._driver.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._queue.stop()
        for helper in tuple(self._helpers):
            helper.terminate()
        if self._driver.ident is not None:
            self._driver.join()

    def wait(self) -> None:
        """Return when all are compiled."""
        if not self.count:
            return
        self.progress.start("compiling", self.count)
        seen = 0
        while self._driver.is_alive():
            self._driver.join(0.1)
            self.progress.advance(self._queue.settled - seen)
            seen = self._queue.settled
        self.progress.finish()

    def _missing(self) -> dict[int, Kernel]:
        """Return kernels of loaded modules that aren't known to be kept, by their place in the list."""
        if self.folder is None:
            return {}
        done = _read(self.folder)
        return {
            at: kernel
            for at, (kernel, mark) in enumerate(_marked())
            if KERNELS + kernel.module in sys.modules and mark not in done
        }

    def _drive(self) -> None:
        """Let helpers compile; one run at a time does so."""
        assert self.folder is not None  # noqa: S101
        with contextlib.suppress(OSError, OutputError), _alone(self.folder, self._queue):
            self._queue.keep(self._missing())  # another run may have done them meanwhile
            helpers = min(self.workers, self._queue.left, _MOST_HELPERS)
            threads = [threading.Thread(target=self._serve) for _ in range(helpers)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            done = {mark for at, (_, mark) in enumerate(_marked()) if at in self._queue.answered}
            _write(self.folder, done)

    def _serve(self) -> None:
        """Start a helper and give it kernels until there are no more."""
        command = [sys.executable, "-P", "-c", _HELPER, str(_PACKAGE.parent)]
        pipe, nowhere = subprocess.PIPE, subprocess.DEVNULL
        with (
            contextlib.suppress(OSError),
            subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=nowhere, text=True) as helper,  # noqa: S603 - ours
        ):
            self._helpers.append(helper)
            assert helper.stdin is not None  # noqa: S101
            assert helper.stdout is not None  # noqa: S101
            own: set[int] = set()
            while (at := self._queue.take(own)) is not None:
                own.add(at)
                told = ""
                with contextlib.suppress(OSError):  # it is gone
                    helper.stdin.write(self._queue.kernels[at].line() + "\n")
                    helper.stdin.flush()
                    told = helper.stdout.readline()
                self._queue.settle(at, answered=bool(told))
                if not told:
                    break
            with contextlib.suppress(OSError):
                helper.stdin.close()


class _Queue:
    """Kernels to compile: each once what it calls is settled, and no two of one function at a time."""

    def __init__(self, kernels: Mapping[int, Kernel]) -> None:
        self.kernels = dict(kernels)
        self.count = len(self.kernels)
        self.answered: set[int] = set()
        self._open = list(self.kernels)
        self._busy: set[int] = set()
        self._stopped = False
        self._changed = threading.Condition()

    @property
    def settled(self) -> int:
        return self.count - len(self._open) - len(self._busy)

    @property
    def left(self) -> int:
        return len(self._open)

    @property
    def stopped(self) -> bool:
        return self._stopped

    def keep(self, kernels: Mapping[int, Kernel]) -> None:
        """Leave out all but these."""
        self._open = [at for at in self._open if at in kernels]

    def take(self, own: AbstractSet[int] = frozenset()) -> int | None:
        """Return the next kernel, when there is one that can be compiled; None at the end.

        What calls kernels of one's own comes first: those needn't be read from disk again.
        """
        with self._changed:
            while not self._stopped and (self._open or self._busy):
                unsettled = self._busy.union(self._open)
                working = {self._function(at) for at in self._busy}
                ready = [
                    at
                    for at in self._open
                    if self._function(at) not in working and unsettled.isdisjoint(self.kernels[at].calls)
                ]
                if ready:
                    at = next((at for at in ready if not own.isdisjoint(self.kernels[at].calls)), ready[0])
                    self._open.remove(at)
                    self._busy.add(at)
                    return at
                self._changed.wait()
            return None

    def settle(self, at: int, *, answered: bool) -> None:
        """Note that a kernel is done, or that who had it is gone."""
        with self._changed:
            self._busy.discard(at)
            if answered:
                self.answered.add(at)
            self._changed.notify_all()

    def stop(self) -> None:
        """Give out no more."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()

    def _function(self, at: int) -> tuple[str, str]:
        return self.kernels[at].module, self.kernels[at].name


def compile_all(progress: ProgressSink) -> int:
    """Compile all that is listed and not compiled yet; return how many kernels that were.

    Parameters
    ----------
    progress : ProgressSink
        Told what happens.
    """
    from cloudprep.kernels import compiling  # noqa: PLC0415 - slow to import

    if not compiling.COMPILED:
        return 0
    for module in {kernel.module for kernel in listed_kernels()}:
        importlib.import_module(KERNELS + module)
    with CompiledAhead(max(2, os.cpu_count() or 2), progress) as ahead:
        ahead.wait()
    return ahead.count


def kernels_folder() -> Path | None:
    """Return the folder in which compiled kernels are kept; None where nothing is compiled."""
    from cloudprep.kernels import compiling  # noqa: PLC0415 - slow to import

    if not compiling.COMPILED:
        return None
    for kernel in listed_kernels():
        module = sys.modules.get(KERNELS + kernel.module)
        path = getattr(getattr(getattr(module, kernel.name, None), "stats", None), "cache_path", None)
        if path:
            return Path(path)
    return None


def _take_shipped(folder: Path) -> None:
    """See to it that numba finds the kernels that the package brought for this machine."""
    if folder == SHIPPED:
        return
    new = _read(SHIPPED).intersection(mark for _, mark in _marked()) - _read(folder)
    if new:
        with contextlib.suppress(OSError, OutputError):
            copy_shipped(folder)
            _write(folder, new)


def _marked() -> Iterator[tuple[Kernel, str]]:
    """Yield each kernel with a mark that is another one where what it was compiled from or for is another."""
    import llvmlite.binding  # noqa: PLC0415 - slow to import
    import numba  # noqa: PLC0415

    machine = (
        numba.__version__,
        sys.version_info[:2],
        llvmlite.binding.get_host_cpu_name(),
        llvmlite.binding.get_host_cpu_features().flatten(),
    )
    stamps: dict[str, Any] = {}
    for kernel in listed_kernels():
        if kernel.module not in stamps:
            with contextlib.suppress(OSError):  # what is in it, not its time: an install copies it
                source = (_PACKAGE / "kernels" / f"{kernel.module}.py").read_bytes()
                stamps[kernel.module] = hashlib.sha256(source).hexdigest()
        text = repr((machine, stamps.get(kernel.module), kernel.module, kernel.name, kernel.types))
        yield kernel, hashlib.sha256(text.encode()).hexdigest()[:16]


def _read(folder: Path) -> set[str]:
    try:
        return set(json.loads((folder / "ahead.json").read_text(encoding="ascii")))
    except (OSError, ValueError):
        return set()


def _write(folder: Path, done: set[str]) -> None:
    """Add marks; those of older sources go."""
    known = {mark for _, mark in _marked()}
    with whole_file(folder / "ahead.json") as path:
        path.write_text(json.dumps(sorted((_read(folder) | done) & known)), encoding="ascii")


@contextlib.contextmanager
def _alone(folder: Path, queue: _Queue) -> Iterator[None]:
    """Wait until no other run compiles ahead into the folder."""
    with (folder / "ahead.lock").open("w") as file:
        while not queue.stopped:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                time.sleep(0.2)
        yield
