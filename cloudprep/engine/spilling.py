"""Reads flights once, in chunks, into files ordered by place: a site of any size in bounded memory."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.leaves import Leaves, cell_order
from cloudprep.engine.loading import Units, refuse_too_many_stray
from cloudprep.engine.outline import Outline
from cloudprep.engine.point_counts import PointCounts
from cloudprep.engine.store_spilled import (
    ROW_FILE,
    UNIT,
    LeafIndex,
    Piece,
    Ranges,
    SpilledFlight,
    SpilledStore,
)
from cloudprep.engine.stray_spread import Spread, plausible_metres
from cloudprep.errors import BadInputError
from cloudprep.io.las import read_columns
from cloudprep.model.bounds import NOWHERE, Bounds
from cloudprep.model.columns import COLUMNS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.area import Region
    from cloudprep.engine.scratch import ColumnFiles
    from cloudprep.io.las import Flight

_RAW = {name: np.dtype("i4") for name in "XYZ"}
# Leaves in a block, about: enough that blocks come close to the number of points wanted.
LEAVES_PER_BLOCK = 32
# Leaves are split into so many squares a side at a time, as a power of two, at most.
_MOST_LEVELS = 6


@dataclass(frozen=True)
class Spilled:
    """One flight in the files.

    Parameters
    ----------
    flight : Flight
        Its source.
    units : Units
        Metres in its units.
    places : SpilledFlight
        Where its rows are; the zeros still those of the reference system.
    ends : tuple of pairs of int
        Least and most X, Y and Z of its points that are used, as stored.
    stray_count : int
        Points at absurd coordinates.
    beyond_count : int
        Other points beyond the area of the run.
    outline : Outline or None
        The ground that its points lie on.
    counts : PointCounts
        Of all its points.
    kept : None
        Its records aren't: memory is short.
    """

    flight: Flight
    units: Units
    places: SpilledFlight
    ends: tuple[tuple[int, int], ...]
    stray_count: int
    beyond_count: int = 0
    outline: Outline | None = None
    counts: PointCounts = field(default_factory=PointCounts)
    kept: None = None

    @property
    def used(self) -> int:
        """Number of points that stages see."""
        return self.flight.count - self.stray_count - self.beyond_count

    @property
    def extent(self) -> Bounds:
        """Extent of its points that are used, global metres."""
        if not self.used:
            return NOWHERE
        (x0, x1), (y0, y1), _ = local_ends(self, self.places)
        return Bounds(x0, y0, x1, y1)


class Spiller:
    """Puts flights into files, one after the other.

    Parameters
    ----------
    files : ColumnFiles
        Where.
    names : sequence of str
        Columns of the table that every flight carries and stages read.
    leaf_points : int
        Points in a leaf, about.
    buffer_points : int
        Points that are held at a time.
    area : Region, optional
        What lies beyond it is used for nothing.
    """

    def __init__(
        self,
        files: ColumnFiles,
        names: Sequence[str],
        *,
        leaf_points: int,
        buffer_points: int,
        area: Region | None = None,
    ) -> None:
        self.files = files
        self.area = area
        self.dtypes = {**_RAW, **{n: COLUMNS[n].dtype for n in names if n not in "xyz"}}
        self.leaf_points = leaf_points
        self.flights: list[Spilled] = []
        self.shift = 0
        self._capacity = buffer_points
        self._buffer: dict[str, NDArray[Any]] = {}
        self._held = 0
        self._place = 0
        self._cells: list[NDArray[np.int64]] = []
        self._stray: list[tuple[int, int, int]] = []
        self._beyond: list[tuple[int, int, int]] = []

    # -- reading ---------------------------------------------------------------------------------------------

    def plan_leaves(self, spacing: float) -> None:
        """Choose the side of the leaves from a guess of the point spacing, m; full ones are split later."""
        side = spacing * math.sqrt(self.leaf_points)
        self.shift = max(0, round(math.log2(max(side, 1.0) / UNIT)))

    def add(self, flight: Flight, units: Units, advance: Callable[[int], None]) -> Spilled:
        """Read one flight into the files; if that fails, nothing of it stays.

        Raises
        ------
        BadInputError
            If the points can't be read whole, or too many lie at absurd coordinates.
        OutputError
            If the files can't be written.
        """
        number = len(self.flights)
        before = self._place, len(self._cells), len(self._stray), len(self._beyond)
        try:
            spilled = self._read(flight, units, number, advance)
        except BaseException:
            self._place, self._held, self._buffer = before[0], 0, {}
            del self._cells[before[1] :], self._stray[before[2] :], self._beyond[before[3] :]
            raise
        self.flights.append(spilled)
        return spilled

    def _read(self, flight: Flight, units: Units, number: int, advance: Callable[[int], None]) -> Spilled:
        places = _places(flight, units)
        spreads = [Spread(*_promised(flight, axis)) for axis in range(3)]
        counts = PointCounts()
        first_cell, begin = len(self._cells), self._place
        pieces: list[Piece] = []
        done = 0
        wanted = tuple(self.dtypes)
        outline = Outline()
        for chunk in read_columns(flight, wanted):
            size = len(chunk["X"])
            outline.add(*(chunk["XY"[i]] * places.steps[i] + places.zeros[i] for i in range(2)))
            counts.add(chunk)
            for axis, spread in zip("XYZ", spreads, strict=True):
                spread.add(chunk[axis])
            taken = 0
            while taken < size:
                self._make_room(flight.count - done - taken)
                now = min(size - taken, len(self._buffer["X"]) - self._held)
                for name, held in self._buffer.items():
                    held[self._held : self._held + now] = chunk[name][taken : taken + now]
                self._held += now
                taken += now
                if self._held == len(self._buffer["X"]):
                    pieces.append(self._flush(places, number, done + taken))
            done += size
            advance(size)
        if self._held:
            pieces.append(self._flush(places, number, done))
        if done != flight.count:
            raise BadInputError(flight.path, f"{flight.count} points were promised, {done} could be read")
        self._buffer = {}
        places = replace(places, pieces=tuple(pieces))
        stray, beyond = self._set_unused_apart(places, spreads, (begin, self._place), first_cell)
        refuse_too_many_stray(flight, stray, done)
        ends = self._ends(spreads, stray + beyond, first_cell)
        return Spilled(flight, units, places, ends, stray, beyond, outline, counts)

    def _make_room(self, left: int) -> None:
        if not self._buffer:
            size = min(self._capacity, left)
            self._buffer = {name: np.empty(size, dtype) for name, dtype in self.dtypes.items()}

    def _flush(self, places: SpilledFlight, number: int, done: int) -> Piece:
        """Write what is held, ordered by leaf."""
        count, self._held = self._held, 0
        x, y = (
            _units(self._buffer[axis][:count], places.steps[i], places.zeros[i]) >> self.shift
            for i, axis in enumerate("XY")
        )
        order = cell_order(x, y).astype(np.int32)
        x, y = x[order], y[order]
        starts = np.flatnonzero(np.r_[True, (x[1:] != x[:-1]) | (y[1:] != y[:-1])])
        stops = np.r_[starts[1:], count]
        cells = np.empty((len(starts), 6), np.int64)
        cells[:, 0], cells[:, 1] = x[starts] << self.shift, y[starts] << self.shift
        cells[:, 2] = 1 << self.shift
        cells[:, 3], cells[:, 4], cells[:, 5] = starts + self._place, stops + self._place, number
        self._cells.append(cells)
        del x, y
        for name, held in self._buffer.items():
            self.files.write(name, self._place, held[:count][order])
        self.files.write(ROW_FILE, self._place, order)
        piece = Piece(done - count, self._place, count)
        self._place += count
        return piece

    # -- points that aren't used -----------------------------------------------------------------------------

    def _set_unused_apart(
        self, places: SpilledFlight, spreads: Sequence[Spread], whole: tuple[int, int], first: int
    ) -> tuple[int, int]:
        """Move points that aren't used behind the others of their stretch and out of the leaves.

        Returns
        -------
        stray, beyond : int
            How many points lie at absurd coordinates, and how many others beyond the area.
        """
        bands = []
        for axis, spread in enumerate(spreads):
            band = plausible_metres(
                spread,
                lambda raw, i=axis: raw * places.steps[i] + places.zeros[i],  # type: ignore[misc]
                lambda i=axis: self._raw("XYZ"[i], *whole),  # type: ignore[misc]
                height=axis == 2,
            )
            if band is not None:
                bands.append((axis, band))
        if not bands and self.area is None:
            return 0, 0
        strays = beyonds = 0
        for cells in self._cells[first:]:
            for cell in cells:
                start, stop, number = int(cell[3]), int(cell[4]), int(cell[5])
                metres = {
                    axis: self._raw("XYZ"[axis], start, stop) * places.steps[axis] + places.zeros[axis]
                    for axis in {*(axis for axis, _ in bands), *((0, 1) if self.area else ())}
                }
                # 0: used, 1: beyond the area, 2: stray
                kind = np.zeros(stop - start, np.uint8)
                if self.area is not None:
                    kind[~self.area.holds(metres[0], metres[1])] = 1
                for axis, band in bands:
                    kind[(metres[axis] < band.low) | (metres[axis] > band.high)] = 2
                used, beyond, stray = np.bincount(kind, minlength=3).tolist()
                if (kind[1:] < kind[:-1]).any():
                    self._reorder(start, stop, np.argsort(kind, kind="stable"))
                cell[4] = start + used
                if beyond:
                    self._beyond.append((start + used, start + used + beyond, number))
                if stray:
                    self._stray.append((stop - stray, stop, number))
                strays, beyonds = strays + stray, beyonds + beyond
        return strays, beyonds

    def _raw(self, name: str, start: int, stop: int) -> NDArray[np.int32]:
        values = np.empty(stop - start, self.dtypes[name])
        self.files.read(name, start, values)
        return values

    def _reorder(self, start: int, stop: int, order: NDArray[np.int64]) -> None:
        for name, dtype in (*self.dtypes.items(), (ROW_FILE, np.dtype("i4"))):
            values = np.empty(stop - start, dtype)
            self.files.read(name, start, values)
            self.files.write(name, start, values[order])

    def _ends(self, spreads: Sequence[Spread], apart: int, first: int) -> tuple[tuple[int, int], ...]:
        """Return the least and most raw coordinates of the points in leaves."""
        if not apart:
            return tuple((spread.least, spread.most) for spread in spreads)
        ends = []
        cells = np.concatenate(self._cells[first:]).tolist()
        for name in "XYZ":
            pairs = [_two_ends(self._raw(name, c[3], c[4])) for c in cells if c[4] > c[3]] or [(0, 0)]
            ends.append((min(p[0] for p in pairs), max(p[1] for p in pairs)))
        return tuple(ends)

    # -- the end ---------------------------------------------------------------------------------------------

    def store(self, origin: tuple[float, float], most: int) -> SpilledStore:
        """Return the store of all flights that were read.

        Parameters
        ----------
        origin : tuple of float
            Global coordinates of the local zero, m.
        most : int
            Points in a block at most.
        """
        cells = np.concatenate(self._cells)
        cells = cells[cells[:, 4] > cells[:, 3]]
        flights = tuple(local_places(one, origin) for one in self.flights)
        index = _indexed(self._split(cells))
        stray, beyond = (np.array(r, np.int64).reshape(-1, 3) for r in (self._stray, self._beyond))
        columns = {name: (name, dtype) for name, dtype in self.dtypes.items()}
        columns[ROW_FILE] = ROW_FILE, np.dtype("i4")
        if "withheld" not in columns:
            columns["withheld"] = "withheld", np.dtype(bool)
            self.files.reach("withheld", self._place)
        apart, outside = Ranges(*stray.T).ordered(), Ranges(*beyond.T).ordered()
        return SpilledStore(self.files, columns, flights, index, apart, origin, most, outside)

    def _split(self, cells: NDArray[np.int64]) -> NDArray[np.int64]:
        """Split crowded leaves, in place in the files, as far as the finest lattice goes."""
        finished: list[NDArray[np.int64]] = []
        waiting = cells
        while len(waiting):
            _, which = np.unique(waiting[:, :3], axis=0, return_inverse=True)
            count = np.bincount(which.ravel(), weights=waiting[:, 4] - waiting[:, 3])[which.ravel()]
            crowded = (count > 2 * self.leaf_points) & (waiting[:, 2] > 1)
            finished.append(waiting[~crowded])
            waiting = waiting[crowded]
            count = count[crowded]
            finer = [self._split_one(cell, n) for cell, n in zip(waiting, count.tolist(), strict=True)]
            waiting = np.concatenate(finer) if finer else waiting[:0]
        return np.concatenate(finished)

    def _split_one(self, cell: NDArray[np.int64], count: float) -> NDArray[np.int64]:
        column, row, size, start, stop, number = cell.tolist()
        levels = math.ceil(math.log2(math.sqrt(count / self.leaf_points)))
        levels = min(max(1, levels), _MOST_LEVELS, size.bit_length() - 1)
        shift = size.bit_length() - 1 - levels
        places = self.flights[number].places
        x, y = (
            (_units(self._raw(axis, start, stop), places.steps[i], places.zeros[i]) - corner) >> shift
            for i, (axis, corner) in enumerate(zip("XY", (column, row), strict=True))
        )
        key = (y << levels) | x
        order = np.argsort(key, kind="stable")
        key = key[order]
        if not (order == np.arange(len(order))).all():
            self._reorder(start, stop, order)
        starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
        stops = np.r_[starts[1:], stop - start]
        finer = np.empty((len(starts), 6), np.int64)
        finer[:, 0] = column + ((key[starts] & ((1 << levels) - 1)) << shift)
        finer[:, 1] = row + ((key[starts] >> levels) << shift)
        finer[:, 2] = 1 << shift
        finer[:, 3], finer[:, 4], finer[:, 5] = starts + start, stops + start, number
        return finer


def _places(flight: Flight, units: Units) -> SpilledFlight:
    metres = (units.horizontal, units.horizontal, units.vertical)
    steps = tuple(scale * unit for scale, unit in zip(flight.scales, metres, strict=True))
    zeros = tuple(offset * unit for offset, unit in zip(flight.offsets, metres, strict=True))
    return SpilledFlight((steps[0], steps[1], steps[2]), (zeros[0], zeros[1], zeros[2]), ())


def local_places(spilled: Spilled, origin: tuple[float, float]) -> SpilledFlight:
    """Return where a flight's rows are, with coordinates that become metres from the site's origin."""
    zeros = spilled.places.zeros
    return replace(spilled.places, zeros=(zeros[0] - origin[0], zeros[1] - origin[1], zeros[2] - 0.0))


def local_ends(spilled: Spilled, places: SpilledFlight) -> list[tuple[float, float]]:
    """Return the least and most x, y and z of a flight's points, in the metres of its places.

    Scaling rises or falls throughout, so the ends stay the ends, to the bit.
    """
    ends = []
    for axis, pair in enumerate(spilled.ends):
        metres = [raw * places.steps[axis] + places.zeros[axis] for raw in pair]
        ends.append((min(metres), max(metres)))
    return ends


def _promised(flight: Flight, axis: int) -> tuple[int, int]:
    """Return the range of raw values that the header promises; it may be wrong."""
    ends = [
        (end - flight.offsets[axis]) / flight.scales[axis]
        for end in (flight.header_min[axis], flight.header_max[axis])
    ]
    low, high = np.clip(np.nan_to_num(np.sort(ends)), -(2.0**31), 2.0**31 - 1)
    return math.floor(low), math.ceil(high)


def _units(raw: NDArray[np.int32], step: float, zero: float) -> NDArray[np.int64]:
    """Return coordinates in whole units of the leaves' lattice (exact: a unit is a power of two)."""
    metres = raw * step
    metres += zero
    metres *= 1 / UNIT
    np.floor(metres, out=metres)
    units: NDArray[np.int64] = np.clip(metres, -(2.0**60), 2.0**60).astype(np.int64)
    return units


def _indexed(cells: NDArray[np.int64]) -> LeafIndex:
    order = np.lexsort((cells[:, 3], cells[:, 0], cells[:, 1]))
    cells = cells[order]
    new = np.r_[True, (np.diff(cells[:, 0]) != 0) | (np.diff(cells[:, 1]) != 0)]
    starts = np.flatnonzero(new)
    count = np.add.reduceat(cells[:, 4] - cells[:, 3], starts)
    leaves = Leaves(cells[starts, 0], cells[starts, 1], cells[starts, 2], count)
    ranges = Ranges(*(np.ascontiguousarray(cells[:, i]) for i in (3, 4, 5)))
    return LeafIndex(leaves, ranges, np.r_[starts, len(cells)])


def _two_ends(values: NDArray[np.int32]) -> tuple[int, int]:
    return int(values.min()), int(values.max())
