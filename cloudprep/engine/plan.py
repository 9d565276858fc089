"""What a run will do: stages, sweeps over the points, buffers, blocks, memory and outputs."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.engine.leaves import Leaves, grouped
from cloudprep.engine.memory import plan_memory
from cloudprep.engine.passes import sweeps_of
from cloudprep.engine.spilling import LEAVES_PER_BLOCK
from cloudprep.engine.working import extra_labels
from cloudprep.errors import MissingColumnError, UsageError
from cloudprep.model.bounds import Bounds
from cloudprep.model.classes import class_name
from cloudprep.model.columns import COLUMNS, EXTRA_LABELS, RUN_COLUMNS, WORKING_COLUMNS
from cloudprep.model.site import SiteFacts

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.engine.loading import Units
    from cloudprep.engine.memory import MemoryPlan
    from cloudprep.io.las import Flight
    from cloudprep.stages.base import Stage

# Held for every point whatever the stages: coordinates, labels, and the raw integers of one flight meanwhile.
_ALWAYS = ("x", "y", "z", "classification", "withheld", "number_of_returns")


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
    layers: bool = True


@dataclass(frozen=True)
class RunPlan:
    """The plan of a run."""

    points: int
    stages: tuple[StagePlan, ...]
    columns: tuple[str, ...]
    blocks: int
    memory: MemoryPlan
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
    there = {*columns, "x", "y", "z", "classification", "withheld", *RUN_COLUMNS}
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


def check_classes(stages: Sequence[Stage], codes: NDArray[np.int64]) -> None:
    """Check that the cloud has points of the classes that a stage can do nothing without.

    Stages after one that gives classes are not checked: what it will find isn't known yet.

    Parameters
    ----------
    stages : sequence of Stage
        In order.
    codes : ndarray of int64, shape (256,)
        How many points have each class code.

    Raises
    ------
    UsageError
        One line for the first stage without any.
    """
    for stage in stages:
        wanted = stage.classes_needed()
        if wanted and not codes[list(wanted)].any():
            names = " or ".join(f"{code} ({class_name(code)})" for code in wanted)
            raise UsageError(
                f"{stage.name}: no point of this cloud has class {names}: put a ground stage before it, or "
                "name the classes that are ground ('classes')"
            )
        if "classification" in stage.provides:
            return


def header_boxes(flights: Sequence[tuple[Flight, Units]]) -> list[tuple[Bounds, int]]:
    """Return where flights lie as their headers tell, global metres, and how many points each has."""
    return [
        (
            Bounds(
                f.header_min[0] * u.horizontal,
                f.header_min[1] * u.horizontal,
                f.header_max[0] * u.horizontal,
                f.header_max[1] * u.horizontal,
            ),
            f.count,
        )
        for f, u in flights
    ]


def facts_from_headers(flights: Sequence[tuple[Flight, Units]], columns: frozenset[str]) -> SiteFacts:
    """Return facts about a site as its headers tell them: good enough for a plan, never for a result."""
    boxes = [box for box, _ in header_boxes(flights)]
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


def plan_run(
    stages: Sequence[Stage],
    site: SiteFacts,
    *,
    limit: int,
    workers: int = 1,
    shared: bool = False,
    boxes: Sequence[tuple[Bounds, int]] = (),
    ending: int = 0,
) -> RunPlan:
    """Return the plan for resolved stages on a site.

    Parameters
    ----------
    stages : sequence of Stage
        Resolved.
    site : SiteFacts
        Measured, or taken from headers.
    limit : int
        Memory that the run may use, bytes.
    workers : int
        Blocks at a time.
    shared : bool
        Whether points must be in files.
    boxes : sequence of (Bounds, int)
        Where each flight lies and how many points it has; by default one flight over the whole site.
    ending : int
        Bytes that the end of the run takes.
    """
    columns = wanted_columns(stages)
    carried = [n for n in columns if n in site.columns or n in _ALWAYS or n in RUN_COLUMNS]
    memory = plan_memory(
        stages,
        site,
        carried,
        limit=limit,
        workers=workers,
        shared=shared,
        measured=False,
        ending=ending,
    )
    return RunPlan(
        points=site.count,
        stages=tuple(
            StagePlan(
                s.name,
                sweeps_of(s),
                s.reach(),
                s.summarises,
                s.products(),
                s.bytes_per_point,
                any(COLUMNS[n].label for n in s.provides),
                tuple(n for n in s.provides if n in WORKING_COLUMNS),
                bool(s.makes_layers or s.makes_surfaces),
            )
            for s in stages
        ),
        columns=tuple(n for n in carried if n not in RUN_COLUMNS),
        blocks=_blocks(site, memory, boxes or [(site.bounds, site.count)]),
        memory=memory,
        extra_labels=tuple(extra_labels(stages)),
    )


def _blocks(site: SiteFacts, memory: MemoryPlan, boxes: Sequence[tuple[Bounds, int]]) -> int:
    """Return how many blocks even flights would make: cut the way that those of the run are."""
    if site.count <= memory.block_points:
        return 1
    per_leaf = max(1, memory.block_points // LEAVES_PER_BLOCK)
    edge = max(site.spacing * math.sqrt(per_leaf), math.sqrt(site.bounds.width * site.bounds.height) / 2000)
    counts: dict[tuple[int, int], float] = {}
    for box, points in boxes:
        columns = range(math.floor(box.x0 / edge), math.ceil(box.x1 / edge))
        rows = range(math.floor(box.y0 / edge), math.ceil(box.y1 / edge))
        share = points / max(1, len(columns) * len(rows))
        for cell in itertools.product(columns, rows):
            counts[cell] = counts.get(cell, 0.0) + share
    column, row = (np.array(v, np.int64) for v in zip(*counts, strict=True))
    points_in = np.array([max(1, round(n)) for n in counts.values()])
    return len(grouped(Leaves(column, row, np.ones(len(column), np.int64), points_in), memory.block_points))


def plan_lines(plan: RunPlan, outputs: Sequence[Path | str]) -> list[str]:
    """Return the plan in words, one line each."""
    where = "in files" if plan.memory.on_disk else "in memory"
    lines = [
        f"{plan.points:,} points, held {where}, in {plan.blocks} block{'s' if plan.blocks != 1 else ''}",
        f"columns read: {', '.join(plan.columns)}",
    ]
    for i, stage in enumerate(plan.stages, 1):
        what = (
            "labels"
            if stage.labels
            else "working columns"
            if stage.working
            else "rasters"
            if stage.grids
            else "layers"
            if stage.layers
            else "figures"
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
    lines.append(f"memory: about {plan.memory.expected / 1e9:.2f} GB")
    if plan.memory.on_disk:
        lines.append(f"scratch: about {plan.memory.scratch / 1e9:.2f} GB")
    lines.extend(f"output: {path}" for path in outputs)
    return lines
