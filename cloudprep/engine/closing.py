"""The end of a run: its status, its exit code and the parts of its record."""

from __future__ import annotations

import resource
from typing import TYPE_CHECKING

from cloudprep.engine.peak import peak_of
from cloudprep.engine.record import ExtraDimensionRecord, OutputRecord, SiteRecord
from cloudprep.engine.reference import describe
from cloudprep.engine.working import extra_labels
from cloudprep.errors import EXIT_DONE, EXIT_GATE_FAILED, EXIT_INPUT_FAILED
from cloudprep.judging.words import gate_line, short_names
from cloudprep.model.columns import COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from cloudprep.engine.loading import Units
    from cloudprep.engine.record import OutputKind, RunRecord, Status
    from cloudprep.engine.tracking import TrackedInput
    from cloudprep.judging import GateRecord
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage


def status_of(inputs: Sequence[TrackedInput], gates: Sequence[GateRecord]) -> tuple[Status, int]:
    """Return the status of a run and its exit code; failed inputs weigh more than failed gates."""
    failed = [i for i in inputs if not i.alive]
    if failed:
        whole = len(failed) == len(inputs)
        return "all_inputs_failed" if whole else "some_inputs_failed", EXIT_INPUT_FAILED
    if any(g.outcome == "failed" for g in gates):
        return "gate_failed", EXIT_GATE_FAILED
    return "done", EXIT_DONE


def site_record(site: SiteFacts, crs: CloudCrs, units: Units) -> SiteRecord:
    """Return what the run record says about the site, in the units of the clouds."""
    b = site.bounds
    sides = (b.x0 + site.origin[0], b.y0 + site.origin[1], b.x1 + site.origin[0], b.y1 + site.origin[1])
    west, south, east, north = (side / units.horizontal for side in sides)
    return SiteRecord(
        points=site.count,
        bounds=(west, south, east, north),
        lowest=site.lowest / units.vertical,
        highest=site.highest / units.vertical,
        spacing_m=site.spacing,
        multiple_returns=site.multiple_returns,
        reference_system=describe(crs),
        horizontal_unit_m=units.horizontal,
        vertical_unit_m=units.vertical,
    )


def reference_texts(inputs: Sequence[TrackedInput], crs: CloudCrs | None) -> dict[str, str]:
    """Return the well-known text of every reference system that a record names, by that name."""
    named = [i.settled.crs for i in inputs if i.settled] + ([crs] if crs is not None else [])
    return {describe(one): one.wkt for one in named if one.wkt is not None}


def output_record(
    root: Path,
    path: Path,
    kind: OutputKind,
    sha256: str,
    *,
    source: str = "",
    points: int | None = None,
) -> OutputRecord:
    """Return what the run record says about one deliverable."""
    return OutputRecord(
        path=path.relative_to(root).as_posix(),
        kind=kind,
        size_bytes=path.stat().st_size,
        sha256=sha256,
        source=source,
        points=points,
    )


def extra_dimension_records(stages: Sequence[Stage]) -> list[ExtraDimensionRecord]:
    """Return what the run record says about the labels that LAS has no field for."""
    return [
        ExtraDimensionRecord(
            name=name,
            type=COLUMNS[name].dtype.name,
            unit=COLUMNS[name].unit,
            meaning=COLUMNS[name].meaning,
            stage=stage,
        )
        for name, stage in extra_labels(stages).items()
    ]


def class_counts(codes: NDArray[np.int64]) -> dict[str, int]:
    """Return how many points each class code has; codes without points are left out."""
    return {str(code): int(n) for code, n in enumerate(codes) if n}


def peak_memory() -> int:
    """Return the largest resident memory of this process so far, bytes."""
    # The system's own figure of this process: the one of getrusage starts at the parent's size.
    return peak_of("self") or resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def outcome_lines(record: RunRecord, root: Path | str) -> list[str]:
    """Return the outcome for people."""
    done = [i for i in record.inputs if i.status == "done"]
    clouds = bool(record.pipeline["output"]["clouds"])
    what = "delivered to" if clouds else "looked at, no clouds asked for; results in"
    lines = [f"{len(done)} of {len(record.inputs)} inputs {what} {root} in {record.seconds:.1f} s"]
    outside = sum(i.outside_points for i in done)
    if outside and clouds:
        lines.append(
            f"{outside:,} points outside the boundary are left out of the clouds; the inputs still have them"
        )
    dropped = sum(i.points for i in done) - sum(o.points or 0 for o in record.outputs if o.kind == "cloud")
    dropped -= outside
    if dropped and clouds:
        lines.append(
            f"{dropped:,} noise points are left out of the clouds, as the pipeline says (drop_noise)"
        )
    lines += [f"failed: {i.path}: {i.reason}" for i in record.inputs if i.status == "failed"]
    return [*lines, *gate_lines(record)]


# More lines than that about gates hide everything else; the files about gates have them all.
_MOST_GATE_LINES = 20


def gate_lines(record: RunRecord) -> list[str]:
    """Return a line for each gate that didn't pass; those that failed come first."""
    names = short_names(one.path for one in record.inputs)
    failed = {one.path for one in record.inputs if one.status == "failed"}
    # Of an input that failed it is said already.
    told = [g for g in record.gates if not g.passed and g.flight not in failed]
    told = [g for g in told if not (g.optional and g.outcome == "not_judged")]
    told.sort(key=lambda gate: gate.outcome != "failed")
    lines = [gate_line(gate, names) for gate in told[:_MOST_GATE_LINES]]
    if len(told) > _MOST_GATE_LINES:
        lines.append(f"gate: and {len(told) - _MOST_GATE_LINES} more, all of them in gates.md and gates.json")
    return lines
