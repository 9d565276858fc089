"""The points of a site in memory: columns in source order, and the blocks they fall into."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.model.bounds import EVERYWHERE, Bounds
from cloudprep.model.columns import COLUMNS, Role
from cloudprep.model.points import Points

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.model.site import SiteFacts

# Points in a block unless told: large enough that buffers cost little, small enough to share among workers.
BLOCK_POINTS = 4_000_000

# Columns of which a stage that provides them says the whole: nothing said before holds any longer.
_REPLACED = (Role.EXTRA_LABEL, Role.WORKING)


@dataclass(frozen=True)
class Block:
    """One block of the run's lattice and the rows of its points.

    Parameters
    ----------
    bounds : Bounds
        Half-open, local metres; everywhere for the only block of a small site.
    rows : ndarray of int, shape (n,), or None
        Source rows of the block's points, ascending; None for all rows.
    count : int
        Number of points.
    """

    bounds: Bounds
    rows: NDArray[np.int64] | None
    count: int


@dataclass
class PointStore:
    """All points of a run, in source order: flight after flight, each in the order of its file.

    Parameters
    ----------
    columns : dict of str to ndarray of shape (n,)
        Columns; labels and working columns are exchanged whole between stages, never written while a stage
        reads them.
    stray : ndarray of bool, shape (n,), or None
        Points that no stage sees.
    """

    columns: dict[str, NDArray[Any]]
    stray: NDArray[np.bool_] | None = None
    scratch: dict[str, NDArray[Any]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.columns["x"])

    def forget(self, names: Iterable[str]) -> None:
        """Let go of columns that nothing needs any more (those that are there)."""
        for name in names:
            self.columns.pop(name, None)

    @property
    def usable_count(self) -> int:
        """Number of points that stages see."""
        return len(self) - (0 if self.stray is None else int(np.count_nonzero(self.stray)))

    def points(self, names: Sequence[str], rows: NDArray[np.int64] | None) -> Points:
        """Return columns of some rows (None: all of them, without a copy)."""
        found = {n: self.columns[n] for n in names if n in self.columns}
        found.update(self.scratch)
        return Points(found if rows is None else {n: values[rows] for n, values in found.items()})


class BlockLayout:
    """Cuts a store into square blocks on the global lattice and finds the points around each.

    Parameters
    ----------
    store : PointStore
        The points.
    site : SiteFacts
        Extent and spacing.
    edge : float, optional
        Edge of a block, m; by default such that a block holds about :data:`BLOCK_POINTS`.
    """

    def __init__(self, store: PointStore, site: SiteFacts, edge: float | None = None) -> None:
        self._store = store
        if edge is None and site.count <= BLOCK_POINTS:
            rows = None if store.stray is None else np.flatnonzero(~store.stray)
            self.blocks = [Block(EVERYWHERE, rows, store.usable_count)]
            self._by_cell: dict[tuple[int, int], NDArray[np.int64]] | None = None
            return
        if edge is None:
            edge = max(20.0, math.ceil(math.sqrt(BLOCK_POINTS) * site.spacing / 10.0) * 10.0)
        self._lattice = site.lattice(edge)
        column = self._lattice.column_of(store.columns["x"])
        row = self._lattice.row_of(store.columns["y"])
        if store.stray is not None:
            column = column[~store.stray]
            row = row[~store.stray]
        usable = np.arange(len(store)) if store.stray is None else np.flatnonzero(~store.stray)
        order = np.lexsort((column, row))  # stable: rows stay ascending inside a block
        starts = np.flatnonzero(np.r_[True, (np.diff(row[order]) != 0) | (np.diff(column[order]) != 0)])
        self._by_cell = {}
        self.blocks = []
        for start, stop in zip(starts, [*starts[1:], len(order)], strict=True):
            rows = usable[order[start:stop]]
            c, r = int(column[order[start]]), int(row[order[start]])
            x0, y0 = self._lattice.left_edge(c), self._lattice.lower_edge(r)
            x1, y1 = self._lattice.left_edge(c + 1), self._lattice.lower_edge(r + 1)
            self._by_cell[c, r] = rows
            self.blocks.append(Block(Bounds(x0, y0, x1, y1), rows, len(rows)))

    def rows_within(self, bounds: Bounds) -> NDArray[np.int64] | None:
        """Return the source rows (ascending) of all usable points within half-open bounds; None: all rows."""
        x, y = self._store.columns["x"], self._store.columns["y"]
        if self._by_cell is None:
            rows = self.blocks[0].rows
            if bounds == EVERYWHERE:
                return rows
            if rows is None:
                inside = (x >= bounds.x0) & (x < bounds.x1) & (y >= bounds.y0) & (y < bounds.y1)
                return np.flatnonzero(inside)
            candidates = rows
        else:
            candidates = self._rows_of_cells(bounds)
        cx, cy = x[candidates], y[candidates]
        inside = (cx >= bounds.x0) & (cx < bounds.x1) & (cy >= bounds.y0) & (cy < bounds.y1)
        return np.sort(candidates[inside])

    def _rows_of_cells(self, bounds: Bounds) -> NDArray[np.int64]:
        """Return the rows of every block that touches the bounds (also by rounding of an edge)."""
        assert self._by_cell is not None  # noqa: S101
        slack = 1e-6 * self._lattice.cell
        wide = bounds.grown(slack)
        # A lone point may ask for bounds far wider than the site: walk the blocks, not the lattice.
        parts = [
            self._by_cell[key]
            for key, block in zip(self._by_cell, self.blocks, strict=True)
            if block.bounds.x0 < wide.x1
            and block.bounds.x1 > wide.x0
            and block.bounds.y0 < wide.y1
            and block.bounds.y1 > wide.y0
        ]
        return np.concatenate(parts) if parts else np.empty(0, np.int64)


def merged_labels(
    before: Mapping[str, NDArray[Any]], changes: Iterable[tuple[NDArray[np.int64] | None, Mapping[str, Any]]]
) -> dict[str, NDArray[Any]]:
    """Return columns with the changes of all blocks put in, as new arrays.

    Parameters
    ----------
    before : mapping of str to ndarray of shape (n,)
        The columns that stages read meanwhile; one of them at least. A column that isn't among them, or that
        the standard has no field for, starts from zeros: what an earlier stage or run said is replaced whole.
    changes : iterable of (rows, columns)
        Source rows of a block's own points (None: all) and their new values; arrays for all rows are taken
        over without a copy.

    Returns
    -------
    dict of str to ndarray of shape (n,)
        New columns, in source order.
    """
    count = len(next(iter(before.values())))
    after: dict[str, NDArray[Any]] = {}
    for rows, columns in changes:
        for name, values in columns.items():
            if rows is None:
                after[name] = values
                continue
            if name not in after:
                fresh = name not in before or COLUMNS[name].role in _REPLACED
                after[name] = np.zeros(count, values.dtype) if fresh else before[name].copy()
            after[name][rows] = values
    return after
