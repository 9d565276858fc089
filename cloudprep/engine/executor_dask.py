"""Workers of a dask cluster do the work on blocks: processes of this machine, or all that share a folder."""

from __future__ import annotations

import importlib
import logging
import os
import socket
import tempfile
from concurrent.futures import CancelledError
from contextlib import ExitStack, contextmanager, suppress
from secrets import token_hex
from typing import TYPE_CHECKING, Any, Self

from cloudprep.engine.executor import Crew
from cloudprep.engine.memory import share_of
from cloudprep.engine.on_worker import do, forget, looker, peak, refusal
from cloudprep.engine.store_spilled import SpilledStore
from cloudprep.errors import ClusterError, UsageError, WorkersDiedError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path
    from types import TracebackType

    from cloudprep.engine.passes import BlockResult, BlockWork
    from cloudprep.engine.store import Block

# How long a scheduler may take to answer, s; and workers that start, to be there.
_PATIENCE = 10
# A process does one block at a time, and libraries in it must not start threads of their own.
_ONE_THREAD = {
    f"{name}_NUM_THREADS": "1" for name in ("NUMBA", "OMP", "OPENBLAS", "MKL", "BLIS", "VECLIB", "NUMEXPR")
}


class Dask:
    """Workers of a dask cluster; a context manager that lets go of them.

    Parameters
    ----------
    address : str or None
        Of a scheduler that is there; None to start workers on this machine.
    workers : int
        Processes to start, each with one thread.

    Raises
    ------
    UsageError
        If dask is not installed, the scheduler can't be reached or has no workers, or one of them is of no
        use.
    """

    def __init__(self, address: str | None, workers: int) -> None:
        self._dask, self._dump = _imported()
        self._address = address
        self._folder: Path | None = None
        with ExitStack() as stack:
            # What goes wrong is raised here in one line; the library would tell it again with tracebacks.
            stack.enter_context(self._dask.utils.silence_logging_cmgr(logging.CRITICAL))
            target = address if address is not None else self._started(stack, workers)
            self._client = stack.enter_context(self._connected(target))
            self.crew = self._hired()
            self._wanted = looker()("")["versions"]
            self._look("")
            self._stack = stack.pop_all()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._stack:
            if self._folder is not None and self._address is not None:
                with suppress(Exception):  # a lost scheduler must not hide why the run ended
                    self._client.run(forget, str(self._folder), on_error="ignore")

    def use(self, folder: Path) -> None:
        """Take a folder for the work; refuse workers that can't see it."""
        self._folder = folder.resolve()
        self._look(str(self._folder))

    def each(
        self, work: BlockWork, blocks: Sequence[Block], done: Callable[[Block], None]
    ) -> list[BlockResult]:
        """Return what every block gave, in the order of the blocks.

        Raises
        ------
        WorkersDiedError
            If workers die of a block again and again.
        ClusterError
            If the scheduler is lost.
        """
        found: dict[int, BlockResult] = {}
        with self._handed_over(work) as path:
            keys = [f"{path.stem}-{block.index}" for block in blocks]
            made = self._client.map(
                do, [str(path)] * len(keys), [self._wanted] * len(keys), blocks, key=keys, pure=False
            )
            waiting = {future: i for i, future in enumerate(made)}
            del made
            try:
                for future in self._dask.as_completed(list(waiting), loop=self._client.loop):
                    i = waiting[future]
                    found[i] = future.result()
                    del waiting[future]  # the worker lets go of it
                    done(blocks[i])
            except self._dask.KilledWorker as error:
                raise WorkersDiedError(
                    f"stage {work.stage.name}: block {i} was given up, because every worker that took it "
                    "died: most likely its memory was not enough (a smaller --memory makes smaller blocks)",
                    blocks[i].count,
                ) from error
            except CancelledError as error:
                raise ClusterError(
                    f"scheduler {self._address or 'of this machine'}: it was lost, or cancelled the work"
                ) from error
            finally:
                if waiting:
                    with suppress(Exception):  # nor here
                        self._client.cancel(list(waiting))
        return [found[i] for i in range(len(blocks))]

    def peak_elsewhere(self) -> int:
        """Return the sum of the largest memory of each worker process that is there, bytes."""
        told: dict[str, tuple[str, int, int]] = {}
        with suppress(Exception):  # not worth a run that is as good as done
            told = self._client.run(peak, on_error="ignore")
        processes = {(host, process): size for host, process, size in told.values()}
        processes.pop((socket.gethostname(), os.getpid()), None)
        return sum(processes.values())

    # -- the parts -------------------------------------------------------------------------------------------

    def _started(self, stack: ExitStack, workers: int) -> Any:
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="cloudprep-workers-"))
        stack.enter_context(importlib.import_module("dask").config.set({"temporary-directory": folder}))
        try:
            cluster = self._dask.LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                memory_limit=None,  # the size of blocks keeps to it
                dashboard_address="127.0.0.1:0",  # any free port: the usual one may be taken
                scheduler_kwargs={"dashboard": False},
                silence_logs=logging.CRITICAL,
                env=_ONE_THREAD,
                preload=["cloudprep.engine.on_worker"],
            )
        except (OSError, RuntimeError) as error:
            raise ClusterError(
                f"--engine dask: worker processes can't be started: {' '.join(str(error).split())}"
            ) from error
        return stack.enter_context(cluster)

    def _connected(self, target: Any) -> Any:
        try:
            return self._dask.Client(target, timeout=_PATIENCE, set_as_default=False)
        except (OSError, ValueError, TypeError, ImportError) as error:
            raise UsageError(f"--scheduler {target}: no dask scheduler can be reached there") from error

    def _hired(self) -> Crew:
        try:
            self._client.wait_for_workers(1, timeout=_PATIENCE)
        except TimeoutError as error:
            raise UsageError(f"--scheduler {self._address}: it has no workers") from error
        there = self._client.scheduler_info(n_workers=-1)["workers"].values()
        total = sum(worker["nthreads"] for worker in there)
        if self._address is None:
            return Crew(total, 1, len(there) + 1, elsewhere=True)
        limits = [share_of(worker["memory_limit"]) for worker in there if worker["memory_limit"]]
        most = max(worker["nthreads"] for worker in there)
        return Crew(total, most, elsewhere=True, memory=min(limits, default=None))

    def _look(self, folder: str) -> None:
        for found in self._client.run(looker(), folder, on_error="ignore").values():
            why = refusal(self._wanted, folder, found)
            if why:
                raise UsageError(why)

    @contextmanager
    def _handed_over(self, work: BlockWork) -> Iterator[Path]:
        """Write work to where all workers find it."""
        assert self._folder is not None  # noqa: S101
        assert isinstance(work.store, SpilledStore)  # noqa: S101 - nobody else sees points in memory
        # Workers of other machines see what was written once the files are closed, or written through.
        work.store.files.write_through = self._address is not None
        work.store.files.close()
        path = self._folder / f"{work.stage.name}-{work.step}-{token_hex(8)}"
        try:
            with path.open("wb") as file:
                self._dump(work, file)
            yield path
        finally:
            path.unlink(missing_ok=True)


def _imported() -> tuple[Any, Any]:
    """Return the library, and what pickles stages wherever their classes stand."""
    try:
        return importlib.import_module("distributed"), importlib.import_module("cloudpickle").dump
    except ImportError as error:
        raise UsageError(f"--engine dask: {error}: pip install 'cloudprep[cluster]'") from error
