"""Files that are written while the next stage works: one at a time, in the order they came."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future


class Behind:
    """Does one thing after another in a thread of its own; used as a context.

    Whoever hands over the next one waits until the last one is done: so only one is held at a time, and what
    it raised is raised there.

    Parameters
    ----------
    at_once : bool
        Do everything when it is handed over, in the same thread.
    """

    def __init__(self, *, at_once: bool) -> None:
        self._pool = None if at_once else ThreadPoolExecutor(1, thread_name_prefix="behind")
        self._under_way: tuple[Future[Any], Callable[[Any], None]] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def do(self, work: Callable[[], Any], then: Callable[[Any], None]) -> None:
        """Hand over what is to be done.

        Parameters
        ----------
        work : callable
            Done in the other thread.
        then : callable
            Takes what came of it, in the thread that asks for the next one or waits.

        Raises
        ------
        Exception
            What the work before it raised.
        """
        self.wait()
        if self._pool is None:
            then(work())
        else:
            self._under_way = self._pool.submit(work), then

    def wait(self) -> None:
        """Wait until all is done, and raise what it raised."""
        if self._under_way is not None:
            (done, then), self._under_way = self._under_way, None
            then(done.result())
