"""Who does the work on the blocks of a site: threads of this process, or whoever else can."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from cloudprep.engine.passes import BlockResult, BlockWork
    from cloudprep.engine.store import Block


@dataclass(frozen=True)
class Crew:
    """How many work on blocks, and where.

    Parameters
    ----------
    workers : int
        Blocks at a time, all together.
    at_a_time : int
        Blocks at a time in one process.
    processes : int
        Processes that share the memory of the run; 1 where each has as much for itself.
    elsewhere : bool
        Whether other processes do the work. Then points are held in files that all of them see, and the
        kernels use one thread each.
    memory : int, optional
        Bytes that the run may use unless told; None: by this machine.
    """

    workers: int
    at_a_time: int
    processes: int = 1
    elsewhere: bool = False
    memory: int | None = None


class Executor(Protocol):
    """Does one piece of work on each of many blocks."""

    @property
    def crew(self) -> Crew:
        """How many work on blocks, and where."""

    def use(self, folder: Path) -> None:
        """Be told where the files of the run are, before anything is read."""

    def each(
        self, work: BlockWork, blocks: Sequence[Block], done: Callable[[Block], None]
    ) -> list[BlockResult]:
        """Return what every block gave, in the order of the blocks; tell of each block when it is done."""

    def peak_elsewhere(self) -> int:
        """Return the largest memory, in bytes, that other processes had, all together."""


class Threads:
    """Threads of this process: the kernels release the interpreter lock.

    Parameters
    ----------
    workers : int
        Blocks at a time.
    """

    def __init__(self, workers: int) -> None:
        self.crew = Crew(workers, workers)

    def use(self, folder: Path) -> None:
        """Do nothing: threads see what this process sees."""

    def each(
        self, work: BlockWork, blocks: Sequence[Block], done: Callable[[Block], None]
    ) -> list[BlockResult]:
        """Return what every block gave, in the order of the blocks."""
        workers = self.crew.workers
        if min(workers, len(blocks)) == 1:
            results = []
            for block in blocks:
                results.append(work(block))
                done(block)
            return results
        found: dict[int, BlockResult] = {}
        with ThreadPoolExecutor(workers, thread_name_prefix=work.stage.name) as pool:
            waiting = {pool.submit(work, block): i for i, block in enumerate(blocks)}
            try:
                for future in as_completed(waiting):
                    i = waiting[future]
                    found[i] = future.result()
                    done(blocks[i])
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise
        return [found[i] for i in range(len(blocks))]

    def peak_elsewhere(self) -> int:
        """Return 0: there is no other process."""
        return 0
