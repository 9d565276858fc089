"""What tables of measurements have in common: never over an input, whole or not at all."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.urls import shown
from cloudprep.errors import OutputError, UsageError
from cloudprep.io.atomic import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray


_URL = re.compile(r"([A-Za-z][A-Za-z0-9+.\-]+(?:::[A-Za-z0-9+.\-]+)*):/+(?=[^/])")


def refuse_urls(command: str, *given: Path | str | None) -> None:
    """Refuse URLs, also those that became paths and lost a slash: measuring reads files of this machine.

    Raises
    ------
    UsageError
        With the URL, its secrets hidden.
    """
    for one in given:
        match = _URL.match(str(one)) if one is not None else None
        if match is not None and not Path(str(one)).exists():
            url = shown(f"{match[1]}://{str(one)[match.end() :]}")
            if match[1].lower() not in ("file", "local") or isinstance(one, Path):
                raise UsageError(f"{url}: {command} takes files of this machine, not URLs: fetch it first")


def refuse_inputs(targets: Iterable[Path], inputs: Iterable[Path | str | None]) -> None:
    """Refuse to write over what was read.

    Parameters
    ----------
    targets : iterable of Path
        What will be written.
    inputs : iterable of Path, str or None
        What was read; None counts for nothing.

    Raises
    ------
    OutputError
        Naming the first such file.
    """
    read = [Path(one) for one in inputs if one is not None]
    for target in targets:
        for one in read:
            same = target.resolve() == one.resolve()
            if same or (target.exists() and one.exists() and target.samefile(one)):
                raise OutputError(f"{target}: is an input; inputs are never changed: name another place")


def write_table(target: Path, rows: Sequence[Sequence[Any]]) -> Path:
    """Write rows as CSV (RFC 4180, but for line feeds alone at line ends), UTF-8.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    with whole_file(target) as part:
        part.write_text(text.getvalue(), encoding="utf-8")
    return target


def table_row(name: str, figures: Mapping[str, float | None], *ends: str) -> list[str]:
    """Return a table's row: a name, figures with four digits (nothing where there is none), and words."""
    return [name, *table_cells(figures), *ends]


def table_cells(figures: Mapping[str, float | None]) -> list[str]:
    """Return figures with four digits, nothing where there is none."""
    return ["" if v is None else f"{v:.4f}" for v in figures.values()]


def as_columns(rows: Sequence[Mapping[str, float | None]]) -> dict[str, NDArray[np.float64]]:
    """Return rows of figures as columns by their names, NaN where there is none."""
    return {name: np.array([np.nan if r[name] is None else r[name] for r in rows], float) for name in rows[0]}
