"""The lock of a folder: one run at a time works in it, and whoever comes second is told who does.

The lock is a file in the folder. Its owner holds it by the system's own lock on open files (``flock``), which
goes with the process however that ends, and writes into it who it is. So on one machine a lock whose owner is
gone is told from one in use without doubt, also where process numbers are used again or belong to containers.
Elsewhere on shared storage nothing of that kind can be relied on: a lock of another machine is respected, its
age is told, and a person decides.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import socket
import time
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Self

from cloudprep.errors import InUseError, OutputError
from cloudprep.io.atomic import folder_refused, make_folder, plain_reason

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

__all__ = ["LOCK_NAME", "PATIENCE_WITH_THE_DYING", "FolderLock", "Owner", "owner_of"]

LOCK_NAME = ".in-use"
# A process that was just killed may still be on its way out, its memory being given back.
PATIENCE = 1.0
# Who goes on with what it left waits longer: on a busy machine that takes a while.
PATIENCE_WITH_THE_DYING = 30.0
_POLL = 0.05
# File systems without locks on open files say one of these.
_NO_FLOCK = (errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS)


@dataclass(frozen=True)
class Owner:
    """Who holds a lock.

    Parameters
    ----------
    host : str
        Name of the machine.
    boot : str
        Which start of that machine; empty where the system doesn't tell.
    process : int
        Number of the process.
    began : int
        When the process began, in the system's ticks since the machine's start: a number that is used again
        belongs to a process that began later. 0 where the system doesn't tell.
    taken : str
        When the lock was taken, ISO 8601, UTC.
    """

    host: str
    boot: str
    process: int
    began: int
    taken: str

    @classmethod
    def here(cls) -> Owner:
        """Return this process as an owner."""
        return cls(
            host=socket.gethostname(),
            boot=_boot(),
            process=os.getpid(),
            began=_began(os.getpid()) or 0,
            taken=datetime.now(UTC).isoformat(timespec="seconds"),
        )

    @property
    def is_of_this_machine(self) -> bool:
        """Whether it is, or was, at work on this machine, if only in a container there."""
        return self.host == socket.gethostname() or self._in_this_start

    @property
    def _in_this_start(self) -> bool:
        return self.boot != "" and self.boot == _boot()

    def is_gone(self, *, freed: bool) -> bool:
        """Tell whether it is no more.

        Parameters
        ----------
        freed : bool
            Whether the system gave its lock on the open file to somebody else.
        """
        if self.host == socket.gethostname():
            # This process itself may have left it, where it couldn't be removed; held, it were not free.
            left_by_us = freed and self.process == os.getpid()
            return left_by_us or not self.is_running
        # Another container of this machine: its processes can't be seen, but there is one system for both.
        # Another machine's process can't be looked at, and its lock may be unknown to this system.
        return self._in_this_start and freed

    @property
    def is_running(self) -> bool:
        """Whether that very process of this machine is still there."""
        if self.boot and self.boot != _boot():
            return False
        began = _began(self.process)
        return began is not None and (not self.began or began == self.began)

    def age(self) -> str:
        """Return for how long it has had the lock, in words; empty where that can't be told."""
        try:
            seconds = (datetime.now(UTC) - datetime.fromisoformat(self.taken)).total_seconds()
        except (TypeError, ValueError):
            return ""
        return f"for {_in_words(max(seconds, 0.0))}"

    def __str__(self) -> str:
        return f"process {self.process} on {self.host}"


class FolderLock:
    """Holds a folder as a context; it is free again afterwards, and no file of the lock is left.

    Parameters
    ----------
    folder : Path
        Created if need be, and removed again if nothing came into it.
    note : callable, optional
        Told where the lock of a run that is no more was taken over.
    patience : float
        Seconds to wait for an owner before giving up.

    Raises
    ------
    InUseError
        On entering: somebody else holds the folder.
    UsageError
        On entering: it can't be made or written to.
    OutputError
        On entering: the lock can't be written, the disk being full, say.
    """

    def __init__(
        self, folder: Path, note: Callable[[str], None] | None = None, *, patience: float = PATIENCE
    ) -> None:
        self.folder = folder
        self.path = folder / LOCK_NAME
        self._note = note
        self._patience = patience
        self._handle: int | None = None
        self._made_folder = False

    def __enter__(self) -> Self:
        self._make_folder()
        try:
            self._take()
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()

    def _make_folder(self) -> None:
        self._made_folder = not self.folder.exists()
        try:
            make_folder(self.folder)
        except OutputError as error:
            raise folder_refused(str(error), error.__cause__) from error

    def _leave(self) -> None:
        if self._handle is not None:
            # Gone before it is free: who waits for it then finds that its name leads elsewhere.
            with contextlib.suppress(OSError):
                if _same_file(self._handle, self.path):
                    self.path.unlink(missing_ok=True)
            with contextlib.suppress(OSError):
                os.close(self._handle)
            self._handle = None
        if self._made_folder:
            with contextlib.suppress(OSError):  # something came into it: it stays
                self.folder.rmdir()

    def _take(self) -> None:
        end = time.monotonic() + self._patience
        while not self._try():
            if time.monotonic() >= end:
                raise InUseError(self._refusal(owner_of(self.folder)))
            time.sleep(_POLL)

    def _try(self) -> bool:
        """Take the lock if nobody has it; tell whether it is ours."""
        try:
            handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except FileNotFoundError as error:
            if self.path.is_symlink():  # that leads nowhere
                raise folder_refused(
                    f"{self.folder}: can't be locked: {plain_reason(error)}", error
                ) from error
            self._make_folder()  # whoever had it, and had made it, has just removed it
            return False
        except OSError as error:
            text = f"{self.folder}: can't be locked: {plain_reason(error)}"
            raise folder_refused(text, error) from error
        ours = False
        try:
            freed = _flock(handle)
            if freed is False or not _same_file(handle, self.path):
                return False
            earlier = _owner_in(handle)
            if earlier is not None and not earlier.is_gone(freed=freed is True):
                return False
            me = Owner.here()
            _write(handle, me)
            if not _same_file(handle, self.path):
                return False
            ours = True
        except OSError as error:
            if _owner_in(handle) is None and _same_file(handle, self.path):
                with contextlib.suppress(OSError):
                    self.path.unlink(missing_ok=True)
            raise folder_refused(f"{self.path}: can't be written: {plain_reason(error)}", error) from error
        finally:
            if ours:
                self._handle = handle
            else:
                os.close(handle)
        if earlier is not None and self._note is not None:
            self._note(
                f"{self.folder}: {earlier}, which worked in this folder, is no more: its lock is taken over"
            )
        return True

    def _refusal(self, owner: Owner | None) -> str:
        if owner is None:
            return f"{self.folder}: another run is at work in this folder; wait for it, or choose another"
        said = " ".join(
            filter(None, (f"{self.folder}: {owner} has been at work in this folder", owner.age()))
        )
        if owner.is_of_this_machine:
            return f"{said}; wait for it, or choose another folder"
        return (
            f"{said}; whether it still is can't be told from here: if that run is no more, delete "
            f"{self.path} and try again"
        )


def owner_of(folder: Path) -> Owner | None:
    """Return who holds a folder, or held it when it died; None where nobody does, or it can't be read."""
    try:
        handle = os.open(folder / LOCK_NAME, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        return _owner_in(handle)
    finally:
        os.close(handle)


def _flock(handle: int) -> bool | None:
    """Tell whether the file is locked for this process; None where the file system has no such locks."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        if error.errno not in _NO_FLOCK:
            raise
        return None
    return True


def _same_file(handle: int, path: Path) -> bool:
    """Tell whether a name still leads to the open file: its owner may just have deleted it."""
    try:
        there = path.stat()
    except OSError:
        return False
    return os.path.samestat(os.fstat(handle), there)


def _owner_in(handle: int) -> Owner | None:
    try:
        return Owner(**json.loads(os.pread(handle, 4096, 0)))
    except (OSError, ValueError, TypeError):
        return None


def _write(handle: int, owner: Owner) -> None:
    os.ftruncate(handle, 0)
    text = json.dumps(asdict(owner)).encode()
    if os.pwrite(handle, text, 0) != len(text):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@cache
def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def _began(process: int) -> int | None:
    """Return when a process began, 0 where that isn't told; None where there is no such process."""
    try:
        text = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return _began_unknown(process)
    # The name of the program, in brackets, may hold anything; proc(5): the state is the first field behind
    # it, the time of the start the twentieth.
    fields = text.rpartition(")")[2].split()
    return None if fields[0] in "ZX" else int(fields[19])


def _began_unknown(process: int) -> int | None:
    if process <= 0 or Path("/proc/self/stat").exists():
        return None
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return None
    except OSError:
        return 0
    return 0


def _in_words(seconds: float) -> str:
    """Return a time for people.

    >>> _in_words(5), _in_words(90), _in_words(5400), _in_words(200_000)
    ('5 seconds', '2 minutes', '1.5 hours', '2.3 days')
    """
    if seconds < 60:
        return f"{seconds:.0f} seconds"
    if seconds < 3600:
        return f"{seconds / 60:.0f} minutes"
    return f"{seconds / 3600:.1f} hours" if seconds < 86_400 else f"{seconds / 86_400:.1f} days"
