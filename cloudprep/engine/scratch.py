"""A folder for columns that don't fit into memory: sized beforehand, gone at the end however a run ends."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import socket
import sys
from typing import TYPE_CHECKING, Any

from cloudprep.errors import OutputError, UsageError
from cloudprep.io.atomic import make_folder, plain_reason

if TYPE_CHECKING:
    from pathlib import Path
    from types import TracebackType

    from numpy.typing import NDArray

_PREFIX = ".part-scratch-"
# What file systems need beside the columns themselves.
_MARGIN = 50_000_000


class ScratchFolder:
    """A folder of one run below a parent; a context manager that removes it.

    Parameters
    ----------
    parent : Path
        Created if need be. Folders that runs left there when they were killed are removed.
    needed : int
        Bytes that the run will put there.

    Raises
    ------
    UsageError
        If there is not enough room, or the folder can't be made.
    """

    def __init__(self, parent: Path, needed: int) -> None:
        try:
            make_folder(parent)
        except OutputError as error:
            raise UsageError(str(error)) from error
        remove_abandoned(parent)
        free = shutil.disk_usage(parent).free
        if needed + _MARGIN > free:
            raise UsageError(
                f"{parent}: the run needs {needed / 1e9:.1f} GB of scratch space, "
                f"{free / 1e9:.1f} GB are free: give --scratch a folder with more room, or --memory more"
            )
        name = f"{_PREFIX}{socket.gethostname()}-{os.getpid()}-{secrets.token_hex(4)}"
        self.path = parent / name
        self.path.mkdir()

    def __enter__(self) -> Path:
        return self.path

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # Renamed first: whoever is still at work elsewhere can't put another file there meanwhile.
        gone = self.path.with_name(f"{self.path.name}-gone")
        with contextlib.suppress(OSError):
            self.path = self.path.rename(gone)
        shutil.rmtree(self.path, ignore_errors=True)


def bytes_in(folder: Path) -> int:
    """Return the bytes that all files of a folder take on disk."""
    return sum(512 * path.stat().st_blocks for path in folder.iterdir())


def remove_abandoned(parent: Path) -> None:
    """Remove scratch folders of runs of this machine that are no more (killed, or the power failed)."""
    mine = f"{_PREFIX}{socket.gethostname()}-"
    for folder in parent.glob(f"{mine}*"):
        process = folder.name.removeprefix(mine).partition("-")[0]
        if process.isdigit() and not _is_running(int(process)):
            shutil.rmtree(folder, ignore_errors=True)


def _is_running(process: int) -> bool:
    if sys.platform == "win32":  # no way to ask without a signal that ends it
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


class ColumnFiles:
    """Arrays in files of one folder, read and written in stretches; safe for threads, and it pickles.

    Parameters
    ----------
    folder : Path
        Where they are.
    write_through : bool
        Whether what was written is on the disk at once, and nothing but that: machines that share a folder
        must neither miss each other's bytes nor write back neighbouring ones that they had read before.
    """

    def __init__(self, folder: Path, *, write_through: bool = False) -> None:
        self.folder = folder
        self.write_through = write_through
        self._open: dict[str, int] = {}

    def __getstate__(self) -> dict[str, Any]:
        return {"folder": self.folder, "write_through": self.write_through}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__init__(**state)  # type: ignore[misc]

    def __del__(self) -> None:
        self.close()

    def read(self, file: str, start: int, into: NDArray[Any]) -> None:
        """Fill an array with the elements from a place on."""
        if not into.size:
            return
        view = into.data.cast("B")
        place = start * into.itemsize
        done = 0
        while done < len(view):
            got = os.preadv(self._handle(file), [view[done:]], place + done)
            if got <= 0:
                raise OutputError(f"{self.folder / file}: the scratch file ends too early")
            done += got

    def write(self, file: str, start: int, values: NDArray[Any]) -> None:
        """Write elements from a place on."""
        if not values.size:
            return
        view = values.data.cast("B")
        place = start * values.itemsize
        done = 0
        try:
            while done < len(view):
                done += os.pwritev(self._handle(file), [view[done:]], place + done)
        except OSError as error:
            raise OutputError(f"{self.folder}: scratch can't be written: {plain_reason(error)}") from error

    def reach(self, file: str, size: int) -> None:
        """Make a file so many bytes long at least; what was not written reads as zeros."""
        handle = self._handle(file)
        if os.fstat(handle).st_size < size:
            os.ftruncate(handle, size)

    def size(self) -> int:
        """Return the bytes that all files take on disk."""
        return bytes_in(self.folder)

    def remove(self, file: str) -> None:
        """Delete a file that nobody reads any more."""
        handle = self._open.pop(file, None)
        if handle is not None:
            os.close(handle)
        with contextlib.suppress(OSError):
            (self.folder / file).unlink(missing_ok=True)

    def close(self) -> None:
        """Close all files."""
        while self._open:
            _, handle = self._open.popitem()
            with contextlib.suppress(OSError):
                os.close(handle)

    def _handle(self, file: str) -> int:
        handle = self._open.get(file)
        if handle is None:
            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | (os.O_DSYNC if self.write_through else 0)
            try:
                new = os.open(self.folder / file, flags, 0o600)
            except OSError as error:
                raise OutputError(f"{self.folder}: scratch can't be used: {plain_reason(error)}") from error
            handle = self._open.setdefault(file, new)
            if handle != new:  # another thread was first
                os.close(new)
        return handle
