"""What a run has delivered so far, in a file of its folder: the next one knows what a killed one left."""

from __future__ import annotations

import contextlib
import json
import os
import threading
from typing import TYPE_CHECKING

from cloudprep.io.atomic import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

JOURNAL_NAME = ".unfinished"


class Journal:
    """Names of files of a run that isn't finished, one a line; there is no such file beside a finished run.

    A name is on the disk before the file is. So whatever moment a run is killed at, the next one knows all
    that lies there, and removes what it doesn't make itself.

    Parameters
    ----------
    root : Path
        Folder of the run.
    """

    def __init__(self, root: Path) -> None:
        self.path = root / JOURNAL_NAME
        self._root = root
        self._names: set[str] = set()
        self._begun = False
        self._lock = threading.Lock()

    def earlier(self) -> list[str]:
        """Return what an unfinished run noted; a line that was cut off by its end counts for nothing."""
        try:
            lines = self.path.read_bytes().split(b"\n")
        except OSError:
            return []
        names = []
        for line in lines:
            with contextlib.suppress(ValueError):
                name = json.loads(line)
                if isinstance(name, str):
                    names.append(name)
        return names

    def begin(self, names: Iterable[str]) -> None:
        """Begin with the names of what is there already and may have to go.

        Raises
        ------
        OutputError
            If it can't be written.
        """
        self._names = set(names)
        self._begun = True
        if not self._names:
            return
        with whole_file(self.path) as part:
            part.write_bytes(b"".join(_line(name) for name in sorted(self._names)))

    def note(self, target: Path) -> None:
        """Note a file that is about to appear; any thread may.

        Raises
        ------
        OSError
            If it can't be written.
        """
        name = target.relative_to(self._root).as_posix()
        with self._lock:
            if not self._begun or name in self._names:
                return
            with self.path.open("ab") as file:
                file.write(_line(name))
                file.flush()
                os.fsync(file.fileno())
            self._names.add(name)

    def forget(self, names: Iterable[str]) -> None:
        """Forget files that were removed; nobody needs to know of them."""
        self._names.difference_update(names)
        if not self._names:
            self._remove()

    def end(self) -> None:
        """Stop noting, and remove it: the run is finished."""
        self._begun = False
        self._remove()

    def leave(self) -> None:
        """Stop noting; what was noted is for the next run."""
        self._begun = False

    def _remove(self) -> None:
        with contextlib.suppress(OSError):
            self.path.unlink(missing_ok=True)


def _line(name: str) -> bytes:
    # What was cut off before it doesn't spoil this line.
    return f"\n{json.dumps(name)}\n".encode()
