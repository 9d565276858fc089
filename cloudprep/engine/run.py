"""Runs a pipeline on the flights of one site: read, classify together, deliver each flight apart."""

from __future__ import annotations

import os
import time
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cloudprep.engine.closing import (
    class_counts,
    extra_dimension_records,
    final_figures,
    outcome_lines,
    output_record,
    peak_memory,
    site_record,
    status_of,
)
from cloudprep.engine.deliver import deliver_clouds, deliver_grids
from cloudprep.engine.executor import Threads
from cloudprep.engine.executor_dask import Dask
from cloudprep.engine.folder import RunFolder
from cloudprep.engine.gates import judge
from cloudprep.engine.groups import LARGEST_GAP, site_groups
from cloudprep.engine.holding import InMemory, OnDisk
from cloudprep.engine.inputs import deliverable_names, expand_inputs
from cloudprep.engine.memory import default_memory, plan_memory, resolved_roughly
from cloudprep.engine.passes import StagePass
from cloudprep.engine.plan import (
    check_needs,
    facts_from_headers,
    header_boxes,
    plan_lines,
    plan_run,
    wanted_columns,
)
from cloudprep.engine.record import (
    OutputRecord,
    RunRecord,
    StageRecord,
    versions,
    write_record,
)
from cloudprep.engine.reference import Assumptions, settle, site_reference
from cloudprep.engine.scratch import ScratchFolder
from cloudprep.engine.store import code_counts
from cloudprep.engine.tracking import TrackedInput, old_labels, open_with_points
from cloudprep.engine.working import extra_labels, kept_after
from cloudprep.errors import (
    EXIT_DONE,
    EXIT_INPUT_FAILED,
    BadInputError,
    OutputError,
    UsageError,
)
from cloudprep.io.las import check_room_for_labels, fingerprint
from cloudprep.kernels.compiling import what_it_means
from cloudprep.model.columns import WORKING_COLUMNS
from cloudprep.model.crs import CloudCrs

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cloudprep.config import Pipeline
    from cloudprep.engine.executor import Executor
    from cloudprep.engine.holding import Holder
    from cloudprep.engine.loading import Units
    from cloudprep.engine.progress import ProgressSink
    from cloudprep.engine.record import Engine
    from cloudprep.engine.store import Store
    from cloudprep.model.grid import Grid
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage


@dataclass(frozen=True)
class RunRequest:
    """What is wanted.

    Parameters
    ----------
    pipeline : Pipeline
        The checked pipeline.
    inputs : tuple of str
        Files, folders and globs.
    out : Path
        Folder of the run.
    workers : int, optional
        Threads; by default one a processor. The results don't depend on it.
    overwrite : bool
        Whether a finished run in the folder may be replaced.
    dry_run : bool
        Only plan; nothing is written.
    assume_crs : str, optional
        Reference system for clouds that carry none.
    block_edge : float, optional
        Edge of a block in memory, m; by default from the density. The results don't depend on it.
    memory : int, optional
        Bytes that the run may use; by default a share of the machine's. Points that don't fit are held in
        files. The results don't depend on it.
    scratch : Path, optional
        Folder for these files; by default the folder of the run.
    block_points : int, optional
        Points in a block in files; by default from the memory. The results don't depend on it.
    engine : {"threads", "dask"}
        Who works on the blocks. The results don't depend on it.
    scheduler : str, optional
        Address of a dask scheduler whose workers share the scratch folder; by default ``dask`` starts as many
        processes on this machine as there are workers.
    """

    pipeline: Pipeline
    inputs: tuple[str, ...]
    out: Path
    workers: int | None = None
    overwrite: bool = False
    dry_run: bool = False
    assume_crs: str | None = None
    block_edge: float | None = None
    memory: int | None = None
    scratch: Path | None = None
    block_points: int | None = None
    engine: Engine = "threads"
    scheduler: str | None = None


@dataclass(frozen=True)
class RunOutcome:
    """What came of a run.

    Parameters
    ----------
    record : dict
        What ``run.json`` holds; for a dry run, the plan.
    exit_code : int
        0 done, 1 some input failed, 3 a gate failed.
    lines : list of str
        The outcome for people.
    """

    record: dict[str, Any]
    exit_code: int
    lines: list[str]


def run_site(request: RunRequest, progress: ProgressSink) -> RunOutcome:
    """Carry out a run.

    Parameters
    ----------
    request : RunRequest
        What is wanted.
    progress : ProgressSink
        Told what happens.

    Returns
    -------
    RunOutcome
        The record, the exit code and lines for people.

    Raises
    ------
    UsageError
        If the run can't be begun: nothing to read, a finished folder, flights that lie far apart or differ
        in reference system.
    """
    return _Run(request, progress).carry_out()


class _Run:
    """One run, step by step; each step leaves its results for the next."""

    def __init__(self, request: RunRequest, progress: ProgressSink) -> None:
        self.request = request
        self.progress = progress
        self.started = datetime.now(UTC)
        self.clock = time.perf_counter()
        self.workers = request.workers or os.cpu_count() or 1
        self.folder = RunFolder(request.out)
        self.stages: list[Stage] = request.pipeline.build()
        self.inputs: list[TrackedInput] = []
        self.assumed: list[str] = []
        self.warnings: list[str] = []
        self.figures: dict[str, float] = {}
        self.blocks = self.scratch = 0
        self.executor: Executor = Threads(self.workers)
        self.peak_elsewhere = 0

    # -- the steps -------------------------------------------------------------------------------------------

    def carry_out(self) -> RunOutcome:
        if self.request.scheduler is not None and self.request.engine != "dask":
            raise UsageError("--scheduler is the address of a dask scheduler: it goes with --engine dask")
        self.folder.refuse_finished(overwrite=self.request.overwrite)
        if slower := what_it_means():
            self._warn(slower)
        paths = expand_inputs(self.request.inputs, leave_out=self.request.out, note=self._assume)
        names = deliverable_names(paths)
        self.inputs = [TrackedInput(p, n) for p, n in zip(paths, names, strict=True)]
        self.targets = {i.name: self.folder.clouds / f"{i.name}.{self._ending}" for i in self.inputs}
        self.folder.refuse_inputs(list(self.targets.values()), paths)
        self._open()
        self._check_needs()
        crs = self._settle_reference()
        if self.request.dry_run:
            return self._dry_run()
        with ExitStack() as stack:
            if self.request.engine == "dask":
                self.executor = stack.enter_context(Dask(self.request.scheduler, self.workers))
            self.folder.prepare(paths)
            holder = self._holder(stack)
            self._load(holder)
            if not self._alive():
                return self._finish(None, None, [], [])
            self._refuse_far_apart()
            store, site = holder.finish(self.columns)
            stage_records, grids = self._run_stages(store, site)
            self.figures.update(final_figures(self.codes))
            self.blocks, self.scratch = len(store.blocks), store.scratch_bytes
            self.peak_elsewhere = self.executor.peak_elsewhere()
            outputs = self._deliver(store, crs, grids)
        return self._finish(site, crs, stage_records, outputs)

    def _holder(self, stack: ExitStack) -> Holder:
        """Return where the points will be held: in memory if they fit."""
        request = self.request
        names = [n for n in wanted_columns(self.stages) if n in self.columns]
        alive = [(i.flight, i.settled.units) for i in self._alive() if i.flight and i.settled]
        if not alive:
            return InMemory(names, request.block_edge, self.stages, workers=self.workers)
        site = facts_from_headers(alive, self.columns)
        crew = self.executor.crew
        plan = plan_memory(
            resolved_roughly(self.stages, site),
            site,
            names,
            limit=request.memory or min(default_memory(), crew.memory or default_memory()),
            workers=crew.at_a_time,
            processes=crew.processes,
            shared=crew.elsewhere or request.block_points is not None,
            measured=False,
        )
        if not plan.on_disk:
            return InMemory(names, request.block_edge, self.stages, workers=self.workers)
        scratch = stack.enter_context(ScratchFolder(request.scratch or self.folder.root, plan.scratch))
        self.executor.use(scratch)
        return OnDisk(
            names,
            scratch,
            plan,
            self.stages,
            crew=crew,
            spacing=site.spacing,
            block_points=request.block_points,
        )

    @property
    def _ending(self) -> str:
        return self.request.pipeline.output.format

    def _alive(self) -> list[TrackedInput]:
        return [i for i in self.inputs if i.alive]

    def _fail(self, which: TrackedInput, error: BadInputError | OutputError) -> None:
        which.failure = error.reason if isinstance(error, BadInputError) else str(error)
        self.progress.note(f"FAILED {error}")

    def _warn(self, text: str) -> None:
        if text not in self.warnings:
            self.warnings.append(text)
            self.progress.note(f"warning: {text}")

    def _assume(self, text: str) -> None:
        if text not in self.assumed:
            self.assumed.append(text)
            self.progress.note(f"assumed: {text}")

    def _open(self) -> None:
        assume = self.request.pipeline.assume
        said = Assumptions(self.request.assume_crs or assume.crs, assume.units)
        said.resolve()  # an unknown code is the user's mistake: say so before any file is blamed
        for one in self.inputs:
            try:
                flight = open_with_points(one.path)
                check_room_for_labels(flight, extra_labels(self.stages))
                one.settled = settle(flight, said)
            except BadInputError as error:
                self._fail(one, error)
                continue
            one.flight = flight
            one.points = flight.count
            one.warnings = [*flight.warnings, *one.settled.crs.warnings, *old_labels(flight, self.stages)]
            for text in one.settled.assumed:
                self._assume(text)
            for text in one.warnings:
                self._warn(f"{one.path.name}: {text}")

    def _check_needs(self) -> None:
        flights = [i.flight for i in self._alive() if i.flight]
        self.columns = frozenset.intersection(*(f.columns for f in flights)) if flights else frozenset[str]()
        if flights:
            check_needs(self.stages, self.columns)

    def _settle_reference(self) -> CloudCrs:
        settled = [(i.flight, i.settled) for i in self._alive() if i.flight and i.settled]
        if not settled:
            return CloudCrs()
        crs, notes = site_reference(settled)
        for note in notes:
            self._assume(note)
        return crs

    def _dry_run(self) -> RunOutcome:
        alive = [(i.flight, i.settled.units) for i in self._alive() if i.flight and i.settled]
        lines = [f"FAILED {i.path}: {i.failure}" for i in self.inputs if not i.alive]
        outputs = [self.targets[i.name] for i in self._alive()]
        plan: dict[str, Any] = {}
        if alive:
            site = facts_from_headers(alive, self.columns)
            stages = resolved_roughly(self.stages, site)
            outputs += [self.folder.terrain / f"{g}.tif" for s in stages for g in s.grids]
            outputs.append(self.folder.root / "run.json")
            made = plan_run(
                stages,
                site,
                limit=self.request.memory or default_memory(),
                workers=self.workers,
                boxes=header_boxes(alive),
            )
            lines += plan_lines(made, outputs)
            lines.append("derived values come from the headers here; the run measures them")
            plan = {
                "points": made.points,
                "blocks": made.blocks,
                "memory_bytes": made.memory.expected,
                "on_disk": made.memory.on_disk,
                "scratch_bytes": made.memory.scratch,
                "passes": [
                    {"stage": s.name, "sweeps": s.sweeps, "buffer_m": s.reach, "hands_on": list(s.working)}
                    for s in made.stages
                ],
                "extra_dimensions": list(made.extra_labels),
                "outputs": [str(o) for o in outputs],
            }
        record = {
            "dry_run": True,
            "plan": plan,
            "failed": {str(i.path): i.failure for i in self.inputs if i.failure},
        }
        return RunOutcome(record, EXIT_DONE if len(alive) == len(self.inputs) else EXIT_INPUT_FAILED, lines)

    def _load(self, holder: Holder) -> None:
        alive = self._alive()
        self.progress.start("reading", sum(i.points for i in alive))
        for one in alive:
            assert one.flight is not None  # noqa: S101
            assert one.settled is not None  # noqa: S101
            try:
                one.loaded = holder.read(one.flight, one.settled.units, self.progress.advance)
                one.sha256 = str(fingerprint(one.path)["sha256"])
            except BadInputError as error:
                self._fail(one, error)
                continue
            one.stray = one.loaded.stray_count
            if one.stray:
                number = "1 point lies" if one.stray == 1 else f"{one.stray} points lie"
                text = f"{number} at absurd coordinates, far from the rest: labelled noise, used for nothing"

                one.warnings.append(text)
                self._warn(f"{one.path.name}: {text}")
        self.progress.finish()

    def _refuse_far_apart(self) -> None:
        alive = self._alive()
        groups = site_groups([i.loaded.extent for i in alive if i.loaded])
        if len(groups) > 1:
            named = "; ".join(
                f"group {k}: {', '.join(alive[i].path.name for i in group)}"
                for k, group in enumerate(groups, 1)
            )
            raise UsageError(
                f"a run is one site, but these inputs lie more than {LARGEST_GAP / 1000:g} km apart "
                f"(run each group by itself): {named}"
            )

    def _run_stages(self, store: Store, site: SiteFacts) -> tuple[list[StageRecord], list[Grid]]:
        self.codes = code_counts(store)
        records: list[StageRecord] = []
        grids: list[Grid] = []
        for unresolved, kept in zip(self.stages, kept_after(self.stages), strict=True):
            stage = unresolved.resolved(site)
            began = time.perf_counter()
            work = StagePass(
                stage, store, site, workers=self.workers, progress=self.progress, executor=self.executor
            )
            result = work.carry_out()
            store.forget(n for n in WORKING_COLUMNS if n not in kept)
            if result.moves is not None:
                self.codes = result.moves.of_codes()
            for text in result.warnings:
                self._warn(f"{stage.name}: {text}")
            self.figures.update({k: float(v) for k, v in result.figures.items()})
            grids.extend(result.grids)
            records.append(
                StageRecord(
                    stage=stage.name,
                    parameters=stage.params.model_dump(mode="json"),
                    derived=stage.reasons,
                    reach_m=stage.reach(),
                    seconds=time.perf_counter() - began,
                    points=store.usable_count,
                    changed=result.changed,
                    classes=class_counts(self.codes),
                    warnings=result.warnings,
                )
            )
        return records, grids

    def _deliver(self, store: Store, crs: CloudCrs, grids: Sequence[Grid]) -> list[OutputRecord]:
        outputs: list[OutputRecord] = []
        root = self.folder.root
        alive = self._alive()
        extra = extra_labels(self.stages)
        self.progress.start("writing", len(store))
        for number, one in enumerate(alive):
            assert one.flight is not None  # noqa: S101
            labels = store.label_rows(number, tuple(extra))
            try:
                made = deliver_clouds(
                    one.flight,
                    self.targets[one.name],
                    labels,
                    self.request.pipeline.output,
                    self.progress.advance,
                )
            except (BadInputError, OutputError) as error:
                self._fail(one, error)
                continue
            for text in made.warnings:
                self._warn(f"{one.path.name}: {text}")
            outputs.append(
                output_record(root, made.path, "cloud", made.sha256, source=str(one.path), points=made.count)
            )
        self.progress.finish()
        units = self._units()
        named = replace(crs, horizontal_unit=units.horizontal, vertical_unit=units.vertical)
        made_grids = deliver_grids(grids, self.folder.terrain, named)
        outputs.extend(output_record(root, g.path, g.kind, g.sha256) for g in made_grids)
        return outputs

    def _units(self) -> Units:
        """Return the units of the clouds: the flights of a run share them."""
        return next(i.settled.units for i in self.inputs if i.settled)

    # -- the end ---------------------------------------------------------------------------------------------

    def _finish(
        self,
        site: SiteFacts | None,
        crs: CloudCrs | None,
        stages: list[StageRecord],
        outputs: list[OutputRecord],
    ) -> RunOutcome:
        gates = judge(self.request.pipeline.gates, self.figures) if site is not None else []
        status, code = status_of(self.inputs, gates)
        finished = datetime.now(UTC)
        pipeline = self.request.pipeline.as_dict()
        if stages:
            pipeline["stages"] = [{"stage": s.stage, **s.parameters} for s in stages]
        record = RunRecord(
            status=status,
            started=self.started.isoformat(timespec="seconds"),
            finished=finished.isoformat(timespec="seconds"),
            seconds=time.perf_counter() - self.clock,
            peak_memory_bytes=peak_memory() + self.peak_elsewhere,
            scratch_bytes=self.scratch,
            blocks=self.blocks,
            versions=versions(),
            engine=self.request.engine,
            workers=self.executor.crew.workers,
            pipeline_source=str(self.request.pipeline.source),
            pipeline=pipeline,
            inputs=[i.record() for i in self.inputs],
            site=site_record(site, crs, self._units()) if site is not None and crs is not None else None,
            stages=stages,
            figures=self.figures,
            assumed=self.assumed,
            warnings=self.warnings,
            outputs=outputs,
            extra_dimensions=extra_dimension_records(self.stages) if outputs else [],
            gates=gates,
        )
        write_record(record, self.folder.root)
        return RunOutcome(record.model_dump(mode="json"), code, outcome_lines(record, self.folder.root))
