"""What lies in a watched folder: captures, and whether they are as they were. Nothing in it is changed."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from cloudprep.engine.inputs import CLOUD_ENDINGS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["Capture", "GroupBy", "captures_in", "is_unchanged"]

GroupBy = Literal["file", "folder"]
# How names begin that copying programs give to what isn't whole yet, and which nobody gives to a flight.
_UNFINISHED = (".", "~")
_DEEPEST = 32


@dataclass(frozen=True)
class Seen:
    """One file as it was seen.

    Parameters
    ----------
    path : str
        Below the inbox, with forward slashes; bytes that are no text are escaped in it.
    there : str
        The same as the system needs it.
    size : int
        Bytes.
    modified_ns : int
        When it was last changed, ns since 1970.
    """

    path: str
    there: str
    size: int
    modified_ns: int


@dataclass(frozen=True)
class Capture:
    """What is processed together: a flight, or a folder of flights.

    Parameters
    ----------
    place : str
        Its path below the inbox, with forward slashes.
    files : tuple of Seen
        All files that have to stand still before it is taken, in the order of their paths: for a folder also
        those that aren't flights, since a copy under way may have any name.
    """

    place: str
    files: tuple[Seen, ...]

    @property
    def flights(self) -> tuple[Seen, ...]:
        """Those of its files that are flights."""
        return tuple(f for f in self.files if _is_flight(f.path))

    @property
    def signature(self) -> str:
        """What is the same as long as no file of it comes, goes, grows or is written to."""
        told = "\n".join(f"{f.path}\t{f.size}\t{f.modified_ns}" for f in self.files)
        return hashlib.sha256(told.encode()).hexdigest()


def captures_in(inbox: Path, group_by: GroupBy) -> list[Capture]:
    """Return the captures that lie in a folder now, in the order of their paths.

    Parameters
    ----------
    inbox : Path
        The watched folder.
    group_by : {"file", "folder"}
        Each flight by itself, wherever below it lies; or each folder in the inbox with all flights below it
        (flights in the inbox itself stay by themselves).

    Raises
    ------
    OSError
        If the folder can't be read: a share that is away must not look like an empty one.
    """
    groups: dict[str, list[Seen]] = {}
    for seen in _files(inbox, "", _DEEPEST):
        top, slash, _ = seen.path.partition("/")
        whole = group_by == "folder" and slash
        if whole or _is_flight(seen.path):
            groups.setdefault(top if whole else seen.path, []).append(seen)
    found = []
    for place, files in sorted(groups.items()):
        files.sort(key=lambda f: f.path)
        capture = Capture(place, tuple(files))
        if capture.flights:
            found.append(capture)
    return found


def is_unchanged(inbox: Path, capture: Capture, group_by: GroupBy) -> bool:
    """Tell whether a capture lies there as it was seen; not where its folder can't be read just now."""
    try:
        if group_by == "file" or capture.files[0].path == capture.place:
            (one,) = capture.files
            facts = (inbox / one.there).stat()
            return (facts.st_size, facts.st_mtime_ns) == (one.size, one.modified_ns)
        top = capture.files[0].there.partition("/")[0]
        files = sorted(_files(inbox / top, f"{top}/", _DEEPEST - 1), key=lambda f: f.path)
    except OSError:
        return False
    return Capture(capture.place, tuple(files)).signature == capture.signature


def _files(folder: Path, below: str, depth: int) -> Iterator[Seen]:
    """Give the files of a folder and of those in it; links to folders aren't followed, they may go round."""
    with os.scandir(folder) as entries:
        for entry in sorted(entries, key=lambda e: e.name):
            try:
                if entry.is_dir(follow_symlinks=False):
                    if depth and not entry.name.startswith("."):
                        yield from _files(folder / entry.name, f"{below}{entry.name}/", depth - 1)
                elif entry.is_file():
                    facts = entry.stat()
                    there = f"{below}{entry.name}"
                    text = there.encode("utf-8", "backslashreplace").decode()
                    yield Seen(text, there, facts.st_size, facts.st_mtime_ns)
            except FileNotFoundError:  # renamed or removed just now: the next look shows
                continue


def _is_flight(path: str) -> bool:
    name = path.rpartition("/")[2]
    return name.lower().endswith(CLOUD_ENDINGS) and not name.startswith(_UNFINISHED)
