"""Keeps the ledger of a batch up to date while it goes on, seldom enough to cost nothing."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from cloudprep.errors import CloudprepError

if TYPE_CHECKING:
    from pathlib import Path

    from cloudprep.engine.progress import ProgressSink

__all__ = ["BatchMap"]

# A refresh takes some hundredths of a second, which small sites would feel.
_SECONDS_BETWEEN = 5.0


class BatchMap:
    """The ledger of a batch.

    Parameters
    ----------
    root : Path
        Folder of the batch.
    progress : ProgressSink
        Told where the ledger can't be brought up to date: no reason to stop.
    """

    def __init__(self, root: Path, progress: ProgressSink) -> None:
        self._root = root
        self._progress = progress
        self._waiting: list[Path] = []
        self._last = float("-inf")

    def add(self, folder: Path) -> None:
        """Take in a run that has just ended; it is drawn at once, or with the next ones."""
        self._waiting.append(folder)
        if time.monotonic() - self._last >= _SECONDS_BETWEEN:
            self._refresh(self._waiting)

    def finish(self) -> None:
        """Draw all runs that are not drawn yet, and take out what is no more."""
        self._refresh(None)

    def _refresh(self, folders: list[Path] | None) -> None:
        from cloudprep.runs.ledger import refresh_ledger  # noqa: PLC0415 - not for a batch with nothing to do

        try:
            for line in refresh_ledger(self._root, only=folders).broken:
                self._progress.note(f"warning: not in the ledger: {line}")
        except CloudprepError as error:
            self._progress.note(f"warning: {error}")
        self._waiting = []
        self._last = time.monotonic()
