"""Opening a source file for reading, with every refusal of the file system as one clear line."""

from __future__ import annotations

import errno
import stat
from contextlib import contextmanager
from typing import TYPE_CHECKING

from cloudprep.errors import BadInputError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from io import BufferedReader
    from pathlib import Path

_PLAIN_REASONS = {
    errno.ENOENT: "there is no such file",
    errno.EACCES: "no permission to read it",
    errno.EPERM: "no permission to read it",
    errno.EISDIR: "it is a folder",
    errno.ENOTDIR: "a part of the path is a file, not a folder",
    errno.ELOOP: "its links go round in a circle",
    errno.ENAMETOOLONG: "the name is too long",
    errno.EIO: "the disk reports an error",
    errno.ENODEV: "the disk is no longer there",
    errno.ENXIO: "the disk is no longer there",
    errno.ESTALE: "the connection to the network drive was lost",
}


@contextmanager
def open_source(path: Path, expected: tuple[int, int] | None = None) -> Iterator[BufferedReader]:
    """Open a regular file for reading.

    Parameters
    ----------
    path : Path
        The file.
    expected : tuple of int, optional
        Size (bytes) and time of change (ns) that it must still have.

    Yields
    ------
    binary file
        Open at its beginning.

    Raises
    ------
    BadInputError
        If it can't be opened or read, isn't a regular file, or has changed.
    """
    if "\0" in str(path):
        raise BadInputError(path, "can't be read: the name holds a zero byte")
    try:
        # Looked at before opening: opening a named pipe would wait for ever.
        facts = path.stat()
        if not stat.S_ISREG(facts.st_mode):
            raise BadInputError(
                path, "it is a folder" if stat.S_ISDIR(facts.st_mode) else "it isn't a regular file"
            )
        if expected is not None and expected != (facts.st_size, facts.st_mtime_ns):
            raise BadInputError(path, "the file has changed since it was first read")
        with path.open("rb") as file:
            yield file
    except OSError as error:
        reason = _PLAIN_REASONS.get(error.errno or 0, error.strerror or str(error))
        raise BadInputError(path, f"can't be read: {reason}") from error
