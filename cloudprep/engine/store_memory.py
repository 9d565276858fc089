"""The points of a site in memory: columns in the order of their leaves, and the blocks these fall into."""

from __future__ import annotations

import math
import threading
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.engine.delivered import unused_points
from cloudprep.engine.leaves import Leaves, grouped, in_cells
from cloudprep.engine.rasters import ArrayRasters
from cloudprep.engine.store import (
    BLOCK_POINTS,
    STRETCH_POINTS,
    Block,
    FlightStretch,
    Surrounded,
    buffered_bounds,
)
from cloudprep.io.las import ArrayLabels
from cloudprep.model.bounds import EVERYWHERE, Bounds
from cloudprep.model.columns import COLUMNS, STANDARD_LABELS
from cloudprep.model.points import Later, Points

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.rasters import Rasters
    from cloudprep.model.grid import Canvas, Lattice
    from cloudprep.model.site import SiteFacts

# Leaves along a side of a block, about: the finer, the less of its neighbours is looked through for a buffer.
_LEAVES = 24


class _Held(NamedTuple):
    """Which places of the columns hold the points of which leaf: one leaf after the other, block by block.

    Parameters
    ----------
    bounds : ndarray of float64, shape (n, 4)
        Of each leaf, local m: x0, y0, x1, y1.
    start : ndarray of int64, shape (n + 1,)
        First place of each leaf, and behind the last.
    first : ndarray of int64, shape (blocks + 1,)
        First leaf of each block, and behind the last.
    """

    bounds: NDArray[np.float64]
    start: NDArray[np.int64]
    first: NDArray[np.int64]

    def places_of(self, block: int) -> slice:
        """Return the places of a block's own points."""
        return slice(int(self.start[self.first[block]]), int(self.start[self.first[block + 1]]))

    def touching(self, bounds: Bounds, but: int | None = None) -> list[slice]:
        """Return the stretches of places of all leaves that touch bounds, without those of one block."""
        wide = bounds.grown(1e-6)  # also those that rounding of an edge keeps apart
        x0, y0, x1, y1 = self.bounds.T
        touches = (x0 < wide.x1) & (x1 > wide.x0) & (y0 < wide.y1) & (y1 > wide.y0)
        if but is not None:
            touches[self.first[but] : self.first[but + 1]] = False
        chosen = np.flatnonzero(touches)
        if len(chosen) == 0:
            return []
        # Those that follow each other are one stretch.
        begins = chosen[np.r_[True, np.diff(chosen) > 1]]
        ends = chosen[np.r_[np.diff(chosen) > 1, True]]
        return list(map(slice, self.start[begins].tolist(), self.start[ends + 1].tolist()))


class MemoryStore:
    """All points of a run.

    They come in source order: flight after flight, each in the order of its file. A site that is cut into
    several blocks is put into the order of its leaves, so that a block is a slice, and points that lie close
    to each other are close in memory; stray points go behind all others.

    Parameters
    ----------
    columns : dict of str to ndarray of shape (n,)
        Columns, in source order; exchanged whole between stages, never written while a stage reads them. The
        store takes the dictionary over.
    stray : ndarray of bool, shape (n,), or None
        Points that no stage sees, in source order.
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
        self._held: _Held | None = None
        self._place: NDArray[np.integer[Any]] | None = None
        self._flight: NDArray[np.uint16] | None = None
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
        return np.bincount(self.column("classification")[stray], minlength=256)

    def column(self, name: str, rows: slice | None = None) -> NDArray[Any]:
        """Return a column in source order, or some rows of it."""
        rows = slice(None) if rows is None else rows
        values = self.columns[name]
        return values[rows] if self._place is None else values[self._place[rows]]

    # -- blocks ----------------------------------------------------------------------------------------------

    def cut(
        self,
        site: SiteFacts,
        edge: float | None = None,
        most: int = BLOCK_POINTS,
        *,
        threads: int = 1,
    ) -> None:
        """Cut the site into blocks, once; points are put into their order.

        Parameters
        ----------
        site : SiteFacts
            Extent and spacing.
        edge : float, optional
            Edge of a block, m; by default a block holds at most so many points.
        most : int
            Points in a block at most, unless an edge is given.
        threads : int
            Threads that put columns into their order.
        """
        count = self.usable_count
        if count == 0 or (edge is None and site.count <= most):
            self.blocks = [Block(0, EVERYWHERE, count)]
            self._held = _Held(np.array([EVERYWHERE]), np.array([0, count]), np.array([0, 1]))
            if self.stray is not None:
                self._reorder(np.r_[np.flatnonzero(~self.stray), np.flatnonzero(self.stray)], threads)
            return
        most = most if edge is None else 0
        if edge is None:
            edge = max(1.0, math.ceil(math.sqrt(most) * site.spacing / _LEAVES))
        lattice = site.lattice(edge)
        usable = None if self.stray is None else np.flatnonzero(~self.stray)

        def of(axis: str) -> NDArray[np.int64]:
            places = self.columns[axis] if usable is None else self.columns[axis][usable]
            return lattice.column_of(places) if axis == "x" else lattice.row_of(places)

        with ThreadPoolExecutor(threads) as pool:
            column, row = pool.map(of, "xy")
        order, column, row, starts, sizes = in_cells(column, row, threads=threads)
        leaves = Leaves(column, row, np.ones(len(starts), np.int64), sizes)
        groups = grouped(leaves, most)
        chosen = np.concatenate([group.leaves for group in groups])
        boxes = [(c, r, c + 1, r + 1) for c, r in zip(*(v[chosen].tolist() for v in leaves[:2]), strict=True)]
        bounds = np.array([rectangle_bounds(box, lattice) for box in boxes])
        first = np.cumsum([0, *(len(group.leaves) for group in groups)])
        self._held = _Held(bounds, np.r_[0, np.cumsum(sizes[chosen])], first)
        by_block = np.concatenate([order[starts[i] : starts[i] + sizes[i]] for i in chosen.tolist()])
        del order
        if self.stray is not None and usable is not None:
            by_block = np.r_[usable[by_block], np.flatnonzero(self.stray)]
        self._reorder(by_block, threads)
        self.blocks = []
        for number, group in enumerate(groups):
            own = self._held.places_of(number)
            box = rectangle_bounds(group.rectangle, lattice)
            self.blocks.append(Block(number, box, own.stop - own.start))

    def _reorder(self, rows: NDArray[np.integer[Any]], threads: int) -> None:
        """Put all columns into another order, a few at a time."""
        small = np.int32 if len(rows) <= np.iinfo(np.int32).max else np.int64

        def put(name: str) -> None:
            self.columns[name] = np.take(self.columns[name], rows)

        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(put, tuple(self.columns)))
        self._place = np.empty(len(rows), small)
        self._place[rows] = np.arange(len(rows), dtype=small)

    # -- reading ---------------------------------------------------------------------------------------------

    @property
    def _leaves(self) -> _Held:
        assert self._held is not None  # noqa: S101 - cut comes first
        return self._held

    def around(self, block: Block, names: Sequence[str], reach: float) -> Surrounded:
        """Return a block's points and, behind them, those within reach (m) of it."""
        own = self._leaves.places_of(block.index)
        buffered = buffered_bounds(block, reach)
        if buffered == block.bounds:
            columns = {name: values[own] for name, values in self._named(names)}
            return Surrounded(Points(columns), np.ones(block.count, bool), buffered)
        others = self._inside(buffered, but=block.index)
        count = block.count + len(others)
        # Put together when they are looked at: many are only looked at where there is something.
        later = {
            name: Later(count, partial(_joined, values, own, others)) for name, values in self._named(names)
        }
        core = np.zeros(count, bool)
        core[: block.count] = True
        return Surrounded(Points(later), core, buffered)

    def flights_of(self, block: Block) -> NDArray[np.uint16]:
        """Return the number of the flight of each of a block's own points."""
        if self._flight is None:
            numbers = np.zeros(len(self), np.uint16)
            for number, rows in enumerate(self.flights):
                numbers[rows if self._place is None else self._place[rows]] = number
            self._flight = numbers
        return self._flight[self._leaves.places_of(block.index)]

    def within(self, bounds: Bounds, names: Sequence[str]) -> Points:
        """Return all usable points within half-open bounds."""
        places = self._inside(bounds)
        return Points(
            {name: Later(len(places), partial(values.take, places)) for name, values in self._named(names)}
        )

    def _named(self, names: Sequence[str]) -> Iterator[tuple[str, NDArray[Any]]]:
        return ((name, self.columns[name]) for name in names if name in self.columns)

    def _inside(self, bounds: Bounds, but: int | None = None) -> NDArray[np.int64]:
        """Return the places of all usable points within half-open bounds that aren't one block's own."""
        stretches = self._leaves.touching(bounds, but)
        if not stretches:
            return np.empty(0, np.int64)
        if len(stretches) == 1:  # all of a small site, say: looked at where it is
            places = None
            x, y = self.columns["x"][stretches[0]], self.columns["y"][stretches[0]]
        else:
            places = np.concatenate([np.arange(one.start, one.stop) for one in stretches])
            x, y = self.columns["x"][places], self.columns["y"][places]
        inside = x >= bounds.x0
        inside &= x < bounds.x1
        inside &= y >= bounds.y0
        inside &= y < bounds.y1
        return np.flatnonzero(inside) + stretches[0].start if places is None else places[inside]

    # -- writing ---------------------------------------------------------------------------------------------

    def put(self, block: Block, columns: Mapping[str, NDArray[Any]]) -> None:
        """Give new values for a block's own points; arrays for all points are taken over without a copy."""
        for name, values in columns.items():
            with self._lock:
                if len(values) == len(self):
                    self._put[name] = values
                    continue
                if name not in self._put:
                    self._put[name] = self._blank(name, values.dtype)
                whole = self._put[name]
            whole[self._leaves.places_of(block.index)] = values

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
        labels = {n: self.column(n, rows) for n in STANDARD_LABELS}
        if extra:
            unused = unused_points(labels)
            if self.beyond is not None:
                unused |= self.beyond[rows]
            for name in extra:
                values = self.column(name, rows)
                labels[name] = np.where(unused, values.dtype.type(COLUMNS[name].nothing), values)
        return ArrayLabels(labels, rows.stop - rows.start)

    def flight_stretches(self, flight: int, names: Sequence[str]) -> Iterator[FlightStretch]:
        """Give all points of a flight once, in the order of its file."""
        rows = self.flights[flight]
        for start in range(rows.start, rows.stop, STRETCH_POINTS):
            here = slice(start, min(start + STRETCH_POINTS, rows.stop))
            none = np.zeros(here.stop - here.start, bool)
            beyond = none if self.beyond is None else self.beyond[here]
            stray = none if self.stray is None else self.stray[here] & ~beyond
            columns = {name: self.column(name, here) for name in names if name in self.columns}
            yield FlightStretch(columns, stray, beyond)


def _joined(values: NDArray[Any], own: slice, others: NDArray[np.int64]) -> NDArray[Any]:
    """Return a stretch of values and, behind it, those at other places."""
    count = own.stop - own.start
    joined = np.empty(count + len(others), values.dtype)
    joined[:count] = values[own]
    np.take(values, others, out=joined[count:], mode="clip")  # unbuffered
    return joined


def rectangle_bounds(box: tuple[int, int, int, int], lattice: Lattice) -> Bounds:
    """Return the local bounds (m) of a rectangle of cells: first column and row, end of columns and rows."""
    return Bounds(
        lattice.left_edge(box[0]),
        lattice.lower_edge(box[1]),
        lattice.left_edge(box[2]),
        lattice.lower_edge(box[3]),
    )
