"""The ledger of many runs: one GeoPackage per folder of results, for people who look at a map.

It is made from the records of the runs alone, so it can be thrown away and made again. What changed is put
into a copy, which then takes the ledger's place: readers see the old file or the new one, never half of one.
Layers of others in it, such as the styles that a GIS keeps there, stay.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cloudprep.engine.record import RECORD_NAME
from cloudprep.errors import OutputError, UsageError
from cloudprep.io.atomic import plain_reason, whole_file
from cloudprep.io.geopackage import change, create, is_intact, look_into
from cloudprep.runs.ledger_checks import checked, files_of
from cloudprep.runs.ledger_layout import TABLES
from cloudprep.runs.ledger_rows import rows_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from cloudprep.runs.ledger_rows import Rows

__all__ = ["DEPTH", "LEDGER_NAME", "Refreshed", "refresh_ledger"]

LEDGER_NAME = "ledger.gpkg"
DEPTH = 6
"""So many folders below the ledger's own a run may lie."""
# The folders of a run that hold what it delivered: often thousands of files, never other runs.
_DELIVERED = frozenset({"clouds", "terrain"})
_LARGEST_RECORD = 256_000_000
# Which state of a run the ledger shows: not a layer, so no row in the contents.
_STATES = "ledger_states"
_LAYOUT = "1"
_ATTEMPTS = 5
_OLD_PART = 600.0


@dataclass(frozen=True)
class Refreshed:
    """What a refreshed ledger holds.

    Parameters
    ----------
    path : Path
        The ledger.
    runs : int
        In it.
    taken, gone : int
        Runs that were new or had changed; runs that are no longer there.
    broken : tuple of str
        Records that can't be used, each with the reason.
    """

    path: Path
    runs: int
    taken: int
    gone: int
    broken: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        return {
            "ledger": str(self.path),
            "runs": self.runs,
            "taken": self.taken,
            "gone": self.gone,
            "broken": list(self.broken),
        }


def refresh_ledger(root: Path, *, only: Sequence[Path] | None = None, rebuild: bool = False) -> Refreshed:
    """Bring the ledger of a folder up to date with the runs below it.

    Finished runs at most six folders down are taken; unfinished ones have no record and aren't.

    Parameters
    ----------
    root : Path
        The folder; the ledger is ``ledger.gpkg`` in it.
    only : sequence of Path, optional
        Look at these folders of runs alone: quicker, where it is known which run has just ended.
    rebuild : bool
        Take every run anew, whether it changed or not.

    Raises
    ------
    UsageError
        If there is no such folder.
    OutputError
        If the ledger can't be written; if it is no ledger, or a program has changes to it under way.
    """
    if not root.is_dir():
        raise UsageError(f"{root}: no such folder")
    target = root / LEDGER_NAME
    _remove_old_parts(root)
    found = {_named(f, root): f for f in (run_folders(root) if only is None else only)}
    states = {name: _state(folder) for name, folder in found.items()}
    for _ in range(_ATTEMPTS):
        try:
            return _refreshed(target, root, found, states, rebuild=rebuild, all_known=only is None)
        except _OvertakenError:
            continue
    raise OutputError(f"{target}: others write it all the time; try again")


class _OvertakenError(Exception):
    """Somebody else put another ledger in place meanwhile."""


def run_folders(root: Path) -> list[Path]:
    """Return the folders of finished runs at and below a folder, in the order of their names.

    Links are not followed, and hidden folders and what runs delivered are not looked into.
    """
    return sorted(_below(root, DEPTH))


def _below(folder: Path, depth: int) -> Iterator[Path]:
    inside: list[tuple[Path, int]] = []
    finished = False
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name == RECORD_NAME:
                    finished = entry.is_file(follow_symlinks=False)
                elif depth and _may_hold_runs(entry):
                    inside.append((folder / entry.name, 0 if entry.name in _DELIVERED else depth - 1))
    except OSError:  # gone meanwhile, or not ours to read
        return
    if finished:
        yield folder
    for below, further in inside:
        yield from _below(below, further)


def _may_hold_runs(entry: os.DirEntry[str]) -> bool:
    hidden = entry.name.startswith(".")
    if hidden or not entry.is_dir(follow_symlinks=False):
        return False
    # A run may itself be called that.
    return entry.name not in _DELIVERED or Path(entry.path, RECORD_NAME).is_file()


def _named(folder: Path, root: Path) -> str:
    return folder.relative_to(root).as_posix()


def _state(folder: Path) -> str:
    """Return what tells whether the files that a ledger is made from have changed; empty without a record."""
    try:
        told = [(folder / RECORD_NAME).stat(), *(p.stat() for p in files_of(folder))]
    except OSError:
        return ""
    return " ".join(f"{s.st_ino}:{s.st_size}:{s.st_mtime_ns}" for s in told)


def _identity(path: Path) -> tuple[int, int, int] | None:
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_ino, facts.st_size, facts.st_mtime_ns


def _refreshed(
    target: Path,
    root: Path,
    found: dict[str, Path],
    states: dict[str, str],
    *,
    rebuild: bool,
    all_known: bool,
) -> Refreshed:
    before = _identity(target)
    known = _known(target)
    if known is not None and target.with_name(f"{LEDGER_NAME}-wal").exists():
        _refuse_changes_under_way(target)
    there = known or {}
    fresh = [n for n in found if states[n] and (rebuild or there.get(n, ("", ""))[0] != states[n])]
    gone = [n for n in there if not states.get(n) and (all_known or n in found)]
    if known is not None and not fresh and not gone:
        return _told(target, there, 0, 0)
    rows: dict[str, Rows] = {}
    now = {name: entry for name, entry in there.items() if name not in gone}
    for name in fresh:
        try:
            rows[name] = _read(found[name], root)
            now[name] = states[name], ""
        except (LookupError, TypeError, ValueError, AttributeError, OSError) as error:
            now[name] = states[name], _why(error)
    try:
        with whole_file(target) as part:
            if known is None:
                _create(part)
            else:
                shutil.copyfile(target, part)
            _put(part, rows, [*fresh, *gone], now)
            if _identity(target) != before:
                raise _OvertakenError
    except sqlite3.Error as error:
        raise OutputError(f"{target}: can't be written: {error}") from error
    return _told(target, now, len(rows), len(gone))


def _known(target: Path) -> dict[str, tuple[str, str]] | None:
    """Return the runs in a ledger with the state they were read in and what is wrong with their records.

    Returns
    -------
    dict or None
        None where there is no ledger, or one that is to be made anew: broken, or of another version.

    Raises
    ------
    OutputError
        If the file is something else.
    """
    try:
        if not target.stat().st_size:
            return None
        with closing(look_into(target)) as base:
            names = {row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if _STATES not in names:
                raise OutputError(
                    f"{target}: is no ledger that cloudprep made: move it away, or give it another name"
                )
            layout = base.execute("SELECT state FROM ledger_states WHERE run = ''").fetchone()
            if layout != (_LAYOUT,) or not is_intact(target, TABLES):
                return None
            found = base.execute("SELECT run, state, broken FROM ledger_states WHERE run <> ''")
            return {run: (state, broken) for run, state, broken in found}
    except FileNotFoundError:
        return None
    except OSError as error:
        raise OutputError(f"{target}: can't be read: {plain_reason(error)}") from error
    except sqlite3.DatabaseError as error:
        with target.open("rb") as file:
            if file.read(15) == b"SQLite format 3":
                return None  # a ledger once: made anew
        raise OutputError(f"{target}: is no GeoPackage: move it away, or give it another name") from error


def _refuse_changes_under_way(target: Path) -> None:
    """Refuse to replace a file that another program has open with changes which aren't in it yet."""
    wal = target.with_name(f"{LEDGER_NAME}-wal")
    with contextlib.suppress(FileNotFoundError):
        if wal.stat().st_size:
            raise OutputError(
                f"{target}: another program has changes to it under way; close it there, and it is brought "
                "up to date the next time"
            )


def _read(folder: Path, root: Path) -> Rows:
    path = folder / RECORD_NAME
    if path.stat().st_size > _LARGEST_RECORD:
        raise ValueError(f"is larger than {_LARGEST_RECORD // 1_000_000} MB")
    record = json.loads(path.read_text(encoding="utf-8"))
    return rows_of(record, folder, root, checked(record, folder))


def _why(error: Exception) -> str:
    if isinstance(error, OSError):
        return f"can't be read: {plain_reason(error)}"
    if isinstance(error, json.JSONDecodeError | UnicodeDecodeError):
        return "is no JSON, or only a part of it"
    told = " ".join(str(error).split())
    return f"is no record of a run ({type(error).__name__}: {told[:200]})"


def _create(part: Path) -> None:
    create(part, TABLES)
    with closing(sqlite3.connect(part)) as base:
        base.execute("CREATE TABLE ledger_states (run TEXT PRIMARY KEY, state TEXT, broken TEXT)")
        base.execute("INSERT INTO ledger_states VALUES ('', ?, '')", (_LAYOUT,))
        for table in TABLES:
            base.execute(f'CREATE INDEX "{table.name}_by_run" ON "{table.name}" (run)')
        base.commit()


def _put(part: Path, rows: dict[str, Rows], replaced: Iterable[str], now: dict[str, tuple[str, str]]) -> None:
    """Replace the rows of some runs, in the order of their names."""
    with change(part, TABLES) as base:
        for name in replaced:
            for table in TABLES:
                base.execute(f'DELETE FROM "{table.name}" WHERE run = ?', (name,))  # noqa: S608 - our own names
            base.execute("DELETE FROM ledger_states WHERE run = ?", (name,))
            if name in now:
                base.execute("INSERT INTO ledger_states VALUES (?, ?, ?)", (name, *now[name]))
            if name not in rows:
                continue
            for title, values in rows[name].by_table().items():
                for row in values:
                    columns = ", ".join(f'"{c}"' for c in row)
                    marks = ", ".join("?" * len(row))
                    base.execute(
                        f'INSERT INTO "{title}" ({columns}) VALUES ({marks})',  # noqa: S608 - our own names
                        list(row.values()),
                    )


def _told(target: Path, now: dict[str, tuple[str, str]], taken: int, gone: int) -> Refreshed:
    folder = target.parent
    broken = [f"{folder / name / RECORD_NAME}: {why}" for name, (_, why) in sorted(now.items()) if why]
    return Refreshed(target, len(now) - len(broken), taken, gone, tuple(broken))


def _remove_old_parts(root: Path) -> None:
    """Remove what a killed process left of a ledger; what is new may be somebody's at work."""
    for part in root.glob(f".part-*-{LEDGER_NAME}*"):
        with contextlib.suppress(OSError):
            if time.time() - part.stat().st_mtime > _OLD_PART:
                part.unlink()
