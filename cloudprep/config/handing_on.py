"""Checks that working columns are made before they are needed, and that somebody reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.errors import UsageError
from cloudprep.model.columns import WORKING_COLUMNS
from cloudprep.stages.registry import stage_class, stage_names

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cloudprep.stages.base import Stage

__all__ = ["handing_on_problems"]

Placed = tuple[int, "type[Stage]"]


def handing_on_problems(stages: Sequence[Placed], count: int) -> Iterator[tuple[int, str, bool]]:
    """Yield what is wrong, or strange, about the columns that stages hand to later ones.

    Parameters
    ----------
    stages : sequence of (int, stage class)
        The stages that could be found, with their places in the file.
    count : int
        Entries in the file, those that couldn't be found included.

    Yields
    ------
    place : int
        Which entry it is about.
    text : str
        What to say.
    wrong : bool
        Whether the pipeline can't run; otherwise it is a warning.
    """
    found = {i for i, _ in stages}
    made: set[str] = set()
    for n, (i, stage) in enumerate(stages):
        later = stages[n + 1 :]
        missing = [c for c in stage.needs if c in WORKING_COLUMNS and c not in made]
        # A stage that couldn't be found was reported: it may be the one that makes them.
        if missing and found.issuperset(range(i)):
            yield (
                i,
                f"needs {_quoted(missing)}, which no stage before it provides{_hint(missing, later)}",
                True,
            )
        late = [c for c in stage.uses if c in WORKING_COLUMNS and c not in made]
        for j, other in later:
            if set(late) & set(other.provides):
                yield i, f"would use what stages[{j}] {other.name} hands on, but comes before it", False
                break
        made.update(stage.provides)
        working = [c for c in stage.provides if c in WORKING_COLUMNS]
        unread = len(found) == count and not any({*s.needs, *s.uses} & set(working) for _, s in later)
        if working and len(working) == len(stage.provides) and unread:
            yield i, f"works out {_quoted(working)} for later stages, but none of them reads it", False


def _quoted(names: Sequence[str]) -> str:
    *most, last = [f"'{name}'" for name in names]
    return f"{', '.join(most)} and {last}" if most else last


def _hint(missing: Sequence[str], later: Sequence[Placed]) -> str:
    """Return which stage makes the columns, in the file or in the registry."""
    for j, stage in later:
        if set(missing) <= set(stage.provides):
            return f": move stages[{j}] {stage.name} before it"
    makers = [name for name in stage_names() if set(missing) <= _provided_by(name)]
    return f": put '- stage: {makers[0]}' before it" if makers else ""


def _provided_by(name: str) -> set[str]:
    try:
        return set(stage_class(name).provides)
    except UsageError:  # a broken stage of a third party is no help here, and no harm
        return set()
