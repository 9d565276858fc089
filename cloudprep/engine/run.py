"""Runs a pipeline on the flights of one site: read, classify together, deliver each flight apart."""

from __future__ import annotations

import os
import tempfile
import time
from contextlib import ExitStack, closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cloudprep.config import Boundary
from cloudprep.engine.ahead import CompiledAhead
from cloudprep.engine.ahead_loading import LoadedAhead
from cloudprep.engine.area import read_area, refuse_elsewhere
from cloudprep.engine.behind import Behind
from cloudprep.engine.clipping import points_within
from cloudprep.engine.closing import (
    class_counts,
    extra_dimension_records,
    outcome_lines,
    peak_memory,
    reference_texts,
    site_record,
    status_of,
)
from cloudprep.engine.deliver import LAYERS, check_deliverable, deliver_clouds
from cloudprep.engine.delivery import Delivery
from cloudprep.engine.dry_run import plan_record, planned_outputs
from cloudprep.engine.executor import Threads
from cloudprep.engine.executor_dask import Dask
from cloudprep.engine.fetching import FetchedInputs
from cloudprep.engine.flight_facts import take_flight_figures
from cloudprep.engine.flight_figures import FIGURE_COLUMNS, flight_figures
from cloudprep.engine.folder import RunFolder
from cloudprep.engine.footprints import INDEX
from cloudprep.engine.given_layers import GivenLayers
from cloudprep.engine.heap import give_back, keep_freed
from cloudprep.engine.holding import InMemory, OnDisk
from cloudprep.engine.judgement import judge_run, written_judgement
from cloudprep.engine.lock import FolderLock
from cloudprep.engine.memory import (
    default_memory,
    ending_bytes,
    plan_memory,
    resolved_roughly,
)
from cloudprep.engine.passes import StagePass
from cloudprep.engine.plan import (
    check_classes,
    facts_from_headers,
    header_boxes,
    plan_lines,
    plan_run,
    wanted_columns,
)
from cloudprep.engine.products import Products
from cloudprep.engine.record import (
    AskedRecord,
    BoundaryRecord,
    OutputRecord,
    RunRecord,
    StageRecord,
    versions,
    write_record,
)
from cloudprep.engine.reference import Assumptions
from cloudprep.engine.remarks import Remarks
from cloudprep.engine.reporting import Reporting
from cloudprep.engine.request import RunOutcome, RunRequest
from cloudprep.engine.run_inputs import RunInputs
from cloudprep.engine.scratch import ScratchFolder, bytes_in
from cloudprep.engine.smaller_blocks import with_smaller_blocks
from cloudprep.engine.standing import asked_of, exit_code_of, standing_of
from cloudprep.engine.store import code_counts
from cloudprep.engine.tiling import check_tiles
from cloudprep.engine.uploading import RemoteFolder
from cloudprep.engine.urls import joined
from cloudprep.engine.working import extra_labels, kept_after, read_after
from cloudprep.errors import (
    EXIT_DONE,
    EXIT_INPUT_FAILED,
    BadInputError,
    OutputError,
    UsageError,
    WorkersDiedError,
)
from cloudprep.io.las import NothingWithinError, Shelf
from cloudprep.kernels.compiling import what_it_means
from cloudprep.model.bounds import Bounds
from cloudprep.model.columns import COLUMNS, LABEL_COLUMNS, RUN_COLUMNS
from cloudprep.stages.registry import stage_package

__all__ = ["RunOutcome", "RunRequest", "run_site"]

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cloudprep.engine.area import Area, Region
    from cloudprep.engine.executor import Executor
    from cloudprep.engine.holding import Holder
    from cloudprep.engine.loading import Units
    from cloudprep.engine.progress import ProgressSink
    from cloudprep.engine.store import Store
    from cloudprep.engine.tracking import TrackedInput
    from cloudprep.io.las import Flight
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.grid import Grid
    from cloudprep.model.layer import Layer, TinSurface
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage

# Share of the memory up to which what stages let go is kept for the next ones: not all of it fits again.
_AMPLE = 0.5


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
    try:
        return _Run(request, progress).carry_out()
    except WorkersDiedError as error:
        less = with_smaller_blocks(request, error)
        if less is None:
            raise
        again = _Run(less, progress)
        again.remarks.warn(
            f"{error}; the run is done once more, with at most {less.block_points:,} points in a block"
        )
        return again.carry_out()


class _Run:
    """One run, step by step; each step leaves its results for the next."""

    def __init__(self, request: RunRequest, progress: ProgressSink) -> None:
        self.request = request
        self.progress = progress
        self.started = datetime.now(UTC)
        self.clock = time.perf_counter()
        self.workers = request.workers or os.cpu_count() or 1
        self.remote = RemoteFolder(request.out) if isinstance(request.out, str) else None
        self.folder = RunFolder(Path(request.out))
        self.stages: list[Stage] = request.pipeline.build()
        self.remarks = Remarks(progress)
        self.inputs = RunInputs(self.stages, self.remarks, progress)
        self.targets: dict[str, Path] = {}
        self.figures: dict[str, float] = {}
        self.outputs: list[OutputRecord] = []
        self.layer_files: list[OutputRecord] = []
        self.surface_files: list[OutputRecord] = []
        self.given = GivenLayers()
        self.blocks = self.scratch = 0
        self.scratch_folder: Path | None = None
        self.executor: Executor = Threads(self.workers)
        self.peak_elsewhere = 0
        self.boundary = _boundary(request)
        self.area: Area | None = None
        wanted = request.report and request.pipeline.output.report
        self.reporting = Reporting(self.folder.root, self._name, wanted, self.remarks.warn)

    # -- the steps -------------------------------------------------------------------------------------------

    def carry_out(self) -> RunOutcome:
        if self.request.scheduler is not None and self.request.engine != "dask":
            raise UsageError("--scheduler is the address of a dask scheduler: it goes with --engine dask")
        self.overwrite = self.request.overwrite
        if self.request.resume and not self.overwrite and (standing := self._left_alone()) is not None:
            return standing
        (self.remote or self.folder).refuse_finished(overwrite=self.overwrite)
        with ExitStack() as stack:
            if self.remote is not None:
                self._make_here(stack)
            # The folder is ours until all is written and tidied, the record too.
            self.locks = stack.enter_context(ExitStack())
            parent = self.request.scratch
            if parent is None and self.remote is None and not self.request.dry_run:
                parent = self.folder.root
            fetched = stack.enter_context(FetchedInputs(self.request.inputs, parent, self.progress))
            stack.enter_context(self.folder.noting())
            outcome = self._with_inputs(fetched)
            if self.remote is not None and not self.request.dry_run:
                self.remote.upload(self.folder.root, fetched.fetched, self.progress)
        return outcome

    def _left_alone(self) -> RunOutcome | None:
        """Return the outcome of the finished run in the folder, if it is just what is asked."""
        found = standing_of(self.request)
        root = self.folder.root
        if found.record is not None and found.stands:
            record = found.record
            if not self.request.dry_run:
                self.folder.tidy()
            line = f"{root}: finished before, {record['finished']}, and nothing has changed since: left alone"
            return RunOutcome(record, exit_code_of(record), [line])
        if found.record is not None:
            self.overwrite = True
            self.progress.note(f"{root}: done again: {found.reason}")
        return None

    def _make_here(self, stack: ExitStack) -> None:
        """Choose a folder of this machine for a run that is uploaded when it is finished."""
        parent = self.request.scratch or Path(tempfile.gettempdir())
        if self.request.dry_run:
            self.folder = RunFolder(parent / "out")
            return
        self.folder = RunFolder(stack.enter_context(ScratchFolder(parent, 0)) / "out")
        self.reporting.root = self.folder.root

    def _set_targets(self, paths: list[Path], fetched: FetchedInputs) -> None:
        """Say where each cloud is delivered to; an input is never written over."""
        if self.request.pipeline.output.clouds:
            ending = self.request.pipeline.output.format
            clouds = self.folder.clouds
            self.targets = {i.name: clouds / f"{i.name}.{ending}" for i in self.inputs.alive}
        self.folder.refuse_inputs(list(self.targets.values()), paths)
        if self.remote is not None:
            self.remote.refuse_inputs(list(self.targets.values()), self.folder.root, fetched.fetched)

    def _with_inputs(self, fetched: FetchedInputs) -> RunOutcome:
        if slower := what_it_means():
            self.remarks.warn(slower)
        paths = self.inputs.find(fetched, self.folder.root)
        self._set_targets(paths, fetched)
        pipeline = self.request.pipeline
        said = Assumptions(self.request.assume_crs or pipeline.assume.crs, pipeline.assume.units)
        self.inputs.open(said, delivered=pipeline.output.clouds)
        self.inputs.check_needs()
        crs = self.inputs.reference()
        if self.inputs.alive:
            self._settle_area(self.inputs.named(crs))
            self.delivery = Delivery(
                self.folder, self.inputs.named(crs), self.request.pipeline.output, self.area
            )
            if self.delivery.remark:
                self.remarks.warn(f"heights of rasters and layers: {self.delivery.remark}")
            check_deliverable(self.stages, self.request.pipeline.output, self.delivery.heights)
        self._read_given(crs)
        if self.request.dry_run:
            return self._dry_run()
        with ExitStack() as stack:
            self._lock()
            if self.request.engine == "dask":
                self.executor = stack.enter_context(Dask(self.request.scheduler, self.workers))
            self.folder.prepare([*paths, *([self.area.path] if self.area else [])])
            stack.callback(keep_freed, False)
            ahead = stack.enter_context(CompiledAhead(self.workers, self.progress))
            if ahead.kept:
                stack.enter_context(LoadedAhead())
            holder = self._holder(stack)
            self.inputs.read(holder, self.started.date())
            if not self.inputs.alive:
                return self._finish(None, None, [], [])
            if self.area is not None:
                self.inputs.refuse_unused(self.area)
            self.inputs.refuse_far_apart()
            store, site = holder.finish(self.inputs.columns)
            site = self._asked(site)
            if self.delivery.tiling is not None:
                check_tiles(self.delivery.tiling, self.stages, site)
            ahead.wait()
            # Files of points or a single worker are there where something is short.
            at_once = self.scratch_folder is not None or self.workers == 1
            behind = stack.enter_context(Behind(at_once=at_once))
            stage_records = self._run_stages(store, site, behind)
            # Labels stand: what is counted of them is counted while rasters and clouds are written.
            alive = self.inputs.alive
            behind.do(
                lambda: flight_figures(store, len(alive), site.origin),
                lambda figures: self._take_figures(alive, *figures),
                held=0,
            )
            behind.do(lambda: self._gather(store, site, stage_records), lambda _: None, held=0)
            self.blocks, self.scratch = len(store.blocks), max(self.scratch, store.scratch_bytes)
            self.peak_elsewhere = self.executor.peak_elsewhere()
            outputs = self._deliver_all(store, site, behind)
            give_back()
            self._study(outputs)
        return self._finish(site, crs, stage_records, outputs)

    def _lock(self) -> None:
        """Keep other runs out of the folder."""
        if self.remote is None:  # a folder of this run alone
            self.locks.enter_context(FolderLock(self.folder.root, self.progress.note))
            self.folder.refuse_finished(overwrite=self.overwrite)  # another run may have finished meanwhile

    def _holder(self, stack: ExitStack) -> Holder:
        """Return where the points will be held: in memory if they fit."""
        request = self.request
        names = [n for n in wanted_columns(self.stages) if n in self.inputs.columns or n in RUN_COLUMNS]
        alive = self.inputs.readable
        if not alive:
            return InMemory(
                names, request.block_edge, self.stages, workers=self.workers, area=self._used_area
            )
        site = self._rough_site(alive)
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
            ending=self._ending,
        )
        if not plan.on_disk:
            keep_freed(plan.expected <= _AMPLE * plan.limit)
            # Flights that nobody delivers needn't be kept.
            keep = None
            if request.pipeline.output.clouds:
                keep = stack.enter_context(closing(Shelf(request.scratch or self.folder.root)))
            return InMemory(
                names,
                request.block_edge,
                self.stages,
                workers=self.workers,
                area=self._used_area,
                keep=keep,
            )
        scratch = stack.enter_context(ScratchFolder(request.scratch or self.folder.root, plan.scratch))
        self.executor.use(scratch)
        self.scratch_folder = scratch
        return OnDisk(
            names,
            scratch,
            plan,
            self.stages,
            crew=crew,
            spacing=site.spacing,
            block_points=request.block_points,
            area=self._used_area,
        )

    def _rough_site(self, alive: list[tuple[Flight, Units]]) -> SiteFacts:
        """Return the site as the headers tell it; where there is a boundary, rasters lie about it only."""
        site = self._asked(facts_from_headers(alive, self.inputs.columns))
        if self.area is None:
            return site
        x0, y0, x1, y1 = self.area.outer.polygon.bounds
        b = site.bounds
        bounds = Bounds(max(b.x0, x0), max(b.y0, y0), min(b.x1, x1), min(b.y1, y1))
        # Boxes of several flights may leave the boundary in a gap between them.
        return replace(site, bounds=bounds) if bounds.width > 0 and bounds.height > 0 else site

    @property
    def _ending(self) -> int:
        output = self.request.pipeline.output
        return ending_bytes(clouds=output.clouds, report=bool(self.reporting.columns))

    @property
    def _used_area(self) -> Region | None:
        return None if self.area is None else self.area.outer

    def _settle_area(self, crs: CloudCrs) -> None:
        """Read the boundary, and refuse one that lies elsewhere, before anything is written."""
        if self.boundary is None:
            return
        path = Path(self.boundary.file)
        made = (LAYERS.format("gpkg"), INDEX)
        self.folder.refuse_inputs([self.folder.terrain / name for name in made], [path])
        self.area = read_area(path, self.boundary.layer, self.boundary.buffer, crs, self.remarks.assume)
        alive = self.inputs.readable
        refuse_elsewhere(self.area, [box for box, _ in header_boxes(alive)], crs)

    def _read_given(self, crs: CloudCrs) -> None:
        """Read the vector files that stages name, before any work: what is wrong with them is said now."""
        alive = self.inputs.readable
        if not alive:
            return
        bounds = facts_from_headers(alive, self.inputs.columns).bounds
        folder = self.request.pipeline.folder
        self.given = GivenLayers.read(
            self.stages, folder, self.inputs.named(crs), bounds, self.remarks.assume
        )
        for text in self.given.warnings:
            self.remarks.warn(text)

    def _dry_run(self) -> RunOutcome:
        alive = self.inputs.readable
        plan: dict[str, Any] = {}
        lines = [f"FAILED {i.shown}: {i.failure}" for i in self.inputs.all if not i.alive]
        if alive:
            site = self._rough_site(alive)
            stages = resolved_roughly(self.stages, site)
            if self.delivery.tiling is not None:
                check_tiles(self.delivery.tiling, self.stages, site)
            made = plan_run(
                stages,
                site,
                limit=self.request.memory or default_memory(),
                workers=self.workers,
                boxes=header_boxes(alive),
                ending=self._ending,
            )
            clouds = [self.targets[i.name] for i in self.inputs.alive if i.name in self.targets]
            outputs = [*clouds, *planned_outputs(stages, self.folder, self.delivery, self.request.pipeline)]
            named = [self._told(path) for path in outputs]
            if self.area is not None:
                lines.append(
                    f"boundary: {self.area.path}: {self.area.inner.polygon.area:,.0f} m2, and "
                    f"{self.area.buffer:g} m around it are used; what lies beyond is only read"
                )
            lines += plan_lines(made, named)
            lines.append("derived values come from the headers here; the run measures them")
            plan = plan_record(made, named)
        record = {
            "dry_run": True,
            "plan": plan,
            "failed": {i.shown: i.failure for i in self.inputs.all if i.failure},
        }
        return RunOutcome(
            record, EXIT_DONE if len(alive) == len(self.inputs.all) else EXIT_INPUT_FAILED, lines
        )

    @property
    def _name(self) -> str:
        """What the run's folder is called."""
        if self.remote is None:
            return self.folder.root.resolve().name
        return self.remote.shown.rstrip("/").rpartition("/")[2]

    def _told(self, path: Path) -> str:
        """Return a path of the run's folder as it is told to people."""
        if self.remote is None:
            return str(path)
        return joined(self.remote.shown, *path.relative_to(self.folder.root).parts)

    @property
    def cell(self) -> float | None:
        """The cell that all rasters share unless a stage has its own, m."""
        return self.request.cell or self.request.pipeline.grid.cell

    def _asked(self, site: SiteFacts) -> SiteFacts:
        """Return the facts with what the points don't tell: the cell asked for, the unit of heights."""
        units = self.inputs.units
        return replace(site, cell=self.cell, vertical_unit=units.vertical, flights=self.inputs.facts)

    def _run_stages(self, store: Store, site: SiteFacts, behind: Behind) -> list[StageRecord]:
        self.codes = code_counts(store)
        check_classes(self.stages, self.codes)
        records: list[StageRecord] = []

        def deliver(grid: Grid) -> None:
            held = bytes_in(self.scratch_folder) if self.scratch_folder else 0
            name = grid.name

            def note(written: tuple[list[OutputRecord], int]) -> None:
                made, taken = written
                self.outputs += made
                self.scratch = max(self.scratch, held + taken)
                if not made:
                    self.remarks.warn(f"'{name}' is not delivered: no cell of it holds anything")

            behind.do(lambda: self.delivery.raster(grid, self.scratch_folder), note, grid.values.nbytes)

        origin = site.origin

        def layers(made: Sequence[Layer]) -> None:
            behind.do(lambda: self.delivery.layers(made, origin), self.layer_files.extend, held=0)

        def surfaces(made: Sequence[TinSurface]) -> None:
            behind.do(lambda: self.delivery.surfaces(made, origin), self.surface_files.extend, held=0)

        products = Products(self.stages, deliver, layers, surfaces)
        at_the_end = {*"xyz", *LABEL_COLUMNS, *FIGURE_COLUMNS, *self.reporting.columns}
        working, others = kept_after(self.stages), read_after(self.stages, at_the_end)
        for number, (unresolved, *kept) in enumerate(zip(self.stages, working, others, strict=True)):
            stage = unresolved.resolved(site)
            stage.rasters = products.given_to(stage)
            stage.layers = self.given.given_to(number, site.origin)
            began = time.perf_counter()
            work = StagePass(
                stage, store, site, workers=self.workers, progress=self.progress, executor=self.executor
            )
            result = work.carry_out()
            store.forget(n for n in COLUMNS if not any(n in names for names in kept))
            if result.moves is not None:
                self.codes = result.moves.of_codes()
            for text in result.warnings:
                self.remarks.warn(f"{stage.name}: {text}")
            self.figures.update({k: float(v) for k, v in result.figures.items()})
            take_flight_figures(result, self.inputs.alive)
            stage.rasters, stage.layers = {}, {}
            products.take(number, result)
            records.append(
                StageRecord(
                    stage=stage.name,
                    package=stage_package(stage.name),
                    parameters=stage.params.model_dump(mode="json"),
                    derived={**stage.reasons, **result.reasons},
                    reach_m=stage.reach(),
                    seconds=time.perf_counter() - began,
                    points=store.usable_count,
                    changed=result.changed,
                    classes=class_counts(self.codes),
                    warnings=result.warnings,
                )
            )
        return records

    def _take_figures(
        self, alive: Sequence[TrackedInput], each: Sequence[dict[str, float]], together: dict[str, float]
    ) -> None:
        """Keep the figures of every flight, and those of the run, from labels as they will be delivered."""
        for one, figures in zip(alive, each, strict=True):
            one.figures.update(figures)
        self.figures.update(together)

    def _deliver_all(self, store: Store, site: SiteFacts, behind: Behind) -> list[OutputRecord]:
        """Write the clouds, wait for all that is being written, and write what lists it."""
        clouds = self._deliver(store)
        behind.wait()
        made = [*self.outputs, *self.layer_files, *self.surface_files]
        outputs = [*clouds, *made, *self.delivery.index()]
        return [*outputs, *self.delivery.item(self._name, outputs, site, self.inputs.created, self.started)]

    def _deliver(self, store: Store) -> list[OutputRecord]:
        outputs: list[OutputRecord] = []
        if not self.request.pipeline.output.clouds:
            return outputs
        alive = self.inputs.alive
        extra = extra_labels(self.stages)
        self.progress.start("writing", len(store))
        for number, one in enumerate(alive):
            assert one.flight is not None  # noqa: S101
            assert one.settled is not None  # noqa: S101
            labels = store.label_rows(number, tuple(extra))
            within = None
            if self.area is not None and self.boundary is not None and self.boundary.clouds == "cut":
                within = points_within(self.area.inner, one.flight, one.settled.units)
            try:
                made = deliver_clouds(
                    one.flight,
                    self.targets[one.name],
                    labels,
                    self.request.pipeline.output,
                    self.progress.advance,
                    self.inputs.units.vertical,
                    within,
                    one.loaded.kept if one.loaded else None,
                )
            except NothingWithinError:
                one.outside = one.points
                text = "no point lies within the boundary: not delivered"
                one.warnings.append(text)
                self.remarks.warn(f"{one.path.name}: {text}")
                continue
            except (BadInputError, OutputError) as error:
                self.inputs.fail(one, error)
                continue
            for text in made.warnings:
                self.remarks.warn(f"{one.path.name}: {text}")
            one.outside = made.outside
            outputs.append(self.delivery.cloud(made, one.path, one.shown))
        self.progress.finish()
        return outputs

    def _boundary_record(self) -> BoundaryRecord | None:
        if self.area is None or self.boundary is None:
            return None
        return BoundaryRecord(
            file=str(self.area.path),
            layer=self.area.layer,
            sha256=self.area.sha256,
            area_m2=self.area.inner.polygon.area,
            buffer_m=self.area.buffer,
            clouds=self.boundary.clouds,
            unused_points=sum(i.beyond for i in self.inputs.all),
            outside_points=sum(i.outside for i in self.inputs.all),
        )

    def _gather(self, store: Store, site: SiteFacts, stages: list[StageRecord]) -> None:
        """Let the report see the points before they are gone."""
        cut = self.area is not None and self.boundary is not None and self.boundary.clouds == "cut"
        cells = [s.parameters.get("cell") for s in stages if s.stage == "terrain_grid"]
        self.reporting.gather(
            store,
            site,
            self.inputs.units,
            self.codes,
            region=self.area.inner if self.area is not None and cut else None,
            flights=len([i for i in self.inputs.all if i.loaded]),
            cell=next((c for c in cells if c), self.cell),
        )

    def _study(self, outputs: list[OutputRecord]) -> None:
        """Let the report look at what was delivered."""

        def record() -> dict[str, Any]:
            return {
                "outputs": [o.model_dump(mode="json") for o in outputs],
                "inputs": [i.record().model_dump(mode="json") for i in self.inputs.all],
                "pipeline": self.request.pipeline.as_dict(),
            }

        # Where memory is short, one thing after the other.
        self.reporting.study(record, threads=1 if self.scratch_folder is not None else self.workers)

    # -- the end ---------------------------------------------------------------------------------------------

    def _finish(
        self,
        site: SiteFacts | None,
        crs: CloudCrs | None,
        stages: list[StageRecord],
        outputs: list[OutputRecord],
    ) -> RunOutcome:
        for one in self.inputs.all:
            one.know_again()
        judgement = judge_run(
            self.request.pipeline,
            self.inputs.all,
            self.figures,
            self.started,
            time.perf_counter() - self.clock,
        )
        judged = written_judgement(judgement, self.folder.root)
        status, code = status_of(self.inputs.all, judgement.gates)
        finished = datetime.now(UTC)
        pipeline = self.request.pipeline.as_dict()
        if self.boundary is not None:
            pipeline["boundary"] = self.boundary.model_dump(mode="json")
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
            asked=AskedRecord(
                **asked_of(
                    self.request.pipeline,
                    cell=self.request.cell,
                    boundary=self.request.boundary,
                    assume_crs=self.request.assume_crs,
                )
            ),
            inputs=[i.record() for i in self.inputs.all],
            given=list(self.given.records),
            site=site_record(site, crs, self.inputs.units) if site is not None and crs is not None else None,
            reference_systems=reference_texts(self.inputs.all, crs),
            boundary=self._boundary_record(),
            stages=stages,
            figures=self.figures,
            assumed=self.remarks.assumed,
            warnings=self.remarks.warnings,
            outputs=[*outputs, *judged],
            extra_dimensions=extra_dimension_records(self.stages) if outputs and self.targets else [],
            gates=list(judgement.gates),
        )
        if report := self.reporting.write(record):
            record = record.model_copy(update={"outputs": [*record.outputs, *report]})
        record = record.model_copy(update={"warnings": self.remarks.warnings})
        write_record(record, self.folder.root)
        self.folder.finished()
        return RunOutcome(
            record.model_dump(mode="json"), code, outcome_lines(record, self._told(self.folder.root))
        )


def _boundary(request: RunRequest) -> Boundary | None:
    """Return the boundary of a run: the one given, else the pipeline's, below the pipeline's own folder."""
    declared = request.pipeline.boundary
    if request.boundary is not None:
        path = str(request.boundary)
        return (declared or Boundary(file=path)).model_copy(update={"file": path, "layer": None})
    if declared is None:
        return None
    return declared.model_copy(update={"file": str(request.pipeline.folder / declared.file)})
