"""What a run will do: stages, sweeps over the points, buffers, blocks, memory and outputs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cloudprep.engine.passes import sweeps_of
from cloudprep.engine.store import BLOCK_POINTS
from cloudprep.engine.working import extra_labels, held_during
from cloudprep.errors import MissingColumnError
from cloudprep.model.bounds import Bounds
from cloudprep.model.columns import COLUMNS, EXTRA_LABELS, WORKING_COLUMNS
from cloudprep.model.site import SiteFacts

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from cloudprep.engine.loading import Units
    from cloudprep.io.las import Flight
    from cloudprep.stages.base import Stage

# Held for every point whatever the stages: coordinates, labels, and the raw integers of one flight meanwhile.
_ALWAYS = ("x", "y", "z", "classification", "withheld", "number_of_returns")
_BASE_BYTES = 150_000_000


@dataclass(frozen=True)
class StagePlan:
    """One stage: how often it sweeps over the points, how far it looks, and what it hands on."""

    name: str
    sweeps: int
    reach: float
    summarises: bool
    grids: tuple[str, ...]
    bytes_per_point: int
    labels: bool = True
    working: tuple[str, ...] = ()


@dataclass(frozen=True)
class RunPlan:
    """The plan of a run."""

    points: int
    stages: tuple[StagePlan, ...]
    columns: tuple[str, ...]
    blocks: int
    block_edge: float | None
    memory_bytes: int
    extra_labels: tuple[str, ...] = ()


def wanted_columns(stages: Sequence[Stage]) -> tuple[str, ...]:
    """Return the columns to read for these stages, in the order of the column table.

    Working columns are never read, and labels without a field of the standard only if a stage looks at them
    before another one provides them.
    """
    wanted = set(_ALWAYS)
    made = set(WORKING_COLUMNS)
    for stage in stages:
        wanted.update(n for n in (*stage.needs, *stage.uses) if n not in made)
        made.update(n for n in stage.provides if n in EXTRA_LABELS)
    return tuple(n for n in COLUMNS if n in wanted)


def check_needs(stages: Sequence[Stage], columns: frozenset[str]) -> None:
    """Check that every column a stage needs is carried by every flight or provided by an earlier stage.

    Raises
    ------
    MissingColumnError
        With every stage and column that is missing.
    """
    there = {*columns, "x", "y", "z", "classification", "withheld"}
    problems: list[str] = []
    for stage in stages:
        missing = [n for n in stage.needs if n not in there]
        if missing:
            names = ", ".join(f"'{n}'" for n in missing)
            carried = any(n not in WORKING_COLUMNS for n in missing)
            nobody = "which not every flight carries" if carried else "which no earlier stage provides"
            problems.append(f"stage {stage.name} needs {names}, {nobody}")
        there.update(stage.provides)
    if problems:
        raise MissingColumnError("\n".join(problems))


def facts_from_headers(flights: Sequence[tuple[Flight, Units]], columns: frozenset[str]) -> SiteFacts:
    """Return facts about a site as its headers tell them: good enough for a plan, never for a result."""
    boxes = [
        Bounds(
            f.header_min[0] * u.horizontal,
            f.header_min[1] * u.horizontal,
            f.header_max[0] * u.horizontal,
            f.header_max[1] * u.horizontal,
        )
        for f, u in flights
    ]
    count = sum(f.count for f, _ in flights)
    area = sum(max(b.width, 1.0) * max(b.height, 1.0) for b in boxes)
    return SiteFacts(
        count=count,
        bounds=Bounds(
            min(b.x0 for b in boxes),
            min(b.y0 for b in boxes),
            max(b.x1 for b in boxes),
            max(b.y1 for b in boxes),
        ),
        lowest=min(f.header_min[2] * u.vertical for f, u in flights),
        highest=max(f.header_max[2] * u.vertical for f, u in flights),
        spacing=math.sqrt(area / max(count, 1)),
        multiple_returns=True,
        columns=columns,
    )


def plan_run(stages: Sequence[Stage], site: SiteFacts, *, blocks: int | None = None) -> RunPlan:
    """Return the plan for resolved stages on a site.

    Parameters
    ----------
    stages : sequence of Stage
        Resolved.
    site : SiteFacts
        Measured, or taken from headers.
    blocks : int, optional
        Number of blocks where the layout is known.
    """
    edge = None
    if site.count > BLOCK_POINTS:
        edge = max(20.0, math.ceil(math.sqrt(BLOCK_POINTS) * site.spacing / 10.0) * 10.0)
    if blocks is None:
        blocks = 1
        if edge is not None:
            blocks = math.ceil(site.bounds.width / edge) * math.ceil(site.bounds.height / edge)
    columns = wanted_columns(stages)
    extra = extra_labels(stages)
    held = _width({*columns, *extra}) + 12
    during = held_during(stages)
    working = max(
        (s.bytes_per_point + _width(names) for s, names in zip(stages, during, strict=True)), default=0
    )
    return RunPlan(
        points=site.count,
        stages=tuple(
            StagePlan(
                s.name,
                sweeps_of(s),
                s.reach(),
                s.summarises,
                s.grids,
                s.bytes_per_point,
                any(COLUMNS[n].label for n in s.provides),
                tuple(n for n in s.provides if n in WORKING_COLUMNS),
            )
            for s in stages
        ),
        columns=columns,
        blocks=blocks,
        block_edge=edge,
        memory_bytes=_BASE_BYTES + site.count * (held + working),
        extra_labels=tuple(extra),
    )


def _width(names: Iterable[str]) -> int:
    """Return the bytes of a point in these columns."""
    return sum(COLUMNS[n].dtype.itemsize for n in names)


def plan_lines(plan: RunPlan, outputs: Sequence[Path]) -> list[str]:
    """Return the plan in words, one line each."""
    edge = f", {plan.block_edge:g} m a side" if plan.block_edge is not None else ""
    lines = [
        f"{plan.points:,} points in {plan.blocks} block{'s' if plan.blocks != 1 else ''}{edge}",
        f"columns read: {', '.join(plan.columns)}",
    ]
    for i, stage in enumerate(plan.stages, 1):
        what = (
            "labels" if stage.labels else "working columns" if stage.working or not stage.grids else "rasters"
        )
        how = (
            f"whole-site summary, then {what}"
            if stage.summarises and stage.sweeps > 1
            else ("whole-site summary" if stage.summarises else what)
        )
        grids = f"; grids {', '.join(stage.grids)}" if stage.grids else ""
        hands_on = f"; hands on {', '.join(stage.working)}" if stage.working else ""
        lines.append(f"pass {i}: {stage.name}: {how}; buffer {stage.reach:g} m{grids}{hands_on}")
    if plan.extra_labels:
        lines.append(f"extra dimension in every cloud: {', '.join(plan.extra_labels)}")
    lines.append(f"memory: about {plan.memory_bytes / 1e9:.2f} GB")
    lines.extend(f"output: {path}" for path in outputs)
    return lines
