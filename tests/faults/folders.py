"""What a run's folder holds, told so that two runs of the same thing can be compared byte by byte."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

# What a record says of the moment, the machine and the place, and not of the result.
OF_THE_MOMENT = frozenset(
    {"started", "finished", "seconds", "peak_memory_bytes", "scratch_bytes", "pipeline_source", "blocks"}
)
RECORDS = ("run.json", "batch.json")
REPORT = "report.html"
PART = ".part-"
LEDGER = "ledger.gpkg"
# Names what an unfinished run has delivered so far; says who works in the folder.
JOURNAL, LOCK = ".unfinished", ".in-use"


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file below a folder by its name; those of records without the moment."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() or path.is_symlink():
            data = path.read_bytes()
            found[path.relative_to(folder).as_posix()] = timeless(path.name, data, folder)
    return found


def timeless(name: str, data: bytes, root: Path) -> bytes:
    """Return a file's bytes; without times, and records without memory and the place of the folder."""
    if name == REPORT:
        return re.sub(rb"<time\b[^>]*>[^<]*</time>", b"<time/>", data)
    if name == LEDGER:
        return repr(drawn(data)).replace(str(root), "<folder>").encode()
    if name not in RECORDS:
        return data
    text = json.dumps(_without(json.loads(data)), indent=1, sort_keys=True)
    return text.replace(str(root), "<folder>").encode()


def drawn(data: bytes) -> dict[str, list[str]]:
    """Return the rows of a ledger in any order, without their numbers and what they say of the moment."""
    base = sqlite3.connect(":memory:")
    base.deserialize(data)
    base.row_factory = sqlite3.Row
    found = {}
    for table in ("flights", "runs", "gates", "figures"):
        rows = [dict(row) for row in base.execute(f"SELECT * FROM {table}")]  # noqa: S608 - our own names
        kept = [{k: v for k, v in row.items() if k != "fid" and k not in OF_THE_MOMENT} for row in rows]
        found[table] = sorted(repr(row) for row in kept if row.get("figure") != "seconds")
    base.close()
    return found


def _without(value: Any) -> Any:
    if isinstance(value, dict):
        # The report says when the run was, so its checksum is another one each time.
        left_out = OF_THE_MOMENT | {"sha256"} if value.get("kind") == "report" else OF_THE_MOMENT
        return {k: _without(v) for k, v in value.items() if k not in left_out}
    if isinstance(value, list):
        return [_without(v) for v in value]
    return value


def halves(folder: Path) -> list[str]:
    """Return the names of temporary files and folders below a folder."""
    return [
        p.relative_to(folder).as_posix()
        for p in sorted(folder.rglob("*"))
        if any(part.startswith(PART) for part in p.relative_to(folder).parts)
    ]


def deliverables(folder: Path) -> dict[str, bytes]:
    """Return what `contents` does, without temporary files and what only an unfinished run has."""
    left_out = {*halves(folder), JOURNAL, LOCK}
    return {name: data for name, data in contents(folder).items() if name not in left_out}


def checksums(folder: Path) -> dict[str, tuple[str, int]]:
    """Return SHA-256 and time of change of every file below a folder."""
    return {
        p.relative_to(folder).as_posix(): (hashlib.sha256(p.read_bytes()).hexdigest(), p.stat().st_mtime_ns)
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }
