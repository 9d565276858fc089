"""From what was typed (files, folders, globs) to the list of flights, and the name of each deliverable."""

from __future__ import annotations

import glob
import os
from pathlib import Path
from typing import TYPE_CHECKING

from cloudprep.engine.urls import local_path
from cloudprep.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

CLOUD_ENDINGS = (".las", ".laz")


def _is_cloud(path: Path) -> bool:
    return path.suffix.lower() in CLOUD_ENDINGS and not path.name.startswith(".part-")


def _in_earlier_run(path: Path, below: Path) -> Path | None:
    """Return the folder of the run that delivered a cloud, where that folder lies below the one given."""
    for folder in path.parents:
        if folder == below:
            return None
        if folder.name == "clouds" and (folder.parent / "run.json").is_file() and folder.parent != below:
            return folder.parent
    return None


def expand_inputs(
    inputs: Iterable[str], *, leave_out: Path | None = None, note: Callable[[str], None] | None = None
) -> list[Path]:
    """Return the flights that files, folders (recursive) and globs name, each once, in a stable order.

    Parameters
    ----------
    inputs : iterable of str
        Paths, ``file://`` URLs of this machine, or glob patterns. A named file is taken whatever its ending
        (its content decides); folders give their ``.las`` and ``.laz`` files, any letter case.
    leave_out : Path, optional
        A folder whose content is not input: the output folder, when it lies inside an input folder.
    note : callable, optional
        Told about what else was left out: deliverables of earlier runs below an input folder, which would
        count every point twice. They are taken when they are named.

    Returns
    -------
    list of Path
        Sorted within each input, in the order in which the inputs were given.

    Raises
    ------
    UsageError
        If an input names nothing, with every such input in the message.
    """
    found: dict[Path, Path] = {}
    empty: list[str] = []
    barred = leave_out.resolve() if leave_out is not None else None
    for text in inputs:
        place = local_path(text)
        path = Path(place)
        if path.is_dir():
            paths = sorted(p for p in path.rglob("*") if _is_cloud(p) and p.is_file())
            paths = [p for p in paths if barred is None or barred not in p.resolve().parents]
            runs = {p: _in_earlier_run(p, path) for p in paths}
            paths = [p for p in paths if runs[p] is None]
            if note is not None:
                for run in dict.fromkeys(r for r in runs.values() if r is not None):
                    note(f"{run}: holds an earlier run; its clouds are left out")
            nothing = f"{text}: no .las or .laz file in this folder"
        elif path.exists() or path.is_symlink():
            paths, nothing = [path], ""
        else:
            matches = sorted(Path(p) for p in glob.glob(place, recursive=True))  # noqa: PTH207 - absolute patterns too
            paths = [p for p in matches if p.is_file() and _is_cloud(p)]
            is_pattern = glob.escape(place) != place
            nothing = f"{text}: {'nothing matches' if is_pattern else 'no such file or folder'}"
        if not paths:
            empty.append(nothing)
        for p in paths:
            found.setdefault(Path(os.path.realpath(p)), p)
    if empty:
        raise UsageError("\n".join(empty))
    if not found:
        raise UsageError("no inputs were given")
    return list(found.values())


def deliverable_stem(path: Path) -> str:
    """Return the name of a flight without its ending (``.copc.laz`` counts as one ending).

    >>> deliverable_stem(Path("a/North 1.COPC.laz"))
    'North 1'
    """
    stem = path.stem if path.suffix.lower() in CLOUD_ENDINGS else path.name
    return stem[: -len(".copc")] if stem.lower().endswith(".copc") and len(stem) > len(".copc") else stem


def deliverable_names(paths: Sequence[Path]) -> list[str]:
    """Return a distinct stem for each flight.

    Flights of the same name in different folders get the names of the folders in front that tell them apart
    (``day1_flight``); names that differ only in letter case count as the same, since on some file systems
    they are.

    Raises
    ------
    UsageError
        If no number of folders tells two flights apart (``a.las`` beside ``a.laz``).
    """
    stems = [deliverable_stem(p) for p in paths]
    names = list(stems)
    for depth in range(1, 64):
        clashes = _repeated(names)
        if not clashes:
            return names
        for i, path in enumerate(paths):
            if names[i].casefold() in clashes:
                parents = [p for p in path.resolve().parent.parts if p != path.anchor][-depth:]
                names[i] = "_".join([*parents, stems[i]])
    clashes = _repeated(names)
    both = ", ".join(str(p) for p, n in zip(paths, names, strict=True) if n.casefold() in clashes)
    raise UsageError(f"these inputs would be delivered under the same name; rename one: {both}")


def _repeated(names: Iterable[str]) -> set[str]:
    seen: set[str] = set()
    repeated: set[str] = set()
    for name in names:
        key = name.casefold()
        (repeated if key in seen else seen).add(key)
    return repeated
