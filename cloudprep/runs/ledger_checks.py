"""What checkpoints say about a run: the answers of ``cloudprep checkpoints --json`` kept in its folder."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["PATTERN", "Checked", "checked", "files_of"]

PATTERN = "checkpoints*.json"
_LARGEST = 64_000_000
_TERRAIN = "dtm"


@dataclass
class Checked:
    """Accuracy of what a run delivered, m; None where nobody measured it.

    Parameters
    ----------
    rmse, rmse_vegetated : float or None
        Of its terrain model, on open ground and under plants.
    count : int or None
        Checkpoints that count for these.
    flights : dict of str to float
        On open ground, of delivered clouds, by the input.
    notes : list of str
        Which files were left out, and why.
    """

    rmse: float | None = None
    rmse_vegetated: float | None = None
    count: int | None = None
    flights: dict[str, float] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def files_of(folder: Path) -> list[Path]:
    """Return the answers that were kept in the folder of a run."""
    return sorted(p for p in folder.glob(PATTERN) if p.is_file())


def checked(record: Mapping[str, Any], folder: Path) -> Checked:
    """Return what the answers kept in the folder of a run say about what it delivered.

    Only what a run delivered counts, and no answer that is older than its results.

    Parameters
    ----------
    record : mapping
        Of the run.
    folder : Path
        Of the run.
    """
    found = Checked()
    outputs = {(folder / o["path"]).resolve(): o for o in record.get("outputs", [])}
    for path in files_of(folder):
        try:
            reason = "is too large"
            if path.stat().st_size <= _LARGEST:
                answer = json.loads(path.read_text(encoding="utf-8"))
                reason = _take(answer, path, folder, outputs, found)
        except (OSError, ValueError, LookupError, TypeError, AttributeError):
            reason = "is no answer of `cloudprep checkpoints --json`"
        if reason:
            found.notes.append(f"{path.name} {reason}")
    return found


def _take(answer: dict[str, Any], path: Path, folder: Path, outputs: dict[Path, Any], found: Checked) -> str:
    """Take over one answer; return why it is left out, if it is."""
    given = Path(answer["product"])
    open_ground, vegetated = answer["open_ground"], answer["vegetated"]
    places = [given.resolve(), (folder / given).resolve()]
    # A relative path started wherever the command was given: above the folder of the run, say.
    places += [o for o in outputs if not given.is_absolute() and o.parts[-len(given.parts) :] == given.parts]
    output = next((outputs[p] for p in places if p in outputs), None)
    if output is None:
        return f"is about {given}, which this run did not deliver"
    if path.stat().st_mtime_ns < (folder / output["path"]).stat().st_mtime_ns:
        return "is older than what it judges"
    rmse = _rmse(open_ground)
    if output["kind"] == "cloud":
        if rmse is not None:
            found.flights[output["source"]] = rmse
        return ""
    if Path(output["path"]).stem != _TERRAIN:
        return f"is about {given}, which is no whole terrain model"
    if found.count is not None:
        return "is a second answer about the terrain model: the first one counts"
    found.rmse, found.rmse_vegetated = rmse, _rmse(vegetated)
    found.count = sum(part["count"] for part in (open_ground, vegetated) if part is not None)
    return ""


def _rmse(part: dict[str, Any] | None) -> float | None:
    if part is None:
        return None
    value = float(part["rmse"])
    return value if math.isfinite(value) else None
