"""The points of a site in memory: columns in source order, and the blocks they fall into."""

from __future__ import annotations

import math
import threading
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.delivered import unused_points
from cloudprep.engine.leaves import Leaves, cell_order, grouped
from cloudprep.engine.rasters import ArrayRasters
from cloudprep.engine.store import BLOCK_POINTS, Block, Surrounded, buffered_bounds
from cloudprep.io.las import ArrayLabels
from cloudprep.model.bounds import EVERYWHERE, Bounds
from cloudprep.model.columns import COLUMNS, STANDARD_LABELS
from cloudprep.model.points import Points

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.rasters import Rasters
    from cloudprep.model.grid import Canvas, Lattice
    from cloudprep.model.site import SiteFacts

# Leaves along a side of a block, about: the finer, the closer a block comes to the number of points wanted.
_LEAVES = 4


class MemoryStore:
    """All points of a run, in source order: flight after flight, each in the order of its file.

    Parameters
    ----------
    columns : dict of str to ndarray of shape (n,)
        Columns; exchanged whole between stages, never written while a stage reads them.
    stray : ndarray of bool, shape (n,), or None
        Points that no stage sees.
    beyond : ndarray of bool, shape (n,), or None
        Those of them that lie beyond the area of the run: they keep what they have.
    flights : sequence of slice
        Rows of each flight; by default one flight.
    """

    def __init__(
        self,
        columns: dict[str, NDArray[Any]],
        stray: NDArray[np.bool_] | None = None,
        flights: Sequence[slice] = (),
        beyond: NDArray[np.bool_] | None = None,
    ) -> None:
        self.columns = columns
        self.stray = stray
        self.beyond = beyond
        self.scratch_bytes = 0
        self.flights = tuple(flights) or (slice(0, len(self)),)
        self.blocks: list[Block] = []
        self._rows: list[NDArray[np.int64] | None] = []
        self._put: dict[str, NDArray[Any]] = {}
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self.columns["x"])

    def __contains__(self, name: object) -> bool:
        return name in self.columns

    @property
    def usable_count(self) -> int:
        """Number of points that stages see."""
        return len(self) - (0 if self.stray is None else int(np.count_nonzero(self.stray)))

    @property
    def stray_codes(self) -> NDArray[np.int64]:
        """Number of stray points of each class code; those beyond the area are not among them."""
        if self.stray is None:
            return np.zeros(256, np.int64)
        stray = self.stray if self.beyond is None else self.stray & ~self.beyond
        return np.bincount(self.columns["classification"][stray], minlength=256)

    # -- blocks ----------------------------------------------------------------------------------------------

    def cut(self, site: SiteFacts, edge: float | None = None) -> None:
        """Cut the site into blocks.

        Parameters
        ----------
        site : SiteFacts
            Extent and spacing.
        edge : float, optional
            Edge of a block, m; by default a block holds at most :data:`BLOCK_POINTS`.
        """
        usable = None if self.stray is None else np.flatnonzero(~self.stray)
        if self.usable_count == 0 or (edge is None and site.count <= BLOCK_POINTS):
            self.blocks = [Block(0, EVERYWHERE, self.usable_count)]
            self._rows = [usable]
            return
        most = 0 if edge is not None else BLOCK_POINTS
        if edge is None:
            edge = max(20.0, math.ceil(math.sqrt(BLOCK_POINTS) * site.spacing / _LEAVES / 10.0) * 10.0)
        lattice = site.lattice(edge)
        if usable is None:
            usable = np.arange(len(self))
        column = lattice.column_of(self.columns["x"][usable])
        row = lattice.row_of(self.columns["y"][usable])
        order = cell_order(column, row)  # stable: rows stay ascending inside a leaf
        new = (np.diff(row[order]) != 0) | (np.diff(column[order]) != 0)
        starts = np.flatnonzero(np.r_[True, new])
        stops = np.r_[starts[1:], len(order)]
        first = order[starts]
        leaves = Leaves(column[first], row[first], np.ones(len(first), np.int64), stops - starts)
        self.blocks, self._rows = [], []
        for box, chosen in grouped(leaves, most):
            parts = [usable[order[starts[i] : stops[i]]] for i in chosen]
            rows = np.sort(np.concatenate(parts))
            self._rows.append(rows)
            self.blocks.append(Block(len(self.blocks), rectangle_bounds(box, lattice), len(rows)))

    # -- reading ---------------------------------------------------------------------------------------------

    def around(self, block: Block, names: Sequence[str], reach: float) -> Surrounded:
        """Return a block's points and those within reach (m) of it."""
        buffered = buffered_bounds(block, reach)
        own = self._rows[block.index]
        if buffered == block.bounds:
            return Surrounded(self._points(names, own), np.ones(block.count, bool), buffered)
        assert own is not None  # noqa: S101 - only a site in one block takes all rows
        rows = self._rows_within(buffered, whole=block)
        core = np.zeros(len(rows), bool)
        core[np.searchsorted(rows, own)] = True
        return Surrounded(self._points(names, rows), core, buffered)

    def within(self, bounds: Bounds, names: Sequence[str]) -> Points:
        """Return all usable points within half-open bounds, in source order."""
        return self._points(names, self._rows_within(bounds))

    def _points(self, names: Sequence[str], rows: NDArray[np.int64] | None) -> Points:
        found = {n: self.columns[n] for n in names if n in self.columns}
        return Points(found if rows is None else {n: values[rows] for n, values in found.items()})

    def _rows_within(self, bounds: Bounds, whole: Block | None = None) -> NDArray[np.int64]:
        """Return the source rows (ascending) of all usable points within half-open bounds.

        Of one block all points are taken, also those that rounding puts just beyond its edge.
        """
        x, y = self.columns["x"], self.columns["y"]
        # Blocks that touch the bounds, also by rounding of an edge.
        wide = bounds.grown(1e-6)
        parts: list[NDArray[np.int64]] = []
        for block, rows in zip(self.blocks, self._rows, strict=True):
            b = block.bounds
            if b.x0 >= wide.x1 or b.x1 <= wide.x0 or b.y0 >= wide.y1 or b.y1 <= wide.y0:
                continue
            if block is whole and rows is not None:
                parts.append(rows)
                continue
            px, py = (x, y) if rows is None else (x[rows], y[rows])
            inside = (px >= bounds.x0) & (px < bounds.x1) & (py >= bounds.y0) & (py < bounds.y1)
            parts.append(np.flatnonzero(inside) if rows is None else rows[inside])
        return np.sort(np.concatenate(parts)) if parts else np.empty(0, np.int64)

    # -- writing ---------------------------------------------------------------------------------------------

    def put(self, block: Block, columns: Mapping[str, NDArray[Any]]) -> None:
        """Give new values for a block's own points; arrays for all points are taken over without a copy."""
        rows = self._rows[block.index]
        for name, values in columns.items():
            with self._lock:
                if rows is None:
                    self._put[name] = values
                    continue
                if name not in self._put:
                    self._put[name] = self._blank(name, values.dtype)
                whole = self._put[name]
            whole[rows] = values

    def _blank(self, name: str, dtype: np.dtype[Any]) -> NDArray[Any]:
        """Return a column for what blocks will say; stray points keep their labels."""
        if self.stray is not None and name in STANDARD_LABELS and name in self.columns:
            return self.columns[name].astype(dtype)
        return np.zeros(len(self), dtype)

    def exchange(self, dtypes: Mapping[str, np.dtype[Any]]) -> None:
        """Make columns that were put current."""
        for name, dtype in dtypes.items():
            put = self._put.pop(name) if name in self._put else np.zeros(len(self), dtype)
            self.columns[name] = put

    def rasters(self, canvases: Sequence[Canvas]) -> Rasters:
        """Return rasters to draw into, in memory."""
        return ArrayRasters(canvases)

    def forget(self, names: Iterable[str]) -> None:
        """Let go of columns that nothing needs any more (those that are there)."""
        for name in names:
            self.columns.pop(name, None)

    # -- the end ---------------------------------------------------------------------------------------------

    def label_rows(self, flight: int, extra: Sequence[str]) -> ArrayLabels:
        """Return the labels of a flight, by rows of its file, as they are delivered."""
        rows = self.flights[flight]
        labels = {n: self.columns[n][rows] for n in STANDARD_LABELS}
        if extra:
            unused = unused_points(labels)
            if self.beyond is not None:
                unused |= self.beyond[rows]
            for name in extra:
                values = self.columns[name][rows]
                labels[name] = np.where(unused, values.dtype.type(COLUMNS[name].nothing), values)
        return ArrayLabels(labels, rows.stop - rows.start)


def rectangle_bounds(box: tuple[int, int, int, int], lattice: Lattice) -> Bounds:
    """Return the local bounds (m) of a rectangle of cells: first column and row, end of columns and rows."""
    return Bounds(
        lattice.left_edge(box[0]),
        lattice.lower_edge(box[1]),
        lattice.left_edge(box[2]),
        lattice.lower_edge(box[3]),
    )
