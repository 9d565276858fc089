"""Runs one stage over the blocks of a site: summaries first, the site's solution, then the labels."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.store import merged_labels
from cloudprep.errors import CloudprepError
from cloudprep.model.bounds import EVERYWHERE, Bounds
from cloudprep.model.columns import COLUMNS, EXTRA_LABELS, STANDARD_LABELS, WORKING_COLUMNS
from cloudprep.stages.base import Context

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from cloudprep.engine.progress import ProgressSink
    from cloudprep.engine.store import Block, BlockLayout, PointStore
    from cloudprep.model.delta import Solution, Summary
    from cloudprep.model.grid import Grid
    from cloudprep.model.points import Points
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage


class ContractError(CloudprepError):
    """A stage gave back something that it did not declare: a fault of the stage, not of the data."""


def sweeps_of(stage: Stage) -> int:
    """Return how many times a stage goes over the points, at most."""
    return int(stage.summarises) + int(stage.revisits) + int(bool(stage.provides)) + int(stage.draws)


@dataclass
class StageResult:
    """What came of one stage; ``changed`` counts points whose class or withheld flag is another now."""

    grids: tuple[Grid, ...] = ()
    figures: dict[str, float | int] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    changed: int = 0


@dataclass(frozen=True)
class _Job:
    """A block as a stage sees it."""

    block: Block
    points: Points
    context: Context


class StagePass:
    """One stage at work on one site.

    Parameters
    ----------
    stage : Stage
        Resolved.
    store : PointStore
        The points; the columns that the stage provides are exchanged at the end.
    layout : BlockLayout
        The blocks.
    site : SiteFacts
        Facts about the site.
    workers : int
        Threads: shared among blocks, or inside the kernels when there is a single block.
    progress : ProgressSink
        Told about every block.
    """

    def __init__(
        self,
        stage: Stage,
        store: PointStore,
        layout: BlockLayout,
        site: SiteFacts,
        *,
        workers: int,
        progress: ProgressSink,
    ) -> None:
        self.stage = stage
        self.store = store
        self.layout = layout
        self.site = site
        self.progress = progress
        many = len(layout.blocks) > 1
        self.block_workers = min(workers, len(layout.blocks)) if many else 1
        self.kernel_threads = 1 if many else workers
        stage.threads = workers
        self.names = tuple(dict.fromkeys((*stage.needs, *stage.uses)))

    def carry_out(self) -> StageResult:
        """Run the stage; the store's labels change only when all blocks are done."""
        sweeps = sweeps_of(self.stage)
        self.progress.start(self.stage.name, max(1, sweeps) * self.store.usable_count)
        result = StageResult()
        solution: Solution | None = None
        try:
            if self.stage.summarises:
                solution = self._summarise()
                if solution.revisit:
                    solution = self._revisit(solution)
                result.grids = solution.grids
                result.figures.update(solution.figures)
                result.warnings.extend(solution.warnings)
            if self.stage.provides:
                self._label(solution, result)
            if self.stage.draws:
                self._draw(solution, result)
        finally:
            self.store.scratch = {}
            self.progress.finish()
        return result

    def _summarise(self) -> Solution:
        def work(job: _Job) -> Summary:
            return self.stage.summarise(job.points, job.context)

        parts: list[Any] = []
        scratch: dict[str, NDArray[Any]] = {}
        for job, summary in self._each_block(work):
            parts.append(summary.part)
            self._check_lengths(summary.scratch, len(job.points), "summarise")
            for name, values in summary.scratch.items():
                if name not in scratch:
                    scratch[name] = np.zeros(len(self.store), np.asarray(values).dtype)
                rows = job.block.rows if job.block.rows is not None else slice(None)
                scratch[name][rows] = np.asarray(values)[job.context.core]
        solution = self.stage.solve(self.stage.merge(parts), self.site)
        self.store.scratch = scratch
        return solution

    def _revisit(self, first: Solution) -> Solution:
        def work(job: _Job) -> Any:
            return self.stage.revisit(job.points, job.context, first)

        parts = [part for _, part in self._each_block(work)]
        return self.stage.settle(self.stage.merge_revisits(parts), first, self.site)

    def _label(self, solution: Solution | None, result: StageResult) -> None:
        def work(job: _Job) -> tuple[dict[str, NDArray[Any]], tuple[str, ...]]:
            delta = self.stage.run(job.points, job.context, solution)
            columns = self._checked(delta.columns, len(job.points))
            return {n: v[job.context.core] for n, v in columns.items()}, delta.warnings

        changes = []
        for job, (columns, warnings) in self._each_block(work):
            changes.append((job.block.rows, columns))
            result.warnings.extend(w for w in warnings if w not in result.warnings)
        before = dict(self.store.columns)
        # Each block's part is let go once it is put in, so that nothing is held twice.
        changes.reverse()
        after = merged_labels(before, (changes.pop() for _ in range(len(changes))))
        for name in self.stage.provides:
            if name in EXTRA_LABELS and name not in after:  # nothing said of any point
                after[name] = np.zeros(len(self.store), COLUMNS[name].dtype)
        differs = np.zeros(len(self.store), bool)
        for name in STANDARD_LABELS:
            if name in after:
                differs |= after[name] != before[name] if name in before else after[name].astype(bool)
        result.changed = int(np.count_nonzero(differs))
        if "classification" in after:
            result.figures.update(self.stage.figures(before["classification"], after["classification"]))
        self.store.columns.update(after)

    def _draw(self, solution: Solution | None, result: StageResult) -> None:
        """Let every block draw its cells, also where no points lie, and the stage finish the rasters."""
        canvases = self.stage.canvas(self.site)
        grids = {c.name: np.full(c.window.shape, c.empty, c.dtype) for c in canvases}

        def work(job: _Job) -> Any:
            drawing = self.stage.draw(job.points, job.context, solution)
            window = drawing.window
            for canvas, values in zip(canvases, drawing.arrays, strict=True):
                if values.shape != window.shape or values.dtype != canvas.dtype:
                    raise ContractError(
                        f"stage {self.stage.name} drew '{canvas.name}' in the wrong shape or type"
                    )
                row, column = window.row - canvas.window.row, window.column - canvas.window.column
                # Blocks draw apart from each other.
                cells = (slice(row, row + window.rows), slice(column, column + window.columns))
                grids[canvas.name][cells] = values
            return drawing.share

        shares = [share for _, share in self._each_block(work)]
        shares += [work(self._job(block)) for block in self.layout.without_points(self.site)]
        finished = self.stage.finish(grids, shares, self.site)
        result.grids = (*result.grids, *finished.grids)
        result.figures.update(finished.figures)
        result.warnings.extend(w for w in finished.warnings if w not in result.warnings)

    def _each_block(self, work: Callable[[_Job], Any]) -> list[tuple[_Job, Any]]:
        """Return every block with what the work made of it, in the order of the blocks."""
        blocks = self.layout.blocks
        if self.block_workers == 1:
            done = []
            for block in blocks:
                job = self._job(block)
                done.append((_without_points(job), work(job)))
                self.progress.advance(block.count)
            return done

        def one(block: Block) -> tuple[_Job, Any]:
            job = self._job(block)
            return _without_points(job), work(job)

        results: dict[int, tuple[_Job, Any]] = {}
        with ThreadPoolExecutor(self.block_workers, thread_name_prefix=self.stage.name) as pool:
            waiting = {pool.submit(one, block): i for i, block in enumerate(blocks)}
            try:
                for future in as_completed(waiting):
                    i = waiting[future]
                    results[i] = future.result()
                    self.progress.advance(blocks[i].count)
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise
        return [results[i] for i in range(len(blocks))]

    def _job(self, block: Block) -> _Job:
        reach = self.stage.reach()
        buffered = EVERYWHERE if block.bounds == EVERYWHERE else block.bounds.grown(reach)
        if block.bounds == EVERYWHERE or reach <= 0:
            rows = block.rows
            core = np.ones(block.count, bool)
            if block.bounds != EVERYWHERE:
                buffered = block.bounds
        else:
            rows = self.layout.rows_within(buffered)
            assert rows is not None  # noqa: S101
            assert block.rows is not None  # noqa: S101
            core = np.zeros(len(rows), bool)
            core[np.searchsorted(rows, block.rows)] = True
        points = self.store.points(self.names, rows)
        context = Context(self.site, core, block.bounds, buffered, self._fetch, self.kernel_threads)
        return _Job(block, points, context)

    def _fetch(self, bounds: Bounds) -> Points:
        return self.store.points(self.names, self.layout.rows_within(bounds))

    def _checked(self, columns: Mapping[str, Any], count: int) -> dict[str, NDArray[Any]]:
        undeclared = sorted(set(columns) - set(self.stage.provides))
        if undeclared:
            raise ContractError(f"stage {self.stage.name} changed {undeclared}, which it does not declare")
        self._check_lengths(columns, count, "run")
        checked = {}
        for name, values in columns.items():
            array = np.asarray(values)
            if array.dtype != COLUMNS[name].dtype:
                expected = COLUMNS[name].dtype
                raise ContractError(f"stage {self.stage.name} gave '{name}' as {array.dtype}, not {expected}")
            most = COLUMNS[name].most
            if most is not None and array.size and int(array.max()) > most:
                raise ContractError(
                    f"stage {self.stage.name} gave '{name}' up to {array.max()}, more than {most}"
                )
            checked[name] = array
        for name in self.stage.provides:
            if name in WORKING_COLUMNS and name not in checked:
                raise ContractError(f"stage {self.stage.name} gave no '{name}', which it declares")
        return checked

    def _check_lengths(self, columns: Mapping[str, Any], count: int, where: str) -> None:
        for name, values in columns.items():
            if len(values) != count:
                got = f"{len(values)} values of '{name}' for {count} points"
                raise ContractError(f"stage {self.stage.name}: {where} gave {got}")


def _without_points(job: _Job) -> _Job:
    """Let go of a block's points once its work is done; the rest is small."""
    return _Job(job.block, _CountOnly(len(job.points)), job.context)  # type: ignore[arg-type]


class _CountOnly:
    """Stands in for points of which only the number is still wanted."""

    __slots__ = ("_count",)

    def __init__(self, count: int) -> None:
        self._count = count

    def __len__(self) -> int:
        return self._count
