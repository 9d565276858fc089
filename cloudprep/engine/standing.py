"""Whether a finished run still stands: the same was asked of the same inputs, and all it made is there.

Quick, since a batch asks it of hundreds of runs: files that nobody touched since are known by size and times,
and only the others are read again and held against their checksums. Times are never compared between machines
or disks. A file's time of change of state (``ctime``) can't be set by anyone, so one that was replaced by
another of the same size and time of modification shows, too.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cloudprep import __version__
from cloudprep.engine.urls import is_remote
from cloudprep.errors import EXIT_DONE, EXIT_GATE_FAILED, EXIT_INPUT_FAILED, BadInputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cloudprep.config import Pipeline
    from cloudprep.engine.request import RunRequest

__all__ = ["Standing", "asked_of", "exit_code_of", "standing", "standing_of"]

# Times of files may be as coarse as this (FAT has 2 s): a change so soon after another may not show.
_COARSEST_NS = 2_000_000_000
_MOST_NAMED = 3
_EXIT_CODES = {"done": EXIT_DONE, "gate_failed": EXIT_GATE_FAILED}


@dataclass(frozen=True)
class Standing:
    """How an earlier run in a folder stands.

    Parameters
    ----------
    record : dict or None
        What its ``run.json`` holds; None where there is none.
    reason : str
        Why it has to be done, or done again; empty where it may be left alone.
    """

    record: dict[str, Any] | None
    reason: str

    @property
    def stands(self) -> bool:
        """Whether nothing is to be done."""
        return not self.reason


def exit_code_of(record: Mapping[str, Any]) -> int:
    """Return the exit code that a run with such a record had."""
    return _EXIT_CODES.get(str(record.get("status")), EXIT_INPUT_FAILED)


def asked_of(
    pipeline: Pipeline, *, cell: float | None, boundary: Path | None, assume_crs: str | None
) -> dict[str, Any]:
    """Return what is asked of a run as plain values, as its record keeps them (:class:`AskedRecord`).

    Parameters
    ----------
    pipeline : Pipeline
        As declared.
    cell, boundary, assume_crs
        As in :class:`RunRequest`.
    """
    from cloudprep.stages.registry import BUILT_IN, stage_package  # noqa: PLC0415 - not needed to look at a batch

    names = {entry.stage for entry in pipeline.stages}
    return {
        "pipeline": pipeline.as_dict(),
        "pipeline_folder": str(pipeline.folder.resolve()),
        "added_stages": {name: stage_package(name) for name in sorted(names - set(BUILT_IN))},
        "cell": cell,
        "boundary": None if boundary is None else str(boundary.resolve()),
        "assume_crs": assume_crs,
    }


def standing_of(request: RunRequest) -> Standing:
    """Return how the run in a request's folder stands.

    Raises
    ------
    UsageError
        If the folder is a URL, or an input names nothing.
    """
    from cloudprep.engine.inputs import deliverable_names, expand_inputs  # noqa: PLC0415

    if not isinstance(request.out, Path):
        raise UsageError("--resume looks at the results of a folder of this machine: --out is a URL")
    asked = asked_of(
        request.pipeline, cell=request.cell, boundary=request.boundary, assume_crs=request.assume_crs
    )
    if any(is_remote(text) for text in request.inputs):
        there = standing(request.out, asked, [])
        if there.record is None:
            return there
        return Standing(there.record, "what lies at the URLs of inputs can't be told without fetching it")
    paths = expand_inputs(request.inputs, leave_out=request.out)
    return standing(request.out, asked, list(zip(deliverable_names(paths), paths, strict=True)))


def standing(root: Path, asked: Mapping[str, Any], inputs: Sequence[tuple[str, Path]]) -> Standing:
    """Return how the run in a folder stands.

    Parameters
    ----------
    root : Path
        Folder of the run.
    asked : mapping
        See :func:`asked_of`.
    inputs : sequence of (str, Path)
        The flights by the names of their deliverables.
    """
    from cloudprep.engine.record import RECORD_NAME, read_record  # noqa: PLC0415

    record = read_record(root)
    if record is None:
        begun = root.is_dir() and any(root.iterdir())
        return Standing(None, "it was not finished" if begun else "it is new")
    try:
        return Standing(
            record,
            _version_changed(record)
            or _asked_changed(record, asked)
            or _inputs_changed(record, inputs)
            or _given_changed(record, asked)
            or _outputs_changed(record, root, root / RECORD_NAME),
        )
    except (AttributeError, KeyError, TypeError, ValueError, OSError):
        return Standing(record, "its record can't be understood")


def _version_changed(record: Mapping[str, Any]) -> str:
    made_by = record["versions"]["cloudprep"]
    return "" if made_by == __version__ else f"cloudprep {made_by} made it, and this is {__version__}"


def _asked_changed(record: Mapping[str, Any], asked: Mapping[str, Any]) -> str:
    earlier = record.get("asked")
    if earlier is None:
        return "its record doesn't say what was asked"
    if earlier["pipeline"] != asked["pipeline"]:
        return f"pipeline changed ({_difference(earlier['pipeline'], asked['pipeline'])})"
    if earlier["added_stages"] != asked["added_stages"]:
        return "pipeline changed (another version of a stage that a third party added)"
    for option in ("cell", "boundary", "assume_crs"):
        if earlier[option] != asked[option]:
            return f"--{option.replace('_', '-')} changed"
    return ""


def _difference(earlier: Any, now: Any, place: str = "") -> str:
    """Return the first place where two pipelines differ, as a person would call it."""
    if isinstance(earlier, dict) and isinstance(now, dict):
        names = [earlier.get("stage"), now.get("stage")]
        if names[0] != names[1]:
            return f"{place}: {names[1]} instead of {names[0]}"
        place = f"{place} {names[0]}" if names[0] else place
        for key in (*earlier, *(k for k in now if k not in earlier)):
            if earlier.get(key) != now.get(key):
                return _difference(earlier.get(key), now.get(key), f"{place} '{key}'" if place else key)
    if isinstance(earlier, list) and isinstance(now, list):
        if len(earlier) != len(now):
            return f"{place}: {len(now)} instead of {len(earlier)}"
        for number, (a, b) in enumerate(zip(earlier, now, strict=True)):
            if a != b:
                return _difference(a, b, f"{place}[{number}]")
    return f"{place}: {now} instead of {earlier}"


def _inputs_changed(record: Mapping[str, Any], inputs: Sequence[tuple[str, Path]]) -> str:
    earlier = {one["name"]: one for one in record["inputs"]}
    here = dict(inputs)
    if more := [path.name for name, path in here.items() if name not in earlier]:
        return f"inputs came in: {_named(more)}"
    if fewer := [Path(one["path"]).name for name, one in earlier.items() if name not in here]:
        return f"inputs are no longer among them: {_named(fewer)}"
    failed = [path.name for name, path in here.items() if earlier[name].get("try_again")]
    if failed:
        return f"failed for a cause that may have passed: {_named(failed)}"
    # By then a change is told from what was read, however coarse the times are.
    settled = int(datetime.fromisoformat(record["started"]).timestamp() * 1e9) - _COARSEST_NS
    changed = [path.name for name, path in here.items() if not _is_same(path, earlier[name], settled)]
    return f"inputs changed: {_named(changed)}" if changed else ""


def _is_same(path: Path, earlier: Mapping[str, Any], settled: int) -> bool:
    """Tell whether a file is what a record says of it, reading it only if its times don't tell."""
    try:
        facts = path.stat()
    except OSError:
        return False
    if facts.st_size != earlier["size_bytes"]:
        return False
    times = facts.st_mtime_ns, facts.st_ctime_ns
    if times == (earlier["modified_ns"], earlier["changed_ns"]) and facts.st_ctime_ns < settled:
        return True
    return _has_checksum(path, earlier["sha256"])


def _has_checksum(path: Path, sha256: str) -> bool:
    from cloudprep.io.atomic import sha256_of  # noqa: PLC0415

    try:
        return sha256 != "" and sha256_of(path) == sha256
    except OSError:
        return False


def _given_changed(record: Mapping[str, Any], asked: Mapping[str, Any]) -> str:
    """Tell which vector files aren't what they were; they are small, and always read."""
    folder = Path(asked["pipeline_folder"])
    for one in record.get("given", []):
        from cloudprep.engine.given_layers import file_and_layer  # noqa: PLC0415

        texts = [s.get(one["parameter"]) for s in asked["pipeline"]["stages"] if s["stage"] == one["stage"]]
        paths = [file_and_layer(text, folder)[0] for text in texts if text]
        if not any(str(path.resolve()) == one["path"] for path in paths):
            return f"{one['stage']}: '{one['parameter']}' is another file"
        if not _has_vectors(Path(one["path"]), one["sha256"]):
            return f"{one['stage']}: '{one['parameter']}' changed: {Path(one['path']).name}"
    boundary = record.get("boundary")
    if boundary is not None:
        declared = asked["pipeline"].get("boundary") or {}
        path = Path(asked["boundary"] or folder / declared["file"])
        if not _has_vectors(path, boundary["sha256"]):
            return f"the boundary changed: {path.name}"
    return ""


def _has_vectors(path: Path, sha256: str) -> bool:
    from cloudprep.io.vector_files import vector_checksum  # noqa: PLC0415

    try:
        return vector_checksum(path) == sha256
    except BadInputError:
        return False


def _outputs_changed(record: Mapping[str, Any], root: Path, written_last: Path) -> str:
    """Tell which deliverables are gone or differ: read again where they changed after the record."""
    settled = written_last.stat().st_ctime_ns
    gone, changed = [], []
    for one in record["outputs"]:
        path = root / one["path"]
        try:
            facts = path.stat()
        except OSError:
            gone.append(one["path"])
            continue
        same = facts.st_size == one["size_bytes"]
        if not same or (facts.st_ctime_ns >= settled and not _has_checksum(path, one["sha256"])):
            changed.append(one["path"])
    if gone:
        return f"results are gone: {_named(gone)}"
    return f"results were changed: {_named(changed)}" if changed else ""


def _named(names: Sequence[str]) -> str:
    told = ", ".join(map(os.fspath, names[:_MOST_NAMED]))
    return told if len(names) <= _MOST_NAMED else f"{told} and {len(names) - _MOST_NAMED} more"
