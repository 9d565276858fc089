"""From the record of a run to the rows of the ledger."""

from __future__ import annotations

import json
import math
import os
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import shapely

from cloudprep.engine.inputs import deliverable_stem
from cloudprep.engine.placing import NO_SYSTEM, NOT_PLACED, placed
from cloudprep.io.geopackage import geometry_blob
from cloudprep.runs.ledger_layout import FIGURE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cloudprep.runs.ledger_checks import Checked

__all__ = ["Rows", "rows_of"]

Row = dict[str, Any]
_UNREAD = "none: the input was not read whole"
_OLD = "none: the record of the run doesn't say where the points lie"
_OUTCOMES = ("passed", "failed", "warned", "not_judged")


@dataclass
class Rows:
    """Rows of one run by table; ``geom`` among the values where there is a geometry."""

    flights: list[Row] = field(default_factory=list)
    runs: list[Row] = field(default_factory=list)
    gates: list[Row] = field(default_factory=list)
    figures: list[Row] = field(default_factory=list)

    def by_table(self) -> dict[str, list[Row]]:
        """Return the rows under the names of their tables."""
        return {"flights": self.flights, "runs": self.runs, "gates": self.gates, "figures": self.figures}


def rows_of(record: Mapping[str, Any], folder: Path, root: Path, checked: Checked) -> Rows:
    """Return what a ledger says about a run.

    Parameters
    ----------
    record : mapping
        What ``run.json`` holds.
    folder, root : Path
        Of the run; of the ledger.
    checked : Checked
        What checkpoints say about what the run delivered.

    Raises
    ------
    LookupError, TypeError, ValueError, AttributeError
        If the record isn't what a run writes.
    """
    run = folder.relative_to(root).as_posix()
    names = _names([one["path"] for one in record["inputs"]], root)
    rows = Rows()
    polygons = []
    for one in record["inputs"]:
        where, outline = _outline(one, record)
        if where is not None:
            polygons.append(where)
        rows.flights.append(
            {
                "run": run,
                **names[one["path"]],
                "status": one["status"],
                "reason": one.get("reason", ""),
                "points": one["points"] if one["status"] == "done" else None,
                **_shown(_figures_of(one, record)),
                "rmse": checked.flights.get(one["path"]),
                "seconds": _number(record["seconds"]) if len(record["inputs"]) == 1 else None,
                **_counts(record, one["path"], ("failed", "warned")),
                "warnings": len(one.get("warnings", [])),
                "size_bytes": one["size_bytes"],
                "sha256": one["sha256"],
                "reference_system": one.get("reference_system", ""),
                "outline": outline,
                "geom": _blob(where),
            }
        )
        rows.figures += [
            {"run": run, **names[one["path"]], "figure": name, "value": _number(value)}
            for name, value in one.get("figures", {}).items()
        ]
    rows.figures += [
        {"run": run, "flight": "", "input": "", "figure": name, "value": _number(value)}
        for name, value in record.get("figures", {}).items()
    ]
    rows.gates += [_gate(gate, run, names) for gate in record.get("gates", [])]
    rows.runs.append(_run(record, run, polygons, checked))
    return rows


def _run(record: Mapping[str, Any], run: str, polygons: Sequence[Any], checked: Checked) -> Row:
    site = record.get("site") or {}
    source = str(record["pipeline_source"])
    where = outline = None
    if polygons:
        where, outline = _joined(polygons), "points"
    elif site:
        where, outline = _box(site, record)
    return {
        "run": run,
        "status": record["status"],
        "pipeline": Path(source).stem,
        "pipeline_source": source,
        "started": _time(record["started"]),
        "finished": _time(record["finished"]),
        "seconds": _number(record["seconds"]),
        "version": record["versions"]["cloudprep"],
        "versions": json.dumps(record["versions"]),
        "flights": len(record["inputs"]),
        "flights_failed": sum(one["status"] != "done" for one in record["inputs"]),
        "points": site.get("points"),
        **_shown({"points.spacing": site.get("spacing_m"), **record.get("figures", {})}),
        "rmse": checked.rmse,
        "rmse_vegetated": checked.rmse_vegetated,
        "checkpoints": checked.count,
        **_counts(record, None, _OUTCOMES),
        "warnings": len(record.get("warnings", [])),
        "notes": "; ".join(checked.notes),
        "reference_system": site.get("reference_system", ""),
        "outline": outline or _UNREAD,
        "geom": _blob(where),
    }


def _names(paths: Sequence[str], root: Path) -> dict[str, Row]:
    """Return names and paths of inputs: paths below the ledger's folder from there on, others as they are."""
    found = {}
    for text in paths:
        path = text
        if "://" not in text and os.path.isabs(text):  # noqa: PTH117 - a text
            inside = Path(text)
            for above in dict.fromkeys((root, root.resolve())):
                if inside.is_relative_to(above):
                    path = inside.relative_to(above).as_posix()
                    break
        found[text] = {"flight": deliverable_stem(Path(text.rstrip("/"))), "input": path}
    return found


def _figures_of(one: Mapping[str, Any], record: Mapping[str, Any]) -> dict[str, Any]:
    """Return the figures of an input; of the only one of a run, those of the run too: they are the same."""
    own = dict(one.get("figures", {}))
    if len(record["inputs"]) > 1 or one["status"] != "done":
        return own
    site = record.get("site") or {}
    return {"points.spacing": site.get("spacing_m"), **record.get("figures", {}), **own}


def _shown(figures: Mapping[str, Any]) -> Row:
    return {column: _number(figures.get(name)) for column, name in FIGURE_COLUMNS.items()}


def _number(value: Any) -> float | None:
    if value is None or isinstance(value, bool):
        return None
    number = float(value)
    return number if math.isfinite(number) else None


def _counts(record: Mapping[str, Any], flight: str | None, outcomes: Sequence[str]) -> Row:
    """Return how many gates went which way: of one flight, or (None) all of the run and its flights."""
    gates = [g for g in record.get("gates", []) if flight is None or g.get("flight", "") == flight]
    return {f"gates_{word}": sum(_outcome(g) == word for g in gates) for word in outcomes}


def _outcome(gate: Mapping[str, Any]) -> str:
    return str(gate.get("outcome") or ("passed" if gate["passed"] else "failed"))


def _gate(gate: Mapping[str, Any], run: str, names: Mapping[str, Row]) -> Row:
    flight = gate.get("flight", "")
    return {
        "run": run,
        **names.get(flight, {"flight": flight, "input": flight}),
        "figure": gate["figure"],
        "value": _number(gate.get("value")),
        "unit": gate.get("unit", ""),
        "at_least": _number(gate.get("at_least")),
        "at_most": _number(gate.get("at_most")),
        "severity": gate.get("severity", "fail"),
        "outcome": _outcome(gate),
        "reason": gate.get("reason", ""),
    }


def _outline(one: Mapping[str, Any], record: Mapping[str, Any]) -> tuple[Any | None, str]:
    """Return where the points of an input lie, in WGS 84, and where that was taken from."""
    text = one.get("outline", "")
    if not text:
        if one["status"] == "done" and len(record["inputs"]) == 1 and record.get("site"):
            return _box(record["site"], record)
        return None, _UNREAD if one["status"] != "done" else _OLD
    systems = record.get("reference_systems", {})
    # A flight that carries none lies in the system of the others, as the record says among what was assumed.
    site = (record.get("site") or {}).get("reference_system", "")
    wkt = systems.get(one.get("reference_system", "")) or systems.get(site)
    return _placed(shapely.from_wkt(text), wkt, "points")


def _box(site: Mapping[str, Any], record: Mapping[str, Any]) -> tuple[Any | None, str]:
    wkt = record.get("reference_systems", {}).get(site["reference_system"])
    return _placed(shapely.box(*site["bounds"]), wkt, "bounds")


def _placed(polygons: Any, wkt: str | None, source: str) -> tuple[Any | None, str]:
    if not wkt:
        return None, NO_SYSTEM
    found = placed(polygons, wkt)
    return (found, source) if found is not None else (None, NOT_PLACED)


def _joined(polygons: Sequence[Any]) -> Any:
    joined = shapely.union_all(polygons)
    return shapely.MultiPolygon([p for p in shapely.get_parts(joined) if p.geom_type == "Polygon"])


def _blob(polygons: Any | None) -> bytes | None:
    return None if polygons is None else geometry_blob(polygons)


def _time(text: str) -> str:
    """Return a time as the standard writes it.

    >>> _time("2026-03-01T12:00:05+01:00")
    '2026-03-01T11:00:05.000Z'
    """
    return datetime.fromisoformat(text).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")
