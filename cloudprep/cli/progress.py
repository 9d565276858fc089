"""Shows what the engine is doing: bars on a terminal, plain lines or nothing elsewhere."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

from cloudprep.cli.console import is_watched, tell

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

    from rich.progress import Progress, TaskID

    from cloudprep.engine.progress import ProgressSink

# What the engine says about a failed input is never hidden.
_FAILURE = "FAILED"


class Lines:
    """Writes notes as lines on stderr, and each finished step where more is wanted.

    Parameters
    ----------
    loudness : int
        ``-v`` count minus ``-q`` count: below 0 only failures, from 1 on each step with its time.
    """

    def __init__(self, loudness: int) -> None:
        self.loudness = loudness
        self._name = ""
        self._began = 0.0

    def start(self, name: str, total: int) -> None:
        """Begin a step."""
        del total
        self._name, self._began = name, time.perf_counter()

    def advance(self, n: int) -> None:
        """Report units done."""

    def finish(self) -> None:
        """End the step."""
        if self.loudness > 0 and self._name:
            self.show(f"{self._name}: {time.perf_counter() - self._began:.1f} s")
        self._name = ""

    def note(self, text: str) -> None:
        """Pass on a line."""
        if self.loudness >= 0 or text.startswith(_FAILURE):
            self.show(text)

    def show(self, text: str) -> None:
        """Write one line."""
        tell(text)


class Bars(Lines):
    """Draws a bar for the step under way; lines scroll above it."""

    def __init__(self, loudness: int, progress: Progress) -> None:
        super().__init__(loudness)
        self._progress = progress
        self._task: TaskID | None = None

    def start(self, name: str, total: int) -> None:
        """Begin a step."""
        super().start(name, total)
        self._clear()
        self._task = self._progress.add_task(name, total=max(total, 1))

    def advance(self, n: int) -> None:
        """Report units done."""
        if self._task is not None:
            self._progress.advance(self._task, n)

    def finish(self) -> None:
        """End the step."""
        self._clear()
        super().finish()

    def show(self, text: str) -> None:
        """Write one line above the bar."""
        for line in text.splitlines():
            self._progress.console.print(f"cloudprep: {line}", soft_wrap=True)

    def _clear(self) -> None:
        if self._task is not None:
            self._progress.remove_task(self._task)
            self._task = None


def shown_progress(verbose: int, quiet: int) -> AbstractContextManager[ProgressSink]:
    """Return a context that gives the right sink for this terminal and these wishes.

    Parameters
    ----------
    verbose, quiet : int
        How often ``-v`` and ``-q`` were given.
    """
    from contextlib import contextmanager

    @contextmanager
    def shown() -> Iterator[ProgressSink]:
        loudness = verbose - quiet
        if loudness < 0 or not is_watched(sys.stderr):
            yield Lines(loudness)
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

        console = Console(file=sys.stderr, markup=False, highlight=False, emoji=False)
        columns = (TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn())
        with Progress(*columns, TimeRemainingColumn(), console=console, transient=True) as progress:
            yield Bars(loudness, progress)

    return shown()


def set_up_logging(verbose: int) -> None:
    """Send the log of the libraries to stderr where everything is wanted (``-vv``)."""
    if verbose > 1:
        import logging

        logging.basicConfig(level=logging.DEBUG, stream=sys.stderr, format="cloudprep: %(name)s: %(message)s")
