"""Runs a pipeline on the flights of one site: read, classify together, deliver each flight apart."""

from __future__ import annotations

import gc
import os
import resource
import sys
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.deliver import deliver_clouds, deliver_grids
from cloudprep.engine.folder import RunFolder
from cloudprep.engine.gates import judge
from cloudprep.engine.groups import LARGEST_GAP, site_groups
from cloudprep.engine.inputs import deliverable_names, expand_inputs
from cloudprep.engine.loading import LoadedFlight, load_flight, local_metres, site_origin
from cloudprep.engine.passes import StagePass
from cloudprep.engine.plan import check_needs, facts_from_headers, plan_lines, plan_run, wanted_columns
from cloudprep.engine.record import (
    InputRecord,
    OutputRecord,
    RunRecord,
    SiteRecord,
    StageRecord,
    Status,
    versions,
    write_record,
)
from cloudprep.engine.reference import Assumptions, Settled, describe, settle, site_reference
from cloudprep.engine.sitefacts import measure_site
from cloudprep.engine.store import BlockLayout, PointStore
from cloudprep.errors import (
    EXIT_DONE,
    EXIT_GATE_FAILED,
    EXIT_INPUT_FAILED,
    BadInputError,
    OutputError,
    UsageError,
)
from cloudprep.io.las import fingerprint, open_flight
from cloudprep.model.classes import NOISE_CODES, ClassCode
from cloudprep.model.crs import CloudCrs

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.config import Pipeline
    from cloudprep.engine.loading import Units
    from cloudprep.engine.progress import ProgressSink
    from cloudprep.io.las import Flight
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
        Edge of a block, m; by default from the density. The results don't depend on it.
    """

    pipeline: Pipeline
    inputs: tuple[str, ...]
    out: Path
    workers: int | None = None
    overwrite: bool = False
    dry_run: bool = False
    assume_crs: str | None = None
    block_edge: float | None = None


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


@dataclass
class _Input:
    """One input on its way through the run."""

    path: Path
    name: str
    flight: Flight | None = None
    settled: Settled | None = None
    loaded: LoadedFlight | None = None
    points: int = 0
    stray: int = 0
    sha256: str = ""
    warnings: list[str] = field(default_factory=list)
    failure: str = ""
    rows: slice = field(default_factory=lambda: slice(0, 0))

    @property
    def alive(self) -> bool:
        return not self.failure

    def record(self) -> InputRecord:
        return InputRecord(
            path=str(self.path),
            size_bytes=self.flight.size_bytes if self.flight else _size_of(self.path),
            sha256=self.sha256,
            points=self.points,
            stray_points=self.stray,
            reference_system=describe(self.settled.crs) if self.settled else "",
            warnings=self.warnings,
            status="failed" if self.failure else "done",
            reason=self.failure,
        )


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
        self.inputs: list[_Input] = []
        self.assumed: list[str] = []
        self.warnings: list[str] = []
        self.figures: dict[str, float] = {}

    # -- the steps -------------------------------------------------------------------------------------------

    def carry_out(self) -> RunOutcome:
        self.folder.refuse_finished(overwrite=self.request.overwrite)
        paths = expand_inputs(self.request.inputs, leave_out=self.request.out, note=self._assume)
        names = deliverable_names(paths)
        self.inputs = [_Input(p, n) for p, n in zip(paths, names, strict=True)]
        self.targets = {i.name: self.folder.clouds / f"{i.name}.{self._ending}" for i in self.inputs}
        self.folder.refuse_inputs(list(self.targets.values()), paths)
        self._open()
        self._check_needs()
        crs = self._settle_reference()
        if self.request.dry_run:
            return self._dry_run()
        self.folder.prepare(paths)
        self._load()
        if not self._alive():
            return self._finish(None, None, [], [])
        self._refuse_far_apart()
        store, site = self._gather()
        stage_records, grids = self._run_stages(store, site)
        self._note_final_figures(store)
        outputs = self._deliver(store, crs, grids)
        return self._finish(site, crs, stage_records, outputs)

    @property
    def _ending(self) -> str:
        return self.request.pipeline.output.format

    def _alive(self) -> list[_Input]:
        return [i for i in self.inputs if i.alive]

    def _fail(self, which: _Input, error: BadInputError | OutputError) -> None:
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
                flight = _open_with_points(one.path)
                one.settled = settle(flight, said)
            except BadInputError as error:
                self._fail(one, error)
                continue
            one.flight = flight
            one.points = flight.count
            one.warnings = [*flight.warnings, *one.settled.crs.warnings]
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
            stages = [s.resolved(site) for s in self.stages]
            outputs += [self.folder.terrain / f"{g}.tif" for s in stages for g in s.grids]
            outputs.append(self.folder.root / "run.json")
            made = plan_run(stages, site)
            lines += plan_lines(made, outputs)
            lines.append("derived values come from the headers here; the run measures them")
            plan = {
                "points": made.points,
                "blocks": made.blocks,
                "memory_bytes": made.memory_bytes,
                "passes": [{"stage": s.name, "sweeps": s.sweeps, "buffer_m": s.reach} for s in made.stages],
                "outputs": [str(o) for o in outputs],
            }
        record = {
            "dry_run": True,
            "plan": plan,
            "failed": {str(i.path): i.failure for i in self.inputs if i.failure},
        }
        return RunOutcome(record, EXIT_DONE if len(alive) == len(self.inputs) else EXIT_INPUT_FAILED, lines)

    def _load(self) -> None:
        wanted = [n for n in wanted_columns(self.stages) if n in self.columns]
        alive = self._alive()
        self.progress.start("reading", sum(i.points for i in alive))
        for one in alive:
            assert one.flight is not None  # noqa: S101
            assert one.settled is not None  # noqa: S101
            try:
                one.loaded = load_flight(one.flight, one.settled.units, wanted, self.progress.advance)
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

    def _gather(self) -> tuple[PointStore, SiteFacts]:
        """Join the flights into one store, in source order, and measure the site."""
        loaded = [i.loaded for i in self._alive() if i.loaded]
        origin = site_origin(loaded)
        total = sum(f.flight.count for f in loaded)
        columns: dict[str, NDArray[Any]] = {a: np.empty(total) for a in "xyz"}
        stray = np.zeros(total, bool)
        start = 0
        names = [n for n in loaded[0].columns if n not in "XYZ"]
        for name in names:
            columns[name] = np.empty(total, loaded[0].columns[name].dtype)
        resolution = min(min(f.flight.scales[:2]) * f.units.horizontal for f in loaded)
        for one in self._alive():
            flight = one.loaded
            assert flight is not None  # noqa: S101
            one.rows = slice(start, start + flight.flight.count)
            start = one.rows.stop
            for i, axis in enumerate("xyz"):
                columns[axis][one.rows] = local_metres(flight, i, origin)
            for name in names:
                columns[name][one.rows] = flight.columns[name]
            if flight.stray is not None:
                stray[one.rows] = flight.stray
            one.loaded = None  # the raw columns are not wanted any more
        columns.setdefault("withheld", np.zeros(total, bool))
        store = PointStore(columns, stray if stray.any() else None)
        gc.collect()
        site = measure_site(store, origin=origin, resolution=resolution, columns=self.columns)
        self._label_stray(store)
        return store, site

    def _label_stray(self, store: PointStore) -> None:
        if store.stray is None:
            return
        z = store.columns["z"]
        middle = float(np.median(z[~store.stray]))
        labels = np.where(z > middle, ClassCode.HIGH_NOISE, ClassCode.LOW_NOISE).astype(np.uint8)
        changed = store.columns["classification"].copy()
        changed[store.stray] = labels[store.stray]
        store.columns["classification"] = changed

    def _run_stages(self, store: PointStore, site: SiteFacts) -> tuple[list[StageRecord], list[Grid]]:
        layout = BlockLayout(store, site, self.request.block_edge)
        records: list[StageRecord] = []
        grids: list[Grid] = []
        for unresolved in self.stages:
            stage = unresolved.resolved(site)
            began = time.perf_counter()
            work = StagePass(stage, store, layout, site, workers=self.workers, progress=self.progress)
            result = work.carry_out()
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
                    classes=_class_counts(store.columns["classification"]),
                    warnings=result.warnings,
                )
            )
        return records, grids

    def _note_final_figures(self, store: PointStore) -> None:
        classes = store.columns["classification"]
        noise = int(np.isin(classes, NOISE_CODES).sum())
        self.figures["points.count"] = float(len(store))
        self.figures["noise.points"] = float(noise)
        self.figures["noise.share"] = noise / len(store)

    def _deliver(self, store: PointStore, crs: CloudCrs, grids: Sequence[Grid]) -> list[OutputRecord]:
        outputs: list[OutputRecord] = []
        alive = self._alive()
        self.progress.start("writing", len(store))
        for one in alive:
            assert one.flight is not None  # noqa: S101
            labels = {n: store.columns[n][one.rows] for n in ("classification", "withheld")}
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
                self._output(made.path, "cloud", made.sha256, source=str(one.path), points=made.count)
            )
        self.progress.finish()
        units = self._units()
        named = replace(crs, horizontal_unit=units.horizontal, vertical_unit=units.vertical)
        made_grids = deliver_grids(grids, self.folder.terrain, named)
        outputs.extend(self._output(g.path, g.kind, g.sha256) for g in made_grids)
        return outputs

    def _units(self) -> Units:
        """Return the units of the clouds: the flights of a run share them."""
        return next(i.settled.units for i in self.inputs if i.settled)

    def _output(
        self, path: Path, kind: str, sha256: str, *, source: str = "", points: int | None = None
    ) -> OutputRecord:
        relative = path.relative_to(self.folder.root).as_posix()
        return OutputRecord.model_validate(
            {
                "path": relative,
                "kind": kind,
                "size_bytes": path.stat().st_size,
                "sha256": sha256,
                "source": source,
                "points": points,
            }
        )

    # -- the end ---------------------------------------------------------------------------------------------

    def _finish(
        self,
        site: SiteFacts | None,
        crs: CloudCrs | None,
        stages: list[StageRecord],
        outputs: list[OutputRecord],
    ) -> RunOutcome:
        gates = judge(self.request.pipeline.gates, self.figures) if site is not None else []
        failed = [i for i in self.inputs if not i.alive]
        status: Status = "done"
        code = EXIT_DONE
        if any(not g.passed for g in gates):
            status, code = "gate_failed", EXIT_GATE_FAILED
        if failed:
            status = "all_inputs_failed" if len(failed) == len(self.inputs) else "some_inputs_failed"
            code = EXIT_INPUT_FAILED
        finished = datetime.now(UTC)
        pipeline = self.request.pipeline.as_dict()
        if stages:
            pipeline["stages"] = [{"stage": s.stage, **s.parameters} for s in stages]
        record = RunRecord(
            status=status,
            started=self.started.isoformat(timespec="seconds"),
            finished=finished.isoformat(timespec="seconds"),
            seconds=time.perf_counter() - self.clock,
            peak_memory_bytes=_peak_memory(),
            versions=versions(),
            workers=self.workers,
            pipeline_source=str(self.request.pipeline.source),
            pipeline=pipeline,
            inputs=[i.record() for i in self.inputs],
            site=self._site_record(site, crs),
            stages=stages,
            figures=self.figures,
            assumed=self.assumed,
            warnings=self.warnings,
            outputs=outputs,
            gates=gates,
        )
        write_record(record, self.folder.root)
        return RunOutcome(record.model_dump(mode="json"), code, _lines(record, self.folder.root))

    def _site_record(self, site: SiteFacts | None, crs: CloudCrs | None) -> SiteRecord | None:
        if site is None or crs is None:
            return None
        units = self._units()
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


def _open_with_points(path: Path) -> Flight:
    flight = open_flight(path)
    if flight.count == 0:
        raise BadInputError(path, "holds no points at all")
    return flight


def _class_counts(classes: NDArray[np.uint8]) -> dict[str, int]:
    counts = np.bincount(classes, minlength=256)
    return {str(code): int(n) for code, n in enumerate(counts) if n}


def _size_of(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _peak_memory() -> int:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def _lines(record: RunRecord, root: Path) -> list[str]:
    done = [i for i in record.inputs if i.status == "done"]
    lines = [f"{len(done)} of {len(record.inputs)} inputs delivered to {root} in {record.seconds:.1f} s"]
    lines += [f"failed: {i.path}: {i.reason}" for i in record.inputs if i.status == "failed"]
    lines += [f"gate: {g.reason}" for g in record.gates if not g.passed]
    return lines
