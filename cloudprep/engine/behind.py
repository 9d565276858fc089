"""Files that are written while the next stage works: one at a time, in the order they came."""

from __future__ import annotations

from collections import deque
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future


WAITING_BYTES = 64_000_000
"""Things that are handed over may wait while they hold no more than this together."""


class Behind:
    """Does one thing after another in a thread of its own; used as a context.

    Whoever hands over the next one waits until all before it are done, but for small things: those may wait
    instead. What one raised is raised there.

    Parameters
    ----------
    at_once : bool
        Do everything when it is handed over, in the same thread.
    """

    def __init__(self, *, at_once: bool) -> None:
        self._pool = None if at_once else ThreadPoolExecutor(1, thread_name_prefix="behind")
        self._under_way: deque[tuple[Future[Any], Callable[[Any], None], int]] = deque()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def do(self, work: Callable[[], Any], then: Callable[[Any], None], held: int = WAITING_BYTES + 1) -> None:
        """Hand over what is to be done.

        Parameters
        ----------
        work : callable
            Done in the other thread.
        then : callable
            Takes what came of it, in the thread that asks for a later one or waits.
        held : int
            Bytes that it holds until it is done.

        Raises
        ------
        Exception
            What work before it raised.
        """
        if self._pool is None:
            then(work())
            return
        while self._under_way and (
            self._under_way[0][0].done() or sum(h for _, _, h in self._under_way) + held > WAITING_BYTES
        ):
            self._take()
        self._under_way.append((self._pool.submit(work), then, held))

    def wait(self) -> None:
        """Wait until all is done, and raise what it raised."""
        while self._under_way:
            self._take()

    def _take(self) -> None:
        """Wait for the one that was handed over first."""
        done, then, _ = self._under_way.popleft()
        then(done.result())
