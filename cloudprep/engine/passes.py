"""Runs one stage over the blocks of a site: summaries first, the site's solution, then the labels."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from cloudprep.engine.executor import Threads
from cloudprep.engine.heap import give_back
from cloudprep.engine.rasters import bands_of
from cloudprep.engine.stage_result import StageResult
from cloudprep.errors import CloudprepError
from cloudprep.model.columns import COLUMNS, EXTRA_LABELS, WORKING_COLUMNS
from cloudprep.model.delta import Summary
from cloudprep.model.moves import ClassMoves
from cloudprep.stages.base import Context

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.executor import Executor
    from cloudprep.engine.progress import ProgressSink
    from cloudprep.engine.rasters import Rasters
    from cloudprep.engine.store import Block, Store
    from cloudprep.model.bounds import Bounds
    from cloudprep.model.delta import Solution
    from cloudprep.model.points import Points
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage


Step = Literal["summarise", "revisit", "run", "draw"]

# What a stage's summaries hand on to its labelling is held apart from columns of the same name.
_SCRATCH = "scratch "


class ContractError(CloudprepError):
    """A stage gave back something that it did not declare: a fault of the stage, not of the data."""


def sweeps_of(stage: Stage) -> int:
    """Return how many times a stage goes over the points, at most."""
    return int(stage.summarises) + int(stage.revisits) + int(bool(stage.provides)) + int(stage.draws)


@dataclass(frozen=True)
class BlockResult:
    """What one block gave: small things; its columns went into the store.

    Parameters
    ----------
    part : object
        Its share of the site's figures.
    dtypes : dict of str to dtype
        Columns that were put into the store.
    warnings : tuple of str
        Lines for people.
    changed : int
        Points whose class or withheld flag is another now.
    moves : ClassMoves or None
        Which classes its points went to.
    """

    part: Any = None
    dtypes: dict[str, np.dtype[Any]] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    changed: int = 0
    moves: ClassMoves | None = None


@dataclass(frozen=True)
class BlockWork:
    """What is done to each block in one sweep of a stage; it pickles, and doing it twice does no harm.

    Parameters
    ----------
    step : {"summarise", "revisit", "run", "draw"}
        Which part of the stage's contract.
    stage : Stage
        Resolved.
    store : Store
        The points.
    site : SiteFacts
        Facts about the site.
    solution : Solution or None
        What the stage worked out for the site.
    scratch : tuple of str
        Columns of the stage's own, from its summaries.
    threads : int
        For the kernels.
    rasters : Rasters, optional
        To draw into; those in files go along when the work is pickled.
    """

    step: Step
    stage: Stage
    store: Store
    site: SiteFacts
    solution: Solution | None = None
    scratch: tuple[str, ...] = ()
    threads: int = 1
    rasters: Rasters | None = None

    def __call__(self, block: Block) -> BlockResult:
        """Return what a block gives."""
        points, core, buffered = self.store.around(block, self._names, self.stage.reach())
        context = Context(self.site, core, block.bounds, buffered, self._fetch, self.threads)
        if self.step == "summarise":
            return self._summarise(block, points, context)
        if self.step == "revisit":
            assert self.solution is not None  # noqa: S101
            share = self.stage.revisit(self._seen(points), context, self.solution)
            if isinstance(share, Summary):
                return self._handed_on(block, share, context)
            return BlockResult(share)
        if self.step == "draw":
            return self._draw(block, self._seen(points), context)
        return self._run(block, points, context)

    @property
    def _names(self) -> tuple[str, ...]:
        labels = [n for n in ("classification", "withheld") if n in self.stage.provides]
        return tuple(dict.fromkeys((*self.stage.needs, *self.stage.uses, *self.scratch, *labels)))

    def _fetch(self, bounds: Bounds) -> Points:
        return self.store.within(bounds, self._names)

    def _summarise(self, block: Block, points: Points, context: Context) -> BlockResult:
        return self._handed_on(block, self.stage.summarise(points, context), context)

    def _handed_on(self, block: Block, summary: Summary, context: Context) -> BlockResult:
        """Put what a block computed for its points on the way where ``run`` finds it."""
        self._check_lengths(summary.scratch, len(context.core), self.step)
        found = {_SCRATCH + name: np.asarray(values) for name, values in summary.scratch.items()}
        if found:
            self.store.put(block, {name: _own(values, context) for name, values in found.items()})
        return BlockResult(summary.part, {name: values.dtype for name, values in found.items()})

    def _run(self, block: Block, points: Points, context: Context) -> BlockResult:
        delta = self.stage.run(self._seen(points), context, self.solution)
        columns = self._checked(delta.columns, len(points))
        after = {name: _own(values, context) for name, values in columns.items()}
        moves = None
        differs = np.zeros(block.count, bool)
        for name in ("classification", "withheld"):
            if name not in self.stage.provides:
                continue
            before = _own(points[name], context) if name in points else np.zeros(block.count, bool)
            after.setdefault(name, before)  # nothing said: it stays
            differs |= after[name] != before
            if name == "classification":
                moves = ClassMoves.between(before, after[name])
        changed = int(np.count_nonzero(differs))
        for name in self.stage.provides:
            if name in EXTRA_LABELS and name not in after:  # nothing said of any point
                after[name] = np.full(block.count, COLUMNS[name].nothing, COLUMNS[name].dtype)
        self.store.put(block, after)
        dtypes = {name: values.dtype for name, values in after.items()}
        return BlockResult(None, dtypes, delta.warnings, changed, moves)

    def _draw(self, block: Block, points: Points, context: Context) -> BlockResult:
        """Draw a block, band by band; the part of the result is the share of each band."""
        assert self.rasters is not None  # noqa: S101
        canvases = self.stage.canvas(self.site)
        bands = bands_of(block, canvases, self.site)
        shares = []
        for bounds, core in zip(bands, _cores(bands, points, context.core), strict=True):
            drawing = self.stage.draw(points, replace(context, core=core, block=bounds), self.solution)
            for canvas, values in zip(canvases, drawing.arrays, strict=True):
                if values.shape != drawing.window.shape or values.dtype != canvas.dtype:
                    raise ContractError(
                        f"stage {self.stage.name} drew '{canvas.name}' in the wrong shape or type"
                    )
            self.rasters.put(drawing)
            shares.append(drawing.share)
        return BlockResult(shares)

    def _seen(self, points: Points) -> Points:
        """Leave out columns that were only read to compare, and give its own back to the stage."""
        seen = {*self.stage.needs, *self.stage.uses}
        kept = {name: name for name in points if name in seen}
        kept.update((name.removeprefix(_SCRATCH), name) for name in self.scratch)
        return points.named(kept)

    def _checked(self, columns: Mapping[str, Any], count: int) -> dict[str, NDArray[Any]]:
        name = self.stage.name
        undeclared = sorted(set(columns) - set(self.stage.provides))
        if undeclared:
            raise ContractError(f"stage {name} changed {undeclared}, which it does not declare")
        self._check_lengths(columns, count, "run")
        checked = {}
        for column, values in columns.items():
            array = np.asarray(values)
            expected, most = COLUMNS[column].dtype, COLUMNS[column].most
            if array.dtype != expected:
                raise ContractError(f"stage {name} gave '{column}' as {array.dtype}, not {expected}")
            if most is not None and array.size and int(array.max()) > most:
                raise ContractError(f"stage {name} gave '{column}' up to {array.max()}, more than {most}")
            checked[column] = array
        for column in self.stage.provides:
            if column in WORKING_COLUMNS and column not in checked:
                raise ContractError(f"stage {name} gave no '{column}', which it declares")
        return checked

    def _check_lengths(self, columns: Mapping[str, Any], count: int, where: str) -> None:
        for name, values in columns.items():
            if len(values) != count:
                got = f"{len(values)} values of '{name}' for {count} points"
                raise ContractError(f"stage {self.stage.name}: {where} gave {got}")


def _cores(bands: Sequence[Bounds], points: Points, core: NDArray[np.bool_]) -> Iterator[NDArray[np.bool_]]:
    """Give each band its own of a block's points: also those that rounding puts just beyond the block."""
    if len(bands) == 1:
        yield core
        return
    of_band = np.searchsorted([band.y0 for band in bands[1:]], points["y"], side="right")
    for i in range(len(bands)):
        yield core & (of_band == i)


def _own(values: NDArray[Any], context: Context) -> NDArray[Any]:
    """Return the values of a block's own points, which stores give first; the array itself where they can."""
    core = context.core
    count = int(np.count_nonzero(core))
    if count == len(core):
        return values
    return values[:count] if core[:count].all() else values[core]


class StagePass:
    """One stage at work on one site.

    Parameters
    ----------
    stage : Stage
        Resolved.
    store : Store
        The points, cut into blocks; the columns that the stage provides are exchanged at the end.
    site : SiteFacts
        Facts about the site.
    workers : int
        Threads: shared among blocks, and inside the kernels where there are more of them than blocks.
    progress : ProgressSink
        Told about every block.
    executor : Executor, optional
        Who does the work on blocks; by default as many threads as there are workers.
    """

    def __init__(
        self,
        stage: Stage,
        store: Store,
        site: SiteFacts,
        *,
        workers: int,
        progress: ProgressSink,
        executor: Executor | None = None,
    ) -> None:
        self.stage = stage
        self.store = store
        self.site = site
        self.progress = progress
        self.executor = executor or Threads(workers)
        spare = 1 if self.executor.crew.elsewhere else workers // max(1, len(store.blocks))
        self.kernel_threads = max(1, spare)
        stage.threads = workers

    def carry_out(self) -> StageResult:
        """Run the stage; the store's labels change only when all blocks are done."""
        sweeps = sweeps_of(self.stage)
        self.progress.start(self.stage.name, max(1, sweeps) * self.store.usable_count)
        result = StageResult()
        solution: Solution | None = None
        scratch: tuple[str, ...] = ()
        try:
            if self.stage.summarises:
                solution, scratch = self._summarise()
                if solution.revisit:
                    done = self._each_block("revisit", solution, scratch)
                    dtypes = {name: dtype for one in done for name, dtype in one.dtypes.items()}
                    parts = [one.part for one in done]
                    del done
                    merged = self.stage.merge_revisits(parts)
                    del parts
                    self.store.exchange(dtypes)
                    scratch = (*scratch, *(name for name in dtypes if name not in scratch))
                    give_back()
                    solution = self.stage.settle(merged, solution, self.site)
                    del merged
                    give_back()
                result.take(solution)
            elif self.stage.sources() and not self.stage.draws:
                solution = self.stage.from_rasters(self.site)
                result.take(solution)
            if self.stage.provides:
                self._label(solution, scratch, result)
            if self.stage.draws:
                self._draw(solution, scratch, result)
        finally:
            self.store.forget(scratch)
            give_back()
            self.progress.finish()
        return result

    def _summarise(self) -> tuple[Solution, tuple[str, ...]]:
        done = self._each_block("summarise", None)
        dtypes = {name: dtype for one in done for name, dtype in one.dtypes.items()}
        parts = [one.part for one in done]
        del done
        merged = [self.stage.merge(parts)]
        del parts
        give_back()  # what blocks took, before rasters of the whole site take theirs
        # Handed over: what the stage doesn't need any more on the way goes.
        solution = self.stage.solve(merged.pop(), self.site)
        give_back()
        self.store.exchange(dtypes)
        return solution, tuple(dtypes)

    def _label(self, solution: Solution | None, scratch: tuple[str, ...], result: StageResult) -> None:
        done = self._each_block("run", solution, scratch)
        for one in done:
            result.warnings.extend(w for w in one.warnings if w not in result.warnings)
        result.changed = sum(one.changed for one in done)
        dtypes = {name: dtype for one in done for name, dtype in one.dtypes.items()}
        if "classification" in self.stage.provides:
            stray = ClassMoves(np.diag(self.store.stray_codes))
            result.moves = ClassMoves.sum([stray, *(one.moves for one in done if one.moves is not None)])
            result.figures.update(self.stage.figures(result.moves))
        self.store.exchange(dtypes)

    def _draw(self, solution: Solution | None, scratch: tuple[str, ...], result: StageResult) -> None:
        """Let every block draw its cells, also where no points lie, and the stage finish the rasters."""
        rasters = self.store.rasters(self.stage.canvas(self.site))
        drawn = self._each_block("draw", solution, scratch, rasters)
        shares = [share for done in drawn for share in done.part]
        result.take(self.stage.finish(rasters.whole(), shares, self.site))

    def _each_block(
        self,
        step: Step,
        solution: Solution | None,
        scratch: tuple[str, ...] = (),
        rasters: Rasters | None = None,
    ) -> list[BlockResult]:
        """Return what every block gave, in the order of the blocks."""
        work = BlockWork(
            step, self.stage, self.store, self.site, solution, scratch, self.kernel_threads, rasters
        )
        return self.executor.each(work, self.store.blocks, lambda b: self.progress.advance(b.count))
