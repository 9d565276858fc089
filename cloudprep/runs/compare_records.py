"""What the records of two runs say differently: inputs, figures, stages, versions, gates."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, NamedTuple

from cloudprep.engine.record import RECORD_NAME, read_record
from cloudprep.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = ["Pair", "RunSide", "gate_changes", "open_run", "paired", "side_by_side", "told_changes"]

Record = dict[str, Any]


@dataclass(frozen=True)
class RunSide:
    """One of the two runs.

    Parameters
    ----------
    root : Path
        Its folder.
    record : dict
        Its record.
    """

    root: Path
    record: Record

    @property
    def inputs(self) -> list[Record]:
        """Its inputs."""
        return list(self.record.get("inputs", []))

    def outputs(self, *kinds: str) -> dict[str, Record]:
        """Return its deliverables of some kinds by their path below the folder; never a path outside it."""
        found = {str(o.get("path", "")): o for o in self.record.get("outputs", []) if o.get("kind") in kinds}
        return {path: output for path, output in found.items() if _inside(path)}

    def cloud_of(self, one: Record) -> Path | None:
        """Return the delivered cloud of an input; None where there is none in the record."""
        clouds = self.outputs("cloud")
        return next((self.root / path for path, o in clouds.items() if o.get("source") == one["path"]), None)

    @property
    def height_unit(self) -> float:
        """Metres in one unit of heights of its clouds."""
        return float((self.record.get("site") or {}).get("vertical_unit_m", 1.0))


class Pair(NamedTuple):
    """An input that both runs had.

    Parameters
    ----------
    first, second : dict
        As the records of both runs have it.
    same_file : bool
        Whether the files were the same, by their checksums; else only the names agree.
    """

    first: Record
    second: Record
    same_file: bool


def open_run(folder: Path) -> RunSide:
    """Return a finished run.

    Raises
    ------
    UsageError
        If the folder holds none.
    """
    record = read_record(folder)
    if record is not None:
        return RunSide(folder, record)
    if (folder / "batch.json").is_file():
        raise UsageError(f"{folder}: holds a batch of runs: name one of the folders in it")
    reason = "is no folder" if not folder.is_dir() else f"holds no finished run ({RECORD_NAME})"
    raise UsageError(f"{folder}: {reason}")


def paired(first: RunSide, second: RunSide) -> tuple[list[Pair], list[Record], list[Record]]:
    """Return the inputs of both runs, and those of only one of them.

    Inputs belong together if their checksums are equal; of those that are left, if their names are.
    """
    pairs: list[Pair] = []
    left, right = first.inputs, second.inputs
    for same_file, keys in ((True, (_both, _checksum)), (False, (_name,))):
        for key in keys:
            for one in list(left):
                if not key(one):
                    continue
                other = next((two for two in right if key(two) == key(one)), None)
                if other is not None:
                    pairs.append(Pair(one, other, same_file))
                    left.remove(one)
                    right.remove(other)
    order = {id(one): i for i, one in enumerate(first.inputs)}
    pairs.sort(key=lambda pair: order.get(id(pair.first), 0))
    return pairs, left, right


def _name(one: Record) -> str:
    return str(one["path"]).rstrip("/").rpartition("/")[2]


def _checksum(one: Record) -> str:
    return str(one.get("sha256", ""))


def _both(one: Record) -> tuple[str, str] | None:
    return (_checksum(one), _name(one)) if _checksum(one) else None


def _inside(path: str) -> bool:
    parts = PurePosixPath(path).parts
    return bool(parts) and not PurePosixPath(path).is_absolute() and ".." not in parts


def side_by_side(first: Mapping[str, Any], second: Mapping[str, Any]) -> dict[str, dict[str, float | None]]:
    """Return figures of both runs by name: ``first``, ``second``, and the ``difference`` if both have it."""
    found: dict[str, dict[str, float | None]] = {}
    for name in sorted({*first, *second}):
        a, b = _finite(first.get(name)), _finite(second.get(name))
        difference = _finite(b - a) if a is not None and b is not None else None
        found[name] = {"first": a, "second": b, "difference": difference}
    return found


def _finite(value: Any) -> float | None:
    return value if isinstance(value, int | float) and math.isfinite(value) else None


def told_changes(first: Record, second: Record) -> Iterator[tuple[str, str, str]]:
    """Give what was done differently: what kind of thing, which, and how, in words."""
    one, two = first.get("versions", {}), second.get("versions", {})
    for name in sorted({*one, *two}):
        if one.get(name) != two.get(name):
            yield (
                "version",
                name,
                f"{one.get(name, 'none')} in the first run, {two.get(name, 'none')} in the second",
            )
    yield from _stages(first.get("stages", []), second.get("stages", []))
    a, b = first.get("pipeline", {}), second.get("pipeline", {})
    for section in sorted({*a, *b} - {"stages", "gates"}):
        if a.get(section) != b.get(section):
            for key, told in _values(a.get(section), b.get(section)):
                yield "pipeline", f"{section}{f'.{key}' if key else ''}", told
    if a.get("gates", []) != b.get("gates", []):
        yield "pipeline", "gates", "the gates that are asked for differ"


def _stages(first: list[Record], second: list[Record]) -> Iterator[tuple[str, str, str]]:
    names = [[str(s.get("stage")) for s in stages] for stages in (first, second)]
    matcher = difflib.SequenceMatcher(a=names[0], b=names[1], autojunk=False)
    for what, i, j, k, m in matcher.get_opcodes():
        if what == "equal":
            for a, b in zip(first[i:j], second[k:m], strict=True):
                for key, told in _values(a.get("parameters"), b.get("parameters")):
                    yield "parameter", f"{a['stage']}.{key}", told
            continue
        for stage in names[0][i:j]:
            yield "stage", stage, "only in the first run"
        for stage in names[1][k:m]:
            yield "stage", stage, "only in the second run"


def _values(first: Any, second: Any) -> Iterator[tuple[str, str]]:
    if isinstance(first, dict) and isinstance(second, dict):
        for key in sorted({*first, *second}):
            if first.get(key) != second.get(key):
                yield (
                    str(key),
                    f"{_shown(first.get(key))} in the first run, {_shown(second.get(key))} in the second",
                )
    else:
        yield "", f"{_shown(first)} in the first run, {_shown(second)} in the second"


def _shown(value: Any) -> str:
    text = "none" if value is None else str(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


def gate_changes(first: Record, second: Record, pairs: list[Pair]) -> Iterator[tuple[str, str, str]]:
    """Give gates that went another way: name, outcome in the first run, outcome in the second."""
    there = {str(pair.second["path"]) for pair in pairs} | {""}
    same = {str(pair.first["path"]): str(pair.second["path"]) for pair in pairs} | {"": ""}
    before = dict(_gates(first, same))
    after = dict(_gates(second, {path: path for path in there}))
    for key in sorted({*before, *after}, key=str):
        one, two = before.get(key, "not asked for"), after.get(key, "not asked for")
        if one != two:
            flight = key[1].rstrip("/").rpartition("/")[2]
            yield f"{key[0]}{f' of {flight}' if flight else ''}", one, two


def _gates(
    record: Record, names: Mapping[str, str]
) -> Iterator[tuple[tuple[str, str, tuple[Any, ...]], str]]:
    for gate in record.get("gates", []):
        flight = names.get(str(gate.get("flight", "")))
        if flight is None:  # an input of one run only: that is told
            continue
        outcome = str(gate.get("outcome") or ("passed" if gate.get("passed") else "failed"))
        limits = gate.get("at_least"), gate.get("at_most"), gate.get("severity")
        key = str(gate["figure"]), flight, limits
        yield key, outcome.replace("_", " ")
