"""The points that an alignment rests on: of clouds and terrain rasters, ground or all, in stable areas."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep.engine.area import Region
from cloudprep.engine.loading import global_metres
from cloudprep.engine.reference import Assumptions, settle
from cloudprep.errors import BadInputError, CrsError
from cloudprep.io.las import open_flight, read_columns
from cloudprep.io.raster_reading import open_heights
from cloudprep.io.vectors import read_layer
from cloudprep.kernels.thinning import cube_means
from cloudprep.measuring.surfaces import RASTERS
from cloudprep.model.bounds import Bounds
from cloudprep.model.classes import NOISE_CODES, ClassCode
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.engine.reference import Settled
    from cloudprep.io.las import Flight
    from cloudprep.io.raster_reading import HeightRaster
    from cloudprep.model.crs import CloudCrs

    Floats = NDArray[np.float64]

# Points are thinned to this while they are read, so that very dense clouds fit, m.
_FINEST = 0.1
_STRIP_CELLS = 2_000_000
# Squares by which the area with points is measured, m.
_SQUARE = 5.0


@dataclass(frozen=True)
class Cloud:
    """An opened cloud with its settled reference system."""

    flight: Flight
    settled: Settled

    @property
    def path(self) -> Path:
        """Where it is."""
        return self.flight.path


@dataclass(frozen=True)
class Thinned:
    """Points to align, in metres from an origin in plan.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 3)
        Means of cubes of 0.1 m.
    counts : ndarray of float64, shape (n,)
        Points behind each.
    """

    points: Floats
    counts: Floats

    @property
    def total(self) -> int:
        """Points behind all."""
        return int(self.counts.sum())

    def bounds(self, wider: float = 0.0) -> Bounds:
        """Return their extent, widened."""
        low, high = self.points[:, :2].min(axis=0) - wider, self.points[:, :2].max(axis=0) + wider
        return Bounds(float(low[0]), float(low[1]), float(high[0]), float(high[1]))

    def within(self, bounds: Bounds) -> Thinned:
        """Return those in a rectangle."""
        inside = _inside(self.points[:, 0], self.points[:, 1], bounds)
        return Thinned(self.points[inside], self.counts[inside])

    def spacing(self) -> float:
        """Return their typical distance in plan, m."""
        squares = np.unique(np.floor(self.points[:, :2] / _SQUARE), axis=0)
        return _SQUARE * math.sqrt(len(squares) / max(len(self.points), 1))


@dataclass(frozen=True)
class Choice:
    """Which points count.

    Parameters
    ----------
    ground : bool
        Ground (class 2) only; else all but noise. Withheld points never count.
    stable : Region or None
        Points outside don't count, local metres.
    origin : tuple of float
        Local zero in plan, global metres.
    """

    ground: bool
    stable: Region | None
    origin: tuple[float, float]


def open_cloud(path: Path) -> Cloud:
    """Open a cloud.

    Raises
    ------
    BadInputError
        If it can't be read or is in degrees.
    """
    flight = open_flight(path)
    return Cloud(flight, settle(flight, Assumptions()))


def open_reference(path: Path) -> Cloud | HeightRaster:
    """Open a cloud or a raster of heights, told apart by the name's ending."""
    return open_heights(path) if path.suffix.lower() in RASTERS else open_cloud(path)


def refuse_other_system(cloud: Cloud, raster: HeightRaster) -> None:
    """Refuse a raster in another reference system, or in other units, than a cloud.

    Raises
    ------
    CrsError
        With both names.
    """
    # Imported late: it opens the database of pyproj.
    from pyproj import CRS  # noqa: PLC0415

    a, b = cloud.settled.crs, raster.crs
    if a.wkt and b.wkt:
        first, second = (CRS.from_wkt(str(c.wkt)) for c in (a, b))
        if first.to_2d() != second.to_2d():
            raise CrsError(
                f"{cloud.path.name} is in {a.name}, {raster.path.name} in {b.name}: bring them together first"
            )
    units = cloud.settled.units
    if abs(units.horizontal - (b.horizontal_unit or METRE)) > 1e-12:
        raise CrsError(f"{cloud.path.name} and {raster.path.name} differ in the unit of the plan")


def read_stable(
    path: Path, crs: CloudCrs, origin: tuple[float, float], note: Callable[[str], None]
) -> Region:
    """Read areas that haven't changed.

    Raises
    ------
    BadInputError, CrsError
        If the file can't be used or holds no areas.
    """
    found = read_layer(path, None, crs, origin, kinds=("polygon",), note=note)
    if len(found) == 0:
        raise BadInputError(path, "holds no areas")
    return Region(shapely.union_all(found.geometries))


def read_cloud(cloud: Cloud, choice: Choice, bounds: Bounds | None = None) -> Thinned:
    """Read the points of a cloud that count, thinned.

    Parameters
    ----------
    cloud : Cloud
        The source.
    choice : Choice
        Which points.
    bounds : Bounds, optional
        Points outside don't count, local metres.

    Raises
    ------
    BadInputError
        If the cloud can't be read.
    """
    flight, units = cloud.flight, cloud.settled.units
    names = ["X", "Y", "Z", "classification", *({"withheld"} & flight.columns)]
    parts: list[tuple[Floats, Floats]] = []
    for chunk in read_columns(flight, names):
        codes = chunk["classification"]
        used = codes == ClassCode.GROUND if choice.ground else ~np.isin(codes, NOISE_CODES)
        if "withheld" in chunk:
            used &= ~chunk["withheld"]
        x, y, z = (global_metres(flight, units, chunk[a][used], i) for i, a in enumerate("XYZ"))
        parts.append(_kept(x - choice.origin[0], y - choice.origin[1], z, choice, bounds))
    return _joined(parts)


def read_raster(raster: HeightRaster, choice: Choice, bounds: Bounds) -> Thinned:
    """Read the cell centres of a raster of heights within bounds (local metres) as points.

    Raises
    ------
    BadInputError
        If it can't be read.
    """
    unit, up = raster.crs.horizontal_unit or METRE, raster.crs.vertical_unit or METRE
    cell = raster.cell * unit
    left, bottom = raster.left * unit - choice.origin[0], raster.bottom * unit - choice.origin[1]
    c0, c1 = max(0, math.floor((bounds.x0 - left) / cell)), math.ceil((bounds.x1 - left) / cell)
    r0, r1 = max(0, math.floor((bounds.y0 - bottom) / cell)), math.ceil((bounds.y1 - bottom) / cell)
    c1, r1 = min(c1, raster.columns), min(r1, raster.rows)
    parts: list[tuple[Floats, Floats]] = []
    if c0 < c1 and r0 < r1:
        step = max(1, _STRIP_CELLS // (c1 - c0))
        with raster.opened() as file:
            for row in range(r0, r1, step):
                heights = file.window(row, c0, min(step, r1 - row), c1 - c0) * up
                r, c = np.nonzero(~np.isnan(heights))
                x, y = left + np.asarray(c0 + c + 0.5) * cell, bottom + np.asarray(row + r + 0.5) * cell
                parts.append(_kept(x, y, heights[r, c], choice, bounds))
    return _joined(parts)


def _kept(x: Floats, y: Floats, z: Floats, choice: Choice, bounds: Bounds | None) -> tuple[Floats, Floats]:
    if bounds is not None:
        inside = _inside(x, y, bounds)
        x, y, z = x[inside], y[inside], z[inside]
    if choice.stable is not None:
        inside = choice.stable.holds(x, y)
        x, y, z = x[inside], y[inside], z[inside]
    return cube_means(np.stack([x, y, z], axis=1), np.ones(len(x)), _FINEST)


def _inside(x: Floats, y: Floats, b: Bounds) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = (x >= b.x0) & (x <= b.x1) & (y >= b.y0) & (y <= b.y1)
    return found


def _joined(parts: Sequence[tuple[Floats, Floats]]) -> Thinned:
    if not parts:
        return Thinned(np.empty((0, 3)), np.empty(0))
    points, counts = (np.concatenate([p[i] for p in parts]) for i in range(2))
    return Thinned(*cube_means(points, counts, _FINEST))


def joined(clouds: Sequence[Thinned]) -> Thinned:
    """Return the points of several clouds as one."""
    return _joined([(c.points, c.counts) for c in clouds])


def origin_of(clouds: Sequence[Cloud]) -> tuple[float, float]:
    """Return whole kilometres below all clouds, by what their headers say, global metres."""
    lows: list[Any] = [np.asarray(c.flight.header_min[:2]) * c.settled.units.horizontal for c in clouds]
    low = np.nan_to_num(np.min(lows, axis=0), nan=0.0, posinf=0.0, neginf=0.0)
    return float(np.floor(low[0] / 1000) * 1000), float(np.floor(low[1] / 1000) * 1000)
