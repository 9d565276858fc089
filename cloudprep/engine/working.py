"""How long columns are held: from the stage that makes them, or the start, to whoever reads them last."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.model.columns import EXTRA_LABELS, WORKING_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from cloudprep.stages.base import Stage


def kept_after(stages: Sequence[Stage]) -> list[frozenset[str]]:
    """Return for each stage which working columns must be kept once it is done.

    Parameters
    ----------
    stages : sequence of Stage
        In the order in which they work.
    """
    kept: list[frozenset[str]] = []
    for i, held in enumerate(held_during(stages)):
        kept.append(frozenset(n for n in held if _read_later(n, stages[i + 1 :])))
    return kept


def held_during(stages: Sequence[Stage]) -> list[frozenset[str]]:
    """Return for each stage which working columns are in memory at its end, its own included."""
    held: list[frozenset[str]] = []
    there: set[str] = set()
    for i, stage in enumerate(stages):
        there |= set(stage.provides) & set(WORKING_COLUMNS)
        held.append(frozenset(there))
        there = {n for n in there if _read_later(n, stages[i + 1 :])}
    return held


def read_after(stages: Sequence[Stage], at_the_end: Iterable[str]) -> list[frozenset[str]]:
    """Return for each stage which columns anyone reads once it is done, working ones aside.

    Parameters
    ----------
    stages : sequence of Stage
        In the order in which they work.
    at_the_end : iterable of str
        Columns that are read when all of them are done.
    """
    read = [frozenset(at_the_end)]
    for stage in reversed(stages[1:]):
        read.append(read[-1] | {*stage.needs, *stage.uses, *stage.provides})
    return [names.difference(WORKING_COLUMNS) for names in reversed(read[: len(stages)])]


def _read_later(name: str, later: Sequence[Stage]) -> bool:
    for stage in later:
        if name in stage.needs or name in stage.uses:
            return True
        if name in stage.provides:  # made anew before anyone reads it
            return False
    return False


def extra_labels(stages: Sequence[Stage]) -> dict[str, str]:
    """Return the labels without a field of the standard that stages provide, and the last stage to do so."""
    return {n: s.name for s in stages for n in EXTRA_LABELS if n in s.provides}
