"""Who does the work on the blocks of a site: threads of this process, or whoever else can."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor, as_completed
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cloudprep.engine.passes import BlockResult, BlockWork
    from cloudprep.engine.store import Block


class Executor(Protocol):
    """Does one piece of work on each of many blocks."""

    def each(
        self, work: BlockWork, blocks: Sequence[Block], done: Callable[[Block], None]
    ) -> list[BlockResult]:
        """Return what every block gave, in the order of the blocks; tell of each block when it is done."""


class Threads:
    """Threads of this process: the kernels release the interpreter lock.

    Parameters
    ----------
    workers : int
        Blocks at a time.
    """

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def each(
        self, work: BlockWork, blocks: Sequence[Block], done: Callable[[Block], None]
    ) -> list[BlockResult]:
        """Return what every block gave, in the order of the blocks."""
        if min(self.workers, len(blocks)) == 1:
            results = []
            for block in blocks:
                results.append(work(block))
                done(block)
            return results
        found: dict[int, BlockResult] = {}
        with ThreadPoolExecutor(self.workers, thread_name_prefix=work.stage.name) as pool:
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
