"""Rasters on their way from the stage that makes them to those that read them, and into the folder."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.engine.passes import ContractError
from cloudprep.engine.planned import planned_canvases
from cloudprep.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from cloudprep.engine.stage_result import StageResult
    from cloudprep.model.grid import Canvas, Grid
    from cloudprep.model.layer import Layer, TinSurface
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Stage

# A cell of a raster whose type isn't known yet.
_CELL_BYTES = 4


class Products:
    """What the stages of a run have made so far.

    A raster is handed on for delivery as soon as no later stage reads or replaces it, and let go then; layers
    when no later stage makes any, since they come to one file; surfaces at once.

    Parameters
    ----------
    stages : sequence of Stage
        Of the whole run, in order.
    deliver : callable
        Takes a finished raster.
    deliver_layers, deliver_surfaces : callable
        Take all layers of the run, and the surfaces of a stage.
    """

    def __init__(
        self,
        stages: Sequence[Stage],
        deliver: Callable[[Grid], None],
        deliver_layers: Callable[[Sequence[Layer]], None],
        deliver_surfaces: Callable[[Sequence[TinSurface]], None],
    ) -> None:
        self._stages = stages
        self._deliver = deliver
        self._deliver_layers = deliver_layers
        self._deliver_surfaces = deliver_surfaces
        self._rasters: dict[str, Grid] = {}
        self._layers: list[Layer] = []

    def given_to(self, stage: Stage) -> Mapping[str, Grid]:
        """Return the rasters that a stage reads; their values can't be written to.

        Raises
        ------
        UsageError
            If two of them lie on different cells.
        """
        given = {name: _read_only(self._rasters[name]) for name in stage.sources()}
        first = next(iter(given.values()), None)
        for name, grid in given.items():
            assert first is not None  # noqa: S101
            if grid.window != first.window:
                raise UsageError(
                    f"{stage.name}: '{first.name}' has cells of {first.window.lattice.cell:g} m and '{name}' "
                    f"others ({grid.window.lattice.cell:g} m): give both stages the same 'cell', or the "
                    "pipeline one 'grid: {cell: ...}'"
                )
        return given

    def take(self, number: int, result: StageResult) -> None:
        """Take what a stage has made, and hand on what is finished.

        Parameters
        ----------
        number : int
            Which of the stages.
        result : StageResult
            What came of it.

        Raises
        ------
        ContractError
            If it made layers that it doesn't declare: those of later stages are waited for by that.
        """
        self._rasters.update((grid.name, grid) for grid in result.grids)
        stage, later = self._stages[number], self._stages[number + 1 :]
        undeclared = {layer.name for layer in result.layers}.difference(stage.makes_layers)
        if undeclared:
            raise ContractError(
                f"stage {stage.name} made layers {sorted(undeclared)}, which it does not declare"
            )
        if result.surfaces:
            self._deliver_surfaces(result.surfaces)
        self._layers.extend(result.layers)
        if self._layers and not any(one.makes_layers for one in later):
            self._deliver_layers(self._layers)
            self._layers = []
        wanted = {n for one in later for n in (*one.sources(), *one.products())}
        for name in [n for n in self._rasters if n not in wanted]:
            self._deliver(self._rasters.pop(name))


def _read_only(grid: Grid) -> Grid:
    values = grid.values.view()
    values.flags.writeable = False
    return replace(grid, values=values)


def raster_bytes(
    stages: Sequence[Stage], site: SiteFacts, *, in_files: bool = False
) -> list[tuple[int, int]]:
    """Return for each stage the memory that rasters take beside those it works on itself.

    Parameters
    ----------
    stages : sequence of Stage
        Resolved.
    site : SiteFacts
        Of the headers, or measured.
    in_files : bool
        Whether rasters that are drawn lie in files.

    Returns
    -------
    list of (int, int)
        Bytes of rasters that are held, those that the stage draws included, and bytes that ``from_rasters``
        takes.
    """
    cells: dict[str, int] = {}
    sizes: dict[str, int] = {}
    mapped: dict[str, int] = {}
    found = []
    for i, (stage, canvases) in enumerate(zip(stages, planned_canvases(stages, site), strict=True)):
        read = [cells[n] for n in stage.sources() if n in cells]
        wanted = {n for later in stages[i:] for n in (*later.sources(), *later.products())}
        for name, number, size in _made(stage, canvases, max(read, default=0)):
            cells[name] = number
            (mapped if in_files and stage.draws else sizes)[name] = number * size
        given = wanted if stage.draws else wanted.difference(stage.products())
        held = sum(size for name, size in sizes.items() if name in given)
        working = 0 if stage.summarises or stage.draws else max(read, default=0) * stage.bytes_per_cell
        if in_files:  # what it reads of a mapped file is in memory meanwhile
            working += sum(mapped[n] for n in stage.sources() if n in mapped)
        found.append((held, working))
    return found


def _made(stage: Stage, canvases: Sequence[Canvas], cells: int) -> list[tuple[str, int, int]]:
    """Return the name, cells, and bytes a cell of what a stage makes."""
    if stage.draws:
        return [(c.name, c.window.rows * c.window.columns, np.dtype(c.dtype).itemsize) for c in canvases]
    return [(name, cells, _CELL_BYTES) for name in stage.products()]
