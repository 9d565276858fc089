"""The points of a site on disk: columns in files, ordered by leaf, read by block."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cloudprep.engine.delivered import unused_points
from cloudprep.engine.leaves import Leaves, grouped
from cloudprep.engine.rasters import FiledRasters
from cloudprep.engine.store import STRETCH_POINTS, Block, FlightStretch, Surrounded, buffered_bounds
from cloudprep.engine.store_memory import rectangle_bounds
from cloudprep.model.columns import COLUMNS, STANDARD_LABELS
from cloudprep.model.grid import Lattice
from cloudprep.model.points import Later, Points

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.rasters import Rasters
    from cloudprep.engine.scratch import ColumnFiles
    from cloudprep.model.bounds import Bounds
    from cloudprep.model.grid import Canvas

# Side of the finest leaves, m: a power of two, so that coarser lattices share their edges to the bit.
UNIT = 1 / 64
ROW_FILE = "row"
_COORDINATES = {"x": "X", "y": "Y", "z": "Z"}
# No file holds it: every stretch knows which flight it is of.
_FLIGHT = "flight"


class Piece(NamedTuple):
    """Consecutive rows of a flight that lie in consecutive places of the files, ordered by leaf.

    Parameters
    ----------
    row, place, length : int
        First row of the flight, first place, and how many.
    """

    row: int
    place: int
    length: int


@dataclass(frozen=True)
class SpilledFlight:
    """How raw coordinates of a flight become local metres, and where its rows are.

    Parameters
    ----------
    steps, zeros : tuple of float
        x, y, z: local metres = raw * step + zero.
    pieces : tuple of Piece
        In the order of the file.
    """

    steps: tuple[float, float, float]
    zeros: tuple[float, float, float]
    pieces: tuple[Piece, ...]

    @property
    def count(self) -> int:
        """Number of points."""
        return sum(piece.length for piece in self.pieces)


class Ranges(NamedTuple):
    """Stretches of the files, in ascending order, and the flight of each.

    Parameters
    ----------
    start, stop, flight : ndarray of int64, shape (n,)
        First place, place behind the last, and number of the flight.
    """

    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    flight: NDArray[np.int64]

    @property
    def total(self) -> int:
        """Number of points."""
        return int((self.stop - self.start).sum())

    def among(self, start: int, stop: int) -> NDArray[np.bool_]:
        """Tell which of consecutive places they hold, shape (stop - start,)."""
        found = np.zeros(stop - start, bool)
        near = (self.stop > start) & (self.start < stop)
        for first, last in zip(self.start[near].tolist(), self.stop[near].tolist(), strict=True):
            found[max(first - start, 0) : last - start] = True
        return found

    def ordered(self) -> Ranges:
        """Return them in ascending order, those joined that follow each other."""
        if len(self.start) == 0:
            return self
        order = np.argsort(self.start)
        start, stop, flight = self.start[order], self.stop[order], self.flight[order]
        first = np.r_[True, (start[1:] != stop[:-1]) | (flight[1:] != flight[:-1])]
        last = np.r_[first[1:], True]
        return Ranges(start[first], stop[last], flight[first])


@dataclass(frozen=True)
class LeafIndex:
    """Which stretches of the files hold the points of which leaf.

    Parameters
    ----------
    leaves : Leaves
        In units of :data:`UNIT`.
    ranges : Ranges
        Leaf after leaf.
    first : ndarray of int64, shape (n + 1,)
        Where the ranges of each leaf begin.
    """

    leaves: Leaves
    ranges: Ranges
    first: NDArray[np.int64]

    def of(self, chosen: NDArray[np.int64]) -> Ranges:
        """Return the stretches of some leaves, in ascending order."""
        picked = [np.arange(self.first[i], self.first[i + 1]) for i in chosen]
        rows = np.concatenate(picked) if picked else np.empty(0, np.int64)
        return Ranges(*(values[rows] for values in self.ranges)).ordered()


@dataclass
class SpilledStore:
    """Columns of all points of a run in files. It pickles: a handle for whoever shares the folder.

    Parameters
    ----------
    files : ColumnFiles
        The files.
    columns : dict of str to (file name, dtype)
        What is there, raw coordinates under ``X``, ``Y``, ``Z``.
    flights : tuple of SpilledFlight
        In the order of the run.
    index : LeafIndex
        The leaves.
    stray : Ranges
        Points that no stage sees.
    origin : tuple of float
        Global coordinates of the local zero, m.
    most : int
        Points in a block at most.
    beyond : Ranges
        Points beyond the area of the run: no stage sees them either, and they keep what they have.
    """

    files: ColumnFiles
    columns: dict[str, tuple[str, np.dtype[Any]]]
    flights: tuple[SpilledFlight, ...]
    index: LeafIndex
    stray: Ranges
    origin: tuple[float, float]
    most: int
    beyond: Ranges = field(default_factory=lambda: Ranges(*np.empty((3, 0), np.int64)))
    version: int = 0
    blocks: list[Block] = field(default_factory=list)
    groups: list[NDArray[np.int64]] = field(default_factory=list)
    scratch_bytes: int = 0

    def __post_init__(self) -> None:
        if not self.blocks:
            self.cut(self.most)

    def cut(self, most: int) -> None:
        """Cut the site into blocks of so many points at most, where leaves allow it."""
        lattice = Lattice(UNIT, self.origin)
        self.blocks, self.groups = [], []
        for box, chosen in grouped(self.index.leaves, most):
            count = int(self.index.leaves.points[chosen].sum())
            self.blocks.append(Block(len(self.blocks), rectangle_bounds(box, lattice), count))
            self.groups.append(chosen)

    def __len__(self) -> int:
        return sum(flight.count for flight in self.flights)

    def __contains__(self, name: object) -> bool:
        return name in self.columns or name in _COORDINATES or name == _FLIGHT

    @property
    def usable_count(self) -> int:
        """Number of points that stages see."""
        return int(self.index.leaves.points.sum())

    @property
    def stray_codes(self) -> NDArray[np.int64]:
        """Number of stray points of each class code."""
        return np.bincount(self.column("classification", self.stray), minlength=256)

    # -- reading ---------------------------------------------------------------------------------------------

    def around(self, block: Block, names: Sequence[str], reach: float) -> Surrounded:
        """Return a block's points and, behind them, those within reach (m) of it."""
        own = self.index.of(self.groups[block.index])
        buffered = buffered_bounds(block, reach)
        if buffered == block.bounds:
            return Surrounded(self._points(own, names), np.ones(block.count, bool), buffered)
        near = np.setdiff1d(self._touching(buffered), self.groups[block.index])
        return self._joined(block, own, self.index.of(near), names, buffered)

    def _joined(
        self, block: Block, own: Ranges, others: Ranges, names: Sequence[str], buffered: Bounds
    ) -> Surrounded:
        inside = self._inside(others, buffered)
        count = block.count + int(np.count_nonzero(inside))

        def column(name: str) -> NDArray[Any]:
            mine = self.column(name, own)
            joined = np.empty(count, mine.dtype)
            joined[: block.count] = mine
            del mine
            joined[block.count :] = self.column(name, others)[inside]
            return joined

        # Read when they are looked at: many are only looked at where there is something.
        columns = {name: Later(count, partial(column, name)) for name in names if name in self}
        core = np.zeros(count, bool)
        core[: block.count] = True
        return Surrounded(Points(columns), core, buffered)

    def flights_of(self, block: Block) -> NDArray[np.uint16]:
        """Return the number of the flight of each of a block's own points."""
        own = self.index.of(self.groups[block.index])
        return np.repeat(own.flight, own.stop - own.start).astype(np.uint16)

    def within(self, bounds: Bounds, names: Sequence[str]) -> Points:
        """Return all usable points within half-open bounds."""
        ranges = self.index.of(self._touching(bounds))
        inside = self._inside(ranges, bounds)
        return Points({n: self.column(n, ranges)[inside] for n in names if n in self})

    def _points(self, ranges: Ranges, names: Sequence[str]) -> Points:
        return Points({n: Later(ranges.total, partial(self.column, n, ranges)) for n in names if n in self})

    def _inside(self, ranges: Ranges, bounds: Bounds) -> NDArray[np.bool_]:
        x, y = self.column("x", ranges), self.column("y", ranges)
        inside: NDArray[np.bool_] = (x >= bounds.x0) & (x < bounds.x1) & (y >= bounds.y0) & (y < bounds.y1)
        return inside

    def _touching(self, bounds: Bounds) -> NDArray[np.int64]:
        """Return the leaves that touch the bounds, also by rounding of an edge."""
        leaves, wide = self.index.leaves, bounds.grown(1e-6)
        columns, rows = np.clip(
            (np.array([wide.x0, wide.x1]) + self.origin[0], np.array([wide.y0, wide.y1]) + self.origin[1]),
            -1e15,
            1e15,
        )
        c0, c1 = np.floor(columns / UNIT).astype(np.int64)
        r0, r1 = np.floor(rows / UNIT).astype(np.int64)
        touches = (leaves.column <= c1 + 1) & (leaves.column + leaves.size >= c0)
        touches &= (leaves.row <= r1 + 1) & (leaves.row + leaves.size >= r0)
        return np.flatnonzero(touches)

    def column(self, name: str, ranges: Ranges) -> NDArray[Any]:
        """Return a column, or a coordinate in local metres, in stretches of the files one after the other."""
        if name in _COORDINATES:
            return self._metres("xyz".index(name), ranges)
        if name == _FLIGHT:
            return np.repeat(ranges.flight.astype(COLUMNS[_FLIGHT].dtype), ranges.stop - ranges.start)
        file, dtype = self.columns[name]
        values = np.empty(ranges.total, dtype)
        place = 0
        for start, stop in zip(ranges.start.tolist(), ranges.stop.tolist(), strict=True):
            self.files.read(file, start, values[place : place + stop - start])
            place += stop - start
        return values

    def _metres(self, axis: int, ranges: Ranges) -> NDArray[np.float64]:
        raw = self.column("XYZ"[axis], ranges)
        metres = np.empty(len(raw))
        sizes = ranges.stop - ranges.start
        stops = np.cumsum(sizes)
        # Flights lie one after the other in the files.
        for flight in np.unique(ranges.flight).tolist():
            which = np.flatnonzero(ranges.flight == flight)
            here = slice(int(stops[which[0]] - sizes[which[0]]), int(stops[which[-1]]))
            how = self.flights[flight]
            np.multiply(raw[here], how.steps[axis], out=metres[here])
            metres[here] += how.zeros[axis]
        return metres

    # -- writing ---------------------------------------------------------------------------------------------

    def put(self, block: Block, columns: Mapping[str, NDArray[Any]]) -> None:
        """Give new values for a block's own points."""
        ranges = self.index.of(self.groups[block.index])
        for name, values in columns.items():
            whole = np.ascontiguousarray(values)
            place = 0
            for start, stop in zip(ranges.start.tolist(), ranges.stop.tolist(), strict=True):
                self.files.write(self._next(name), start, whole[place : place + stop - start])
                place += stop - start

    def _next(self, name: str) -> str:
        return f"{name}.{self.version + 1}"

    def exchange(self, dtypes: Mapping[str, np.dtype[Any]]) -> None:
        """Make columns that were put current; stray points keep their labels."""
        for name, dtype in dtypes.items():
            file = self._next(name)
            self.files.reach(file, len(self) * dtype.itemsize)
            old = self.columns.get(name)
            if old is not None and name in STANDARD_LABELS:
                unseen = (
                    pair for r in (self.stray, self.beyond) for pair in zip(r.start, r.stop, strict=True)
                )
                for start, stop in ((int(a), int(b)) for a, b in unseen):
                    kept = np.empty(stop - start, old[1])
                    self.files.read(old[0], start, kept)
                    self.files.write(file, start, kept)
            self.columns[name] = file, dtype
            self.scratch_bytes = max(self.scratch_bytes, self.files.size())
            if old is not None:
                self.files.remove(old[0])
        if dtypes:
            self.version += 1

    def rasters(self, canvases: Sequence[Canvas]) -> Rasters:
        """Return rasters to draw into, in files beside those of the points."""
        made = FiledRasters(canvases, self.files)
        self.scratch_bytes = max(self.scratch_bytes, self.files.size())
        return made

    def forget(self, names: Iterable[str]) -> None:
        """Let go of columns that nothing needs any more (those that are there)."""
        for name in names:
            if name in self.columns:
                self.files.remove(self.columns.pop(name)[0])

    # -- the end ---------------------------------------------------------------------------------------------

    def label_rows(self, flight: int, extra: Sequence[str]) -> SpilledLabels:
        """Return the labels of a flight, by rows of its file, as they are delivered."""
        return SpilledLabels(self, self.flights[flight], tuple(extra))

    def flight_stretches(self, flight: int, names: Sequence[str]) -> Iterator[FlightStretch]:
        """Give all points of a flight once, in the order of the files."""
        for piece in self.flights[flight].pieces:
            end = piece.place + piece.length
            for start in range(piece.place, end, STRETCH_POINTS):
                stop = min(start + STRETCH_POINTS, end)
                here = Ranges(np.array([start]), np.array([stop]), np.array([flight]))
                columns = {name: self.column(name, here) for name in names if name in self}
                yield FlightStretch(columns, *(r.among(start, stop) for r in (self.stray, self.beyond)))


class SpilledLabels:
    """Labels of a flight, put back into the order of its file piece by piece.

    Parameters
    ----------
    store : SpilledStore
        All columns.
    flight : SpilledFlight
        Where its rows are.
    extra : tuple of str
        Labels without a field of the standard.
    """

    def __init__(self, store: SpilledStore, flight: SpilledFlight, extra: tuple[str, ...]) -> None:
        self.names = (*STANDARD_LABELS, *extra)
        self._store = store
        self._flight = flight
        self._extra = extra
        self._held: tuple[Piece | None, dict[str, NDArray[Any]]] = (None, {})

    def __len__(self) -> int:
        return self._flight.count

    def stretch(self, rows: slice) -> dict[str, NDArray[Any]]:
        """Return the labels of consecutive rows."""
        parts: list[dict[str, NDArray[Any]]] = []
        for piece in self._flight.pieces:
            start, stop = max(rows.start, piece.row), min(rows.stop, piece.row + piece.length)
            if start < stop:
                here = slice(start - piece.row, stop - piece.row)
                parts.append({n: values[here] for n, values in self._piece(piece).items()})
        if len(parts) == 1:
            return parts[0]
        return {name: np.concatenate([part[name] for part in parts]) for name in self.names}

    def _piece(self, piece: Piece) -> dict[str, NDArray[Any]]:
        if self._held[0] is not piece:
            self._held = (None, {})  # let go of the one before first
            whole = Ranges(*(np.array([v]) for v in (piece.place, piece.place + piece.length, 0)))
            row = self._store.column(ROW_FILE, whole)
            labels: dict[str, NDArray[Any]] = {}
            for name in self.names:
                values = self._store.column(name, whole)
                labels[name] = np.empty_like(values)
                labels[name][row] = values
            if self._extra:
                unused = unused_points(labels)
                unused[row] |= self._store.beyond.among(piece.place, piece.place + piece.length)
                for name in self._extra:
                    labels[name][unused] = COLUMNS[name].nothing
            self._held = (piece, labels)
        return self._held[1]
