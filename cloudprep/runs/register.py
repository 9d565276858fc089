"""What a watched folder has come to: which captures were taken, and what became of them, kept in SQLite.

A capture is known by what it holds (the checksums of its flights) and by the pipeline; where it lies and what
it is called plays no role. Each step is one transaction. Before a run its row says that it is being worked on
and in which folder; afterwards what came of it. Whatever happens in between, the row says where to look.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Self

from cloudprep.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path
    from types import TracebackType

    from cloudprep.runs.inbox import Capture

__all__ = ["DELIVERED", "REGISTER_NAME", "Entry", "Register", "identity_of"]

REGISTER_NAME = "watch.sqlite"
WORKING = "being worked on"
INTERRUPTED = "interrupted"
SET_ASIDE = "set aside"
DUPLICATE = "duplicate"
DONE, GATE_FAILED, IN_PART = "delivered", "delivered, a gate failed", "delivered in part"
DELIVERED = (DONE, GATE_FAILED, IN_PART)
_LAYOUT = 1
_TABLES = """
CREATE TABLE captures (
  id INTEGER PRIMARY KEY,
  place TEXT NOT NULL,      -- below the inbox
  inbox TEXT NOT NULL,
  state TEXT NOT NULL,
  reason TEXT NOT NULL,
  folder TEXT,              -- of its run, below the folder of the register
  same_as INTEGER REFERENCES captures (id),
  identity TEXT NOT NULL,   -- checksum of its flights' checksums; empty where they could not be read
  pipeline TEXT NOT NULL,   -- checksum of the pipeline
  pipeline_name TEXT NOT NULL,
  signature TEXT NOT NULL,  -- of its files' names, sizes and times
  begun INTEGER NOT NULL,   -- how often its run was begun and not ended in any way
  told INTEGER NOT NULL DEFAULT 0,  -- whether the exit code of a watch that came to its end told of its state
  taken TEXT,
  ended TEXT);
-- One row, and so one delivery, for what a capture holds under a pipeline; others say that they are the same.
CREATE UNIQUE INDEX once ON captures (identity, pipeline) WHERE same_as IS NULL AND identity <> '';
CREATE UNIQUE INDEX one_folder ON captures (folder COLLATE NOCASE);
CREATE INDEX by_place ON captures (place);
CREATE TABLE flights (
  capture INTEGER NOT NULL REFERENCES captures (id) ON DELETE CASCADE, sha256 TEXT NOT NULL,
  PRIMARY KEY (sha256, capture));
CREATE TABLE seen (
  inbox TEXT NOT NULL, path TEXT NOT NULL, size INTEGER NOT NULL, modified_ns INTEGER NOT NULL,
  since REAL NOT NULL,      -- when it was first seen so, seconds since 1970
  sha256 TEXT NOT NULL DEFAULT '', PRIMARY KEY (inbox, path));
"""
_FIELDS = "id, place, state, reason, folder, same_as, identity, signature, begun"


@dataclass(frozen=True)
class Entry:
    """A row about a capture; see the comments in the table."""

    id: int
    place: str
    state: str
    reason: str
    folder: str | None
    same_as: int | None
    identity: str
    signature: str
    begun: int


def identity_of(checksums: Sequence[str]) -> str:
    """Return what a capture is known by: the same for any order and any names of its flights."""
    if len(checksums) == 1:
        return checksums[0]
    return hashlib.sha256("\n".join(sorted(checksums)).encode()).hexdigest()


class Register:
    """The register of one folder of results; a context that closes it.

    Parameters
    ----------
    path : Path
        The database; made if there is none.
    inbox : str
        The watched folder, which the same register may know several of.
    pipeline, pipeline_name : str
        Checksum and name of the pipeline.

    Raises
    ------
    OutputError
        If it can't be read or written.
    """

    def __init__(self, path: Path, inbox: str, pipeline: str, pipeline_name: str) -> None:
        self._path = path
        self._inbox = inbox
        self._pipeline = pipeline
        self._name = pipeline_name
        self.is_new = False
        with self._said():
            self._base = sqlite3.connect(path, isolation_level=None, timeout=60.0)
            self.mode = self._base.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            # Each step is on the disk before the next begins, also when the power fails.
            self._base.execute("PRAGMA synchronous = FULL")
            self._base.execute("PRAGMA foreign_keys = ON")
            self._prepare()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._base.close()

    def _prepare(self) -> None:
        (layout,) = self._base.execute("PRAGMA user_version").fetchone()
        if layout == _LAYOUT:
            return
        if layout:
            raise OutputError(f"{self._path}: another version of cloudprep keeps this register")
        if self._base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise OutputError(f"{self._path}: is no register of a watched folder: move it away")
        self.is_new = True
        # All or nothing: a script would commit whatever is under way.
        self._base.executescript(f"BEGIN IMMEDIATE; {_TABLES} PRAGMA user_version = {_LAYOUT}; COMMIT;")

    @contextmanager
    def _said(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise OutputError(f"{self._path}: can't be read or written: {error}") from error

    @contextmanager
    def _step(self) -> Iterator[sqlite3.Connection]:
        """Give one transaction: whatever happens within, all of it holds or nothing does."""
        with self._said():
            self._base.execute("BEGIN IMMEDIATE")
            try:
                yield self._base
            except BaseException:
                self._base.execute("ROLLBACK")
                raise
            self._base.execute("COMMIT")

    # -- what is seen ----------------------------------------------------------------------------------------

    def stands_still_since(self, capture: Capture, now: float) -> float:
        """Note a capture's files as they are seen now; return since when none of them has changed.

        Parameters
        ----------
        capture : Capture
            As it lies there.
        now : float
            Seconds since 1970.
        """
        with self._said():
            rows = self._base.execute(
                "SELECT path, size, modified_ns, since FROM seen"
                " WHERE inbox = ? AND (path = ? OR path GLOB ?)",
                (self._inbox, capture.place, f"{_escaped(capture.place)}/*"),
            )
            known = {path: (size, modified, since) for path, size, modified, since in rows}
        latest, changed = 0.0, []
        for file in capture.files:
            size, modified, since = known.get(file.path, (-1, -1, now))
            if (size, modified) != (file.size, file.modified_ns) or since > now:  # a clock that was put back
                changed.append((self._inbox, file.path, file.size, file.modified_ns, now))
                since = now
            latest = max(latest, since)
        gone = known.keys() - {f.path for f in capture.files}
        if gone:  # a folder that just lost a file isn't at rest
            latest = now
            changed = [(self._inbox, f.path, f.size, f.modified_ns, now) for f in capture.files]
        if changed or gone:
            with self._step() as base:
                base.executemany(
                    "INSERT OR REPLACE INTO seen (inbox, path, size, modified_ns, since)"
                    " VALUES (?, ?, ?, ?, ?)",
                    changed,
                )
                base.executemany(
                    "DELETE FROM seen WHERE inbox = ? AND path = ?", [(self._inbox, path) for path in gone]
                )
        return latest

    def checksum(self, path: str, size: int, modified_ns: int, work_out: Callable[[], str]) -> str:
        """Return the checksum of a file that was seen: as it was worked out before, or now.

        Parameters
        ----------
        path : str
            Below the inbox.
        size, modified_ns : int
            As it is.
        work_out : callable
            Gives the checksum.
        """
        with self._said():
            row = self._base.execute(
                "SELECT sha256 FROM seen WHERE inbox = ? AND path = ? AND size = ? AND modified_ns = ?",
                (self._inbox, path, size, modified_ns),
            ).fetchone()
        if row is not None and row[0]:
            return str(row[0])
        found = work_out()
        with self._step() as base:
            base.execute(
                "UPDATE seen SET sha256 = ? WHERE inbox = ? AND path = ? AND size = ? AND modified_ns = ?",
                (found, self._inbox, path, size, modified_ns),
            )
        return found

    # -- what becomes of it ----------------------------------------------------------------------------------

    def decided(self) -> dict[str, str]:
        """Return the signatures of the captures of this inbox about which nothing is left to do, by place."""
        with self._said():
            rows = self._base.execute(
                "SELECT place, signature FROM captures WHERE inbox = ? AND pipeline = ?"
                " AND state NOT IN (?, ?) ORDER BY coalesce(ended, ''), id",
                (self._inbox, self._pipeline, WORKING, INTERRUPTED),
            )
            return dict(rows.fetchall())

    def at_work(self) -> list[Entry]:
        """Return the captures that were being worked on when the last process ended."""
        return self._entries("state = ? AND pipeline = ?", WORKING, self._pipeline)

    def entry(self, number: int) -> Entry:
        """Return one row."""
        return self._entries("id = ?", number)[0]

    def set_aside_now(self) -> list[Entry]:
        """Return the captures of this inbox that are set aside."""
        return self._entries(
            "state = ? AND inbox = ? AND pipeline = ?", SET_ASIDE, self._inbox, self._pipeline
        )

    def news(self) -> set[str]:
        """Return the states of the captures of this inbox that no exit code has told of yet."""
        with self._said():
            rows = self._base.execute(
                "SELECT DISTINCT state FROM captures WHERE NOT told AND inbox = ? AND pipeline = ?",
                (self._inbox, self._pipeline),
            )
            return {state for (state,) in rows}

    def note_told(self) -> None:
        """Note that an exit code tells of the state of all captures of this inbox."""
        with self._step() as base:
            base.execute(
                "UPDATE captures SET told = 1 WHERE NOT told AND inbox = ? AND pipeline = ?",
                (self._inbox, self._pipeline),
            )

    def _entries(self, where: str, *values: object) -> list[Entry]:
        with self._said():
            rows = self._base.execute(f"SELECT {_FIELDS} FROM captures WHERE {where} ORDER BY id", values)  # noqa: S608 - our own words
            return [Entry(*row) for row in rows]

    def holds(self, checksums: Sequence[str]) -> Entry | None:
        """Return the delivered capture that holds all these flights, if there is one."""
        kinds = sorted(set(checksums))
        with self._said():
            row = self._base.execute(
                "SELECT f.capture FROM flights f JOIN captures c ON c.id = f.capture"
                " WHERE f.sha256 IN (SELECT value FROM json_each(?)) AND c.pipeline = ? AND c.same_as IS NULL"
                " AND c.state IN (?, ?, ?) GROUP BY f.capture HAVING count(*) = ?"
                " ORDER BY f.capture LIMIT 1",
                (json.dumps(kinds), self._pipeline, *DELIVERED, len(kinds)),
            ).fetchone()
        return None if row is None else self.entry(row[0])

    def same(self, identity: str) -> Entry | None:
        """Return the capture that holds just this, if there is one."""
        found = self._entries("identity = ? AND pipeline = ? AND same_as IS NULL", identity, self._pipeline)
        return found[0] if found else None

    def checksums(self, number: int) -> set[str]:
        """Return the checksums of a capture's flights."""
        with self._said():
            rows = self._base.execute("SELECT sha256 FROM flights WHERE capture = ?", (number,))
            return {checksum for (checksum,) in rows}

    def adopt(self, folder: str, checksums: Sequence[str], state: str) -> Entry:
        """Note a delivery that the register did not know: where its capture lies shows when it is found."""
        with self._step() as base:
            cursor = base.execute(
                "INSERT INTO captures (place, inbox, state, reason, folder, identity, pipeline,"
                " pipeline_name, signature, begun, told, ended) VALUES (?, ?, ?, ?, ?, ?, ?, ?, '', 0, 1, ?)",
                (
                    *(folder, self._inbox, state, "taken over from the record of its run", folder),
                    *(identity_of(checksums), self._pipeline, self._name, _now()),
                ),
            )
            number = int(cursor.lastrowid or 0)
            self._keep_checksums(number, checksums)
        return self.entry(number)

    def _keep_checksums(self, number: int, checksums: Sequence[str]) -> None:
        self._base.execute("DELETE FROM flights WHERE capture = ?", (number,))
        self._base.executemany(
            "INSERT INTO flights (capture, sha256) VALUES (?, ?)",
            [(number, c) for c in sorted(set(checksums))],
        )

    def claim(self, capture: Capture, checksums: Sequence[str], names: Iterator[str]) -> Entry:
        """Note that a capture is being worked on, and in which folder; return its row.

        What was begun and not delivered keeps its row and its folder, whatever it holds by now.

        Parameters
        ----------
        capture : Capture
            At rest, and whole.
        checksums : sequence of str
            Of its flights.
        names : iterator of str
            Names of folders to try; those that other captures have are passed over.
        """
        identity = identity_of(checksums)
        row = self.same(identity) or self._unfinished(capture.place)
        with self._step() as base:
            if row is None:
                folder = next(n for n in names if not self._is_taken(n))
                cursor = base.execute(
                    "INSERT INTO captures (place, inbox, state, reason, folder, identity, pipeline,"
                    " pipeline_name, signature, begun, taken) VALUES (?, ?, ?, '', ?, ?, ?, ?, ?, 1, ?)",
                    (
                        *(capture.place, self._inbox, WORKING, folder, identity, self._pipeline, self._name),
                        *(capture.signature, _now()),
                    ),
                )
                number = int(cursor.lastrowid or 0)
            else:
                number = row.id
                folder = row.folder or next(n for n in names if not self._is_taken(n))
                base.execute(
                    "UPDATE captures SET place = ?, inbox = ?, state = ?, reason = '', folder = ?, told = 0,"
                    " identity = ?, signature = ?, begun = begun + 1, taken = ?, ended = NULL WHERE id = ?",
                    (
                        *(capture.place, self._inbox, WORKING, folder, identity, capture.signature),
                        *(_now(), number),
                    ),
                )
            self._keep_checksums(number, checksums)
        return self.entry(number)

    def _unfinished(self, place: str) -> Entry | None:
        """Return the row of what lay in a place before, and was not delivered, or only in part."""
        found = self._entries(
            "place = ? AND inbox = ? AND pipeline = ? AND same_as IS NULL AND state IN (?, ?, ?, ?)",
            *(place, self._inbox, self._pipeline, WORKING, INTERRUPTED, SET_ASIDE, IN_PART),
        )
        return found[-1] if found else None

    def _is_taken(self, folder: str) -> bool:
        found = self._base.execute(
            "SELECT 1 FROM captures WHERE folder = ? COLLATE NOCASE LIMIT 1", (folder,)
        ).fetchone()
        return found is not None

    def settle(self, number: int, state: str, reason: str = "") -> None:
        """Note what came of a capture that was being worked on."""
        with self._step() as base:
            base.execute(
                "UPDATE captures SET state = ?, reason = ?, begun = 0, told = 0, ended = ? WHERE id = ?",
                (state, reason, _now(), number),
            )

    def keep_signature(self, number: int, capture: Capture) -> None:
        """Note that what was delivered lies there with other times, or in another place."""
        with self._step() as base:
            base.execute(
                "UPDATE captures SET place = ?, inbox = ?, signature = ? WHERE id = ?",
                (capture.place, self._inbox, capture.signature, number),
            )

    def interrupt(self, number: int, *, counts: bool = False) -> None:
        """Note that a capture was begun and not ended; it keeps its folder and is taken again.

        Parameters
        ----------
        number : int
            Its row.
        counts : bool
            Whether the process died over it.
        """
        with self._step() as base:
            base.execute(
                "UPDATE captures SET state = ?, begun = CASE WHEN ? THEN begun ELSE 0 END WHERE id = ?",
                (INTERRUPTED, counts, number),
            )

    def set_aside(self, capture: Capture, reason: str) -> None:
        """Note that a capture can't be taken as it lies there."""
        row = self._unfinished(capture.place)
        with self._step() as base:
            if row is None:
                base.execute(
                    "INSERT INTO captures (place, inbox, state, reason, identity, pipeline, pipeline_name,"
                    " signature, begun, ended) VALUES (?, ?, ?, ?, '', ?, ?, ?, 0, ?)",
                    (
                        *(capture.place, self._inbox, SET_ASIDE, reason, self._pipeline, self._name),
                        *(capture.signature, _now()),
                    ),
                )
            else:
                # What was delivered in part stays so, and so does what it says of itself.
                state = IN_PART if row.state == IN_PART else SET_ASIDE
                base.execute(
                    "UPDATE captures SET state = ?, reason = ?, signature = ?, begun = 0, told = 0, ended = ?"
                    " WHERE id = ?",
                    (state, reason, capture.signature, _now(), row.id),
                )

    def note_duplicate(self, capture: Capture, same_as: Entry) -> None:
        """Note that a capture holds what another one holds."""
        with self._step() as base:
            base.execute(
                "DELETE FROM captures WHERE place = ? AND inbox = ? AND pipeline = ? AND same_as IS NOT NULL",
                (capture.place, self._inbox, self._pipeline),
            )
            base.execute(
                "INSERT INTO captures (place, inbox, state, reason, same_as, identity, pipeline,"
                " pipeline_name, signature, begun, ended) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 0, ?)",
                (
                    *(capture.place, self._inbox, DUPLICATE, f"holds what {same_as.place} holds", same_as.id),
                    *(same_as.identity, self._pipeline, self._name, capture.signature, _now()),
                ),
            )


def _escaped(place: str) -> str:
    """Return a text that GLOB takes by the letter."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in place)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
