"""Files that fail on purpose: every operation below a folder is counted, and the chosen one goes wrong.

What Python does to files goes through here (open, write, sync, rename, remove, make a folder, the reads and
writes of scratch files), in the order in which the system would see it: buffers stay buffers, so a write is
counted when the system would be asked. What compiled libraries do by themselves isn't seen; real limits and
small file systems stand for those (test_small_disks.py).
"""

from __future__ import annotations

import builtins
import contextlib
import errno
import io
import os
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

CHANGES = ("make", "write", "sync", "rename", "remove")


@dataclass(frozen=True)
class Operation:
    """One operation: what kind, on which file (below the watched folder), and the how many-th."""

    kind: str
    path: str
    number: int


@dataclass
class Watch:
    """What happened below a folder."""

    root: Path
    fault: Callable[[Operation], OSError | None]
    seen: list[Operation] = field(default_factory=list)
    failed: list[Operation] = field(default_factory=list)
    lock: Any = field(default_factory=threading.RLock)

    def below(self, path: object) -> str | None:
        """Return a path as it is named below the watched folder, None if it lies elsewhere."""
        if isinstance(path, int):
            try:
                path = Path(f"/proc/self/fd/{path}").readlink()
            except OSError:
                return None
        if not isinstance(path, str | os.PathLike):
            return None
        text = os.path.abspath(os.fspath(path))  # noqa: PTH100 - links are not followed
        return os.path.relpath(text, self.root) if Path(text).is_relative_to(self.root) else None

    def tell(self, kind: str, path: object) -> None:
        """Count an operation; raise if it is to fail."""
        name = self.below(path)
        if name is None:
            return
        with self.lock:
            operation = Operation(kind, name, len(self.seen))
            self.seen.append(operation)
            error = self.fault(operation)
            if error is not None:
                self.failed.append(operation)
                error.filename = str(self.root / name)
        if error is not None:
            raise error


class _Raw(io.FileIO):
    """An open file whose writes and reads are counted."""

    def __init__(self, path: Any, mode: str, watch: Watch) -> None:
        super().__init__(path, mode)
        self._watch, self._path = watch, path

    def write(self, data: Any) -> Any:
        self._watch.tell("write", self._path)
        return super().write(data)

    def truncate(self, size: int | None = None) -> int:
        self._watch.tell("write", self._path)
        return super().truncate(size)

    def readinto(self, buffer: Any) -> Any:
        self._watch.tell("read", self._path)
        return super().readinto(buffer)

    def readall(self) -> bytes:
        self._watch.tell("read", self._path)
        return super().readall()


@contextlib.contextmanager
def faulty_files(root: Path, fault: Callable[[Operation], OSError | None]) -> Iterator[Watch]:
    """Count operations below a folder; where ``fault`` returns an error for one, that is what comes of it."""
    watch = Watch(Path(os.path.abspath(root)), fault)  # noqa: PTH100
    real_open = builtins.open

    def opened(file: Any, mode: str = "r", buffering: int = -1, encoding: Any = None, errors: Any = None,
               newline: Any = None, closefd: bool = True, opener: Any = None) -> Any:  # fmt: skip
        if isinstance(file, int) or watch.below(file) is None:
            return real_open(file, mode, buffering, encoding, errors, newline, closefd, opener)
        if set(mode) & set("wax+"):
            watch.tell("make", file)
        raw = _Raw(file, mode.replace("b", "").replace("t", ""), watch)
        if buffering == 0:
            return raw
        kind = io.BufferedRandom if "+" in mode else io.BufferedReader if "r" in mode else io.BufferedWriter
        buffered: Any = kind(raw)
        return buffered if "b" in mode else io.TextIOWrapper(buffered, encoding or "utf-8", errors, newline)

    def watched(kind: str, function: Any, place: int = 0) -> Any:
        def called(*arguments: Any, **more: Any) -> Any:
            if "dir_fd" not in more or more["dir_fd"] is None:
                watch.tell(kind, arguments[place])
            return function(*arguments, **more)

        return called

    real_os_open = os.open

    def os_opened(path: Any, flags: int, *more: Any, **named: Any) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT) and named.get("dir_fd") is None:
            watch.tell("make", path)
        return real_os_open(path, flags, *more, **named)

    changed: list[tuple[Any, str, Any]] = [
        (builtins, "open", opened),
        (io, "open", opened),
        (os, "open", os_opened),
        (os, "mkdir", watched("make", os.mkdir)),
        (os, "replace", watched("rename", os.replace)),
        (os, "rename", watched("rename", os.rename)),
        (os, "unlink", watched("remove", os.unlink)),
        (os, "remove", watched("remove", os.remove)),
        (os, "rmdir", watched("remove", os.rmdir)),
        (os, "fsync", watched("sync", os.fsync)),
        (os, "ftruncate", watched("write", os.ftruncate)),
        (os, "pwritev", watched("write", os.pwritev)),
        (os, "preadv", watched("read", os.preadv)),
    ]
    if hasattr(os, "posix_fallocate"):
        changed.append((os, "posix_fallocate", watched("write", os.posix_fallocate)))
    kept = [(owner, name, getattr(owner, name)) for owner, name, _ in changed]
    try:
        for owner, name, new in changed:
            setattr(owner, name, new)
        yield watch
    finally:
        for owner, name, old in kept:
            setattr(owner, name, old)


# -- what may go wrong ---------------------------------------------------------------------------------------


def nothing(operation: Operation) -> None:
    """Let everything work."""


def full_from(first: int) -> Callable[[Operation], OSError | None]:
    """Fill the disk up: from an operation on there is no room, but files can be removed and renamed."""
    return _from(first, ("make", "write", "sync"), errno.ENOSPC)


def read_only_from(first: int) -> Callable[[Operation], OSError | None]:
    """Turn the file system read-only, as the system does after an error of a disk."""
    return _from(first, CHANGES, errno.EROFS)


def denied_from(first: int) -> Callable[[Operation], OSError | None]:
    """Take the right to change the folder away; files that are open stay so."""
    return _from(first, ("make", "rename", "remove"), errno.EACCES)


def error_at(place: int) -> Callable[[Operation], OSError | None]:
    """Let one operation, and no other, report an error of the disk."""

    def fault(operation: Operation) -> OSError | None:
        if operation.number == place and operation.kind in CHANGES:
            return OSError(errno.EIO, os.strerror(errno.EIO))
        return None

    return fault


def _from(first: int, kinds: tuple[str, ...], number: int) -> Callable[[Operation], OSError | None]:
    def fault(operation: Operation) -> OSError | None:
        if operation.number >= first and operation.kind in kinds:
            return OSError(number, os.strerror(number))
        return None

    return fault
