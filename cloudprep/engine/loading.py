"""Reads the flights of a run into one store: metres from one origin, whatever unit each file has."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.outline import Outline
from cloudprep.engine.point_counts import PointCounts
from cloudprep.engine.stray import LARGEST_STRAY_SHARE, find_stray
from cloudprep.errors import BadInputError
from cloudprep.io.las import KeptRecords, column_type, fill_columns
from cloudprep.model.bounds import NOWHERE, Bounds

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.area import Region
    from cloudprep.io.las import Flight, Shelf

_KILOMETRE = 1000.0


@dataclass(frozen=True)
class Units:
    """Metres in one unit of a flight's coordinates."""

    horizontal: float
    vertical: float


@dataclass
class LoadedFlight:
    """One flight's columns: raw X, Y, Z still as stored, everything else ready.

    Parameters
    ----------
    flight : Flight
        The file.
    units : Units
        Its units.
    columns : dict of str to ndarray of shape (n,)
        ``X``, ``Y``, ``Z`` (int32) and columns of the table.
    stray : ndarray of bool, shape (n,), or None
        Points at absurd coordinates.
    extent : Bounds
        Extent of the points that are used, global metres.
    beyond : ndarray of bool, shape (n,), or None
        Other points that lie beyond the area of the run.
    outline : Outline or None
        The ground that its points lie on.
    counts : PointCounts
        Of all its points.
    kept : KeptRecords or None
        Its records, if they are kept.
    """

    flight: Flight
    units: Units
    columns: dict[str, NDArray[Any]]
    stray: NDArray[np.bool_] | None
    extent: Bounds
    beyond: NDArray[np.bool_] | None = None
    outline: Outline | None = None
    counts: PointCounts = field(default_factory=PointCounts)
    kept: KeptRecords | None = None

    @property
    def stray_count(self) -> int:
        """Number of stray points."""
        return 0 if self.stray is None else int(np.count_nonzero(self.stray))

    @property
    def beyond_count(self) -> int:
        """Number of points beyond the area."""
        return 0 if self.beyond is None else int(np.count_nonzero(self.beyond))


def load_flight(
    flight: Flight,
    units: Units,
    names: Sequence[str],
    advance: Callable[[int], None],
    area: Region | None = None,
    *,
    keep: Shelf | None = None,
    threads: int = 1,
) -> LoadedFlight:
    """Read the wanted columns of one flight.

    Parameters
    ----------
    flight : Flight
        An opened flight with at least one point.
    units : Units
        Metres in its units.
    names : sequence of str
        Wanted columns of the table; those it doesn't carry are left out.
    advance : callable
        Told how many points were read.
    area : Region, optional
        What lies beyond it is used for nothing.
    keep : Shelf, optional
        Keep the records of a compressed flight there as well, so that it is delivered without decompressing
        it once more.
    threads : int
        Threads to use, beside those of the decompressor.

    Returns
    -------
    LoadedFlight
        The columns.

    Raises
    ------
    BadInputError
        If the points can't be read whole, or too many lie at absurd coordinates.
    """
    if keep is not None and flight.compressed:
        told = 0

        def tell(count: int) -> None:
            nonlocal told
            told += count
            advance(count)

        kept = KeptRecords(flight, keep)
        try:
            loaded = _load(flight, units, names, tell, area, kept, threads)
            return loaded if kept.lost else replace(loaded, kept=kept)
        except BadInputError:
            # What is wrong may lie in columns that nobody asked for: it counts when the flight is delivered.
            del kept
            advance(-told)
    return _load(flight, units, names, advance, area, None, threads)


def _load(
    flight: Flight,
    units: Units,
    names: Sequence[str],
    advance: Callable[[int], None],
    area: Region | None,
    kept: KeptRecords | None,
    threads: int,
) -> LoadedFlight:
    wanted = ["X", "Y", "Z", *(n for n in names if n in flight.columns)]
    columns = {name: np.empty(flight.count, column_type(name)) for name in wanted}
    counts = PointCounts()
    done = 0
    for rows in fill_columns(flight, columns, kept, threads=threads):
        counts.add({name: values[rows] for name, values in columns.items()})
        done = rows.stop
        advance(rows.stop - rows.start)
    if done != flight.count:
        raise BadInputError(flight.path, f"{flight.count} points were promised, {done} could be read")
    return replace(_without_far_points(flight, units, columns, area, threads), counts=counts)


def _without_far_points(
    flight: Flight, units: Units, columns: dict[str, NDArray[Any]], area: Region | None, threads: int
) -> LoadedFlight:
    with ThreadPoolExecutor(threads) as pool:
        x, y, z = pool.map(lambda i: global_metres(flight, units, columns["XYZ"[i]], i), range(3))
    stray = find_stray(x, y, z, threads=threads)
    if stray is not None:
        refuse_too_many_stray(flight, int(np.count_nonzero(stray)), len(stray))
    del z
    beyond = None
    if area is not None:
        beyond = ~area.holds(x, y)
        if stray is not None:
            beyond &= ~stray
        beyond = beyond if beyond.any() else None
    outline = Outline()
    outline.add(x, y)
    unused = either(stray, beyond)
    if unused is not None:
        x, y = x[~unused], y[~unused]
    extent = NOWHERE
    if len(x):
        extent = Bounds(float(x.min()), float(y.min()), float(x.max()), float(y.max()))
    return LoadedFlight(flight, units, columns, stray, extent, beyond, outline)


def either(first: NDArray[np.bool_] | None, second: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
    """Return which points are in one of two masks; None where there are none."""
    if first is None or second is None:
        return second if first is None else first
    return first | second


def refuse_too_many_stray(flight: Flight, stray: int, count: int) -> None:
    """Refuse a flight that is broken rather than noisy.

    Raises
    ------
    BadInputError
        If too many of its points lie at absurd coordinates.
    """
    if stray / count > LARGEST_STRAY_SHARE:
        raise BadInputError(
            flight.path,
            f"{stray / count:.1%} of its points lie far away from the others: "
            "the file mixes places or its coordinates are broken",
        )


def global_metres(flight: Flight, units: Units, raw: NDArray[np.int32], axis: int) -> NDArray[np.float64]:
    """Return one coordinate in metres of the reference system (not from the site's origin)."""
    unit = units.vertical if axis == 2 else units.horizontal
    metres = np.asarray(raw * (flight.scales[axis] * unit), np.float64)
    metres += flight.offsets[axis] * unit
    return metres


def site_origin(extents: Sequence[Bounds]) -> tuple[float, float]:
    """Return the local zero: whole kilometres at or below the extent, the same for any order of flights."""
    extents = [b for b in extents if b != NOWHERE]
    return (
        math.floor(min(b.x0 for b in extents) / _KILOMETRE) * _KILOMETRE,
        math.floor(min(b.y0 for b in extents) / _KILOMETRE) * _KILOMETRE,
    )


def local_metres(
    loaded: LoadedFlight, axis: int, out: NDArray[np.float64], *, origin: tuple[float, float]
) -> None:
    """Put in one coordinate in metres from the site's origin (heights keep their zero).

    The offset is moved before it meets the integers, so clouds that differ by whole kilometres give the
    same numbers to the bit.
    """
    flight, units = loaded.flight, loaded.units
    unit = units.vertical if axis == 2 else units.horizontal
    zero = origin[axis] if axis < 2 else 0.0
    np.multiply(loaded.columns["XYZ"[axis]], flight.scales[axis] * unit, out=out)
    out += flight.offsets[axis] * unit - zero
