"""Files that appear whole or not at all: a temporary name in the same folder, fsync, then rename."""

from __future__ import annotations

import contextlib
import errno
import glob
import hashlib
import os
import secrets
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from cloudprep.errors import OutputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

PART_PREFIX = ".part-"
"""Names of temporary files and folders begin so."""

# Bytes; a library asks for many more at a time.
_NEXT_TO_NOTHING = 1_000_000

_PLAIN_REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EFBIG: "the file would be larger than is allowed there",
    errno.EACCES: "no permission to write there",
    errno.EPERM: "no permission to write there",
    errno.EROFS: "the file system is read-only",
    errno.ENOTDIR: "a part of the path is a file, not a folder",
    errno.ENAMETOOLONG: "the name is too long",
    errno.EIO: "the disk reports an error",
    errno.ENODEV: "the disk is no longer there",
    errno.ENXIO: "the disk is no longer there",
    errno.ESTALE: "the connection to the network drive was lost",
    errno.EMFILE: "too many files are open",
    errno.ENFILE: "too many files are open",
}

# What another choice of the folder mends: then it is the command that is wrong.
_CHOICE = (errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOTDIR, errno.EEXIST, errno.ENAMETOOLONG)

_announced: list[tuple[Path, Callable[[Path], None]]] = []


def plain_reason(error: OSError) -> str:
    """Return the cause of a failed write or read in words."""
    return _PLAIN_REASONS.get(error.errno or 0, error.strerror or str(error))


def folder_refused(text: str, error: BaseException | None) -> OutputError | UsageError:
    """Return what to raise for a folder that can't be used: a mistake in the command, or the disk's trouble.

    Parameters
    ----------
    text : str
        The line for people.
    error : exception, optional
        What the system raised.
    """
    choice = getattr(error, "errno", None) in _CHOICE
    return UsageError(text) if choice else OutputError(text)


def make_folder(folder: Path) -> None:
    """Create a folder (and its parents) that files can be written into.

    Raises
    ------
    OutputError
        If it can't be created or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: can't create the folder: {plain_reason(error)}") from error
    probe = folder / f"{PART_PREFIX}{secrets.token_hex(6)}"
    try:
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise OutputError(f"{folder}: can't write into the folder: {plain_reason(error)}") from error


@contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """Give a temporary path beside the target; on success it becomes the target, else it is removed.

    The temporary name keeps the target's ending, since some writers choose their format by it.

    Parameters
    ----------
    target : Path
        Where the finished file will be. An existing file is replaced only at the end.

    Yields
    ------
    Path
        The temporary path to write to.

    Raises
    ------
    OutputError
        If the file system refuses (disk full, no permission), in plain words.
    """
    part = target.with_name(f"{PART_PREFIX}{secrets.token_hex(6)}-{target.name[-80:]}")
    try:
        yield part
        with part.open("rb+") as written:
            os.fsync(written.fileno())
        for folder, tell in tuple(_announced):
            if target.is_relative_to(folder):
                tell(target)
        part.replace(target)
        _sync_folder(target.parent)
    except OSError as error:
        raise OutputError(f"{target}: can't be written: {plain_reason(error)}") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
            # Libraries keep files of their own beside the one they write: the journal of a database, say.
            for beside in part.parent.glob(f"{glob.escape(part.name)}*"):
                beside.unlink(missing_ok=True)


@contextmanager
def full_disk_told(folder: Path, *kinds: type[Exception]) -> Iterator[None]:
    """Raise what the system would say where a library failed to write since the disk is full.

    Parameters
    ----------
    folder : Path
        Where it writes.
    *kinds : type
        What it raises.

    Raises
    ------
    OSError
        In place of such an exception, if next to nothing is free there (looked at before what was written is
        removed); others pass.
    """
    try:
        yield
    except kinds as error:
        if _is_full(folder):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)) from error
        raise


def _is_full(folder: Path) -> bool:
    try:
        facts = os.statvfs(folder)
    except OSError:
        return False
    return facts.f_bavail * facts.f_frsize < _NEXT_TO_NOTHING


@contextmanager
def announced(folder: Path, tell: Callable[[Path], None]) -> Iterator[None]:
    """Tell of every whole file below a folder just before it appears under its name.

    Parameters
    ----------
    folder : Path
        The folder; names are compared as they are written.
    tell : callable
        Given the file's path, from whichever thread writes it.
    """
    one = (folder, tell)
    _announced.append(one)
    try:
        yield
    finally:
        _announced.remove(one)


def _sync_folder(folder: Path) -> None:
    """Make the rename itself durable; file systems that can't are left as they are."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes as hexadecimal text, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def is_part(name: str) -> bool:
    """Tell whether a name is that of a temporary file or folder."""
    return name.startswith(PART_PREFIX)


def remove_leftovers(folder: Path) -> int:
    """Delete temporary files that a killed run left in a folder; return how many."""
    count = 0
    for part in Path(folder).glob(f"{PART_PREFIX}*"):
        if part.is_file():
            part.unlink(missing_ok=True)
            count += 1
    return count
