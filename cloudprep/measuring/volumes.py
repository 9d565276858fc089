"""Volumes between a terrain and a base, over areas: by strips of the raster, cells by their covered part."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from cloudprep.engine.reference import describe, unit_name
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.io.caution import FIGURES as CAUTION
from cloudprep.io.raster_reading import open_heights
from cloudprep.kernels.polygon_cover import polygon_cover
from cloudprep.kernels.volume_error import HeightErrors, VolumeError, correlated_error
from cloudprep.measuring.areas import read_areas
from cloudprep.measuring.bases import NAMES, EdgeSurface, between_cells, edge_base, level_base
from cloudprep.measuring.cells import SLIVER, STRIP_CELLS, heights_between, heights_of_parts
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from cloudprep.io.raster_reading import HeightRaster, OpenedRaster
    from cloudprep.measuring.areas import Area
    from cloudprep.measuring.bases import Base
    from cloudprep.model.crs import CloudCrs

    Floats = NDArray[np.float64]

CUBIC_YARD = 0.9144**3
"""m3; exact (a yard is 0.9144 m, 1959)."""
CUBIC_FOOT = 0.3048**3
ERROR_SUFFIX = "_standard_error"


@dataclass(frozen=True)
class Volume:
    """One area's volume. Metres, square metres, cubic metres.

    Parameters
    ----------
    name : str
        Of the area.
    area : float
        Of the polygon.
    measured : float
        Of the part with a height and a base.
    cut : float
        Above the base.
    fill : float
        Missing below the base.
    mean : float or None
        Mean height above the base over what was measured.
    highest, lowest : float or None
        Of heights above the base.
    base : str
        What was measured from.
    error : VolumeError or None
        Of the net volume; None where no errors of heights are known.
    density : float or None
        Tonnes a cubic metre.
    """

    name: str
    area: float
    measured: float
    cut: float
    fill: float
    mean: float | None
    highest: float | None
    lowest: float | None
    base: str
    error: VolumeError | None = None
    density: float | None = None

    @property
    def net(self) -> float:
        """Cut less fill."""
        return self.cut - self.fill

    @property
    def missing(self) -> float:
        """Area without a height or a base."""
        return max(0.0, self.area - self.measured)

    @property
    def tonnes(self) -> float | None:
        """Weight of the net volume."""
        return None if self.density is None else self.net * self.density

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        found = asdict(self)
        found |= {"net": self.net, "missing": self.missing, "tonnes": self.tonnes}
        found["interval_95"] = None if self.error is None else self.error.interval_95
        return found


@dataclass(frozen=True)
class VolumeReport:
    """Volumes over all areas of a layer."""

    terrain: str
    areas: str
    reference: str
    unit: str
    cell: float
    volumes: tuple[Volume, ...]
    errors: str
    warnings: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    caution: str = CAUTION

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines; metres."""
        found = asdict(self)
        found["volumes"] = [v.as_dict() for v in self.volumes]
        return found


def measure_volumes(
    terrain: Path,
    over: Path,
    *,
    base: str = "lowest-edge",
    layer: str | None = None,
    errors: HeightErrors | None = None,
) -> VolumeReport:
    """Measure volumes between a terrain and a base, over areas.

    Parameters
    ----------
    terrain : Path
        A raster of heights.
    over : Path
        Polygons, in any reference system.
    base : str
        ``lowest-edge``, ``edge-plane``, ``edge-surface``, ``level:Z`` (Z in the terrain's unit of heights),
        or the path of another raster of heights.
    layer : str, optional
        Which layer of polygons, where the file has several.
    errors : HeightErrors, optional
        Of the heights. Left out, a raster beside the terrain whose name ends in ``_standard_error`` tells the
        random part.

    Returns
    -------
    VolumeReport
        One volume for each area.

    Raises
    ------
    BadInputError, CrsError
        If a file can't be used, no area touches the terrain, or two terrains differ in reference system.
    UsageError
        If the base makes no sense.

    Notes
    -----
    A cell counts by the part of it that the area covers, and by its height at the middle of that part, read
    from the slope to its neighbours: planes are exact over any polygon, and errors shrink with the square of
    the cell elsewhere.
    """
    raster = open_heights(terrain)
    notes: list[str] = list(raster.assumed)
    areas = read_areas(over, raster, layer, notes.append)
    second = _other_terrain(base, raster)
    beside = error_raster(raster) if errors is None else None
    warnings: list[str] = []
    found = []
    with raster.opened() as file:
        work = _Work(raster, file, errors, beside)
        if second is None:
            found = [work.measure(area, _base(base, area, work)) for area in areas]
        else:
            notes += second.assumed
            with second.opened() as other:
                found = [work.measure(area, _Terrain(second, other, raster)) for area in areas]
    for volume in found:
        if volume.missing > max(SLIVER, 1e-6 * volume.area):
            share = volume.missing / volume.area
            warnings.append(
                f"area '{volume.name}': {volume.missing:,.1f} m2 ({share:.1%}) has no height and isn't "
                f"measured"
            )
    return VolumeReport(
        terrain=str(terrain),
        areas=str(over),
        reference=describe(raster.crs),
        unit=unit_name(raster.crs.vertical_unit or METRE),
        cell=raster.cell * (raster.crs.horizontal_unit or METRE),
        volumes=tuple(found),
        errors=_error_words(errors, None if beside is None else beside.path),
        warnings=tuple(warnings),
        assumed=tuple(notes),
    )


def _error_words(errors: HeightErrors | None, beside: Path | None) -> str:
    if beside is not None:
        return f"random errors of heights are from {beside.name}; shared and systematic ones aren't known"
    if errors is None:
        return "no errors of heights are known, so no interval is given"
    return (
        f"errors of heights as given: random {errors.random:g} m, shared {errors.correlated:g} m over "
        f"{errors.reach:g} m, systematic {errors.systematic:g} m"
    )


def error_raster(terrain: HeightRaster) -> HeightRaster | None:
    """Return the raster of standard errors beside a terrain, on its very cells; None where there is none.

    Raises
    ------
    BadInputError
        If it lies on other cells.
    """
    path = terrain.path.with_name(f"{terrain.path.stem}{ERROR_SUFFIX}{terrain.path.suffix}")
    if not path.exists():
        return None
    found = open_heights(path)
    if not same_cells(found, terrain):
        raise BadInputError(path, f"doesn't lie on the cells of {terrain.path.name}")
    return found


def same_cells(first: HeightRaster, second: HeightRaster) -> bool:
    """Tell whether two rasters have the very same cells."""
    near = 1e-6 * first.cell
    return (
        (first.rows, first.columns) == (second.rows, second.columns)
        and abs(first.cell - second.cell) <= near / max(first.rows, first.columns)
        and abs(first.left - second.left) <= near
        and abs(first.bottom - second.bottom) <= near
    )


def _other_terrain(base: str, raster: HeightRaster) -> HeightRaster | None:
    """Return the raster that a base names, or None."""
    if base in NAMES or base.startswith("level:"):
        return None
    path = Path(base)
    if not path.exists():
        raise UsageError(f"--base {base}: is neither {', '.join(NAMES)}, level:Z nor a raster that is there")
    second = open_heights(path)
    refuse_other_reference(raster, second)
    return second


class Referenced(Protocol):
    """What lies in a reference system."""

    @property
    def path(self) -> Path:
        """The file."""

    @property
    def crs(self) -> CloudCrs:
        """Reference system and units."""


def refuse_other_reference(first: Referenced, second: Referenced) -> None:
    """Refuse two terrains that differ in reference system, heights included, where both state one.

    Raises
    ------
    CrsError
        With both names.
    """
    a, b = first.crs, second.crs
    if a.wkt and b.wkt and a.name != b.name:
        raise CrsError(f"{first.path} is in {a.name}, {second.path} in {b.name}: bring them together first")
    if abs((a.horizontal_unit or METRE) - (b.horizontal_unit or METRE)) > 1e-12:
        raise CrsError(f"{first.path} and {second.path} differ in the unit of the plan")


def _base(text: str, area: Area, work: _Work) -> Base:
    if text.startswith("level:"):
        return level_base(text, work.up)
    return edge_base(text, area, work.heights_at, work.cell)


class _Terrain:
    """Another terrain as a base: on the same cells as it is, else between its cell centres."""

    def __init__(self, raster: HeightRaster, file: OpenedRaster, first: HeightRaster) -> None:
        self._raster, self._file = raster, file
        self._unit = raster.crs.horizontal_unit or METRE
        self._up = raster.crs.vertical_unit or METRE
        self._x = (first.left - raster.left) * self._unit
        self._y = (first.bottom - raster.bottom) * self._unit
        self.words = f"terrain {raster.path.name}"

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return heights at positions."""
        size = self._raster.cell * self._unit
        across, north = (x + self._x) / size, (y + self._y) / size
        # To a millionth of a cell, so that the same cells read the same values.
        across, north = np.round(across, 6), np.round(north, 6)
        c0, r0 = math.floor(across.min()) - 1, math.floor(north.min()) - 1
        c1, r1 = math.ceil(across.max()) + 1, math.ceil(north.max()) + 1
        values = self._file.window(r0, c0, r1 - r0, c1 - c0) * self._up
        return between_cells(values, across - c0, north - r0)


@dataclass
class _Sums:
    measured: float = 0.0
    cut: float = 0.0
    fill: float = 0.0
    highest: float = -math.inf
    lowest: float = math.inf
    square: float = 0.0
    x: list[Floats] = field(default_factory=list)
    y: list[Floats] = field(default_factory=list)


class _Work:
    def __init__(
        self,
        raster: HeightRaster,
        file: OpenedRaster,
        errors: HeightErrors | None,
        beside: HeightRaster | None,
    ) -> None:
        self.raster, self.file, self.errors, self.beside = raster, file, errors, beside
        unit = raster.crs.horizontal_unit or METRE
        self.up = raster.crs.vertical_unit or METRE
        self.cell = raster.cell * unit

    def heights_at(self, x: Floats, y: Floats) -> Floats:
        """Return heights (m) at positions (m from the corner), between cell centres."""
        return heights_between(self.file, self.cell, self.up, x, y)

    def measure(self, area: Area, base: Base) -> Volume:
        """Return the volume of an area."""
        sums = _Sums()
        for row, column, cover in self._strips(area):
            self._add(sums, row, column, cover, base)
        known = sums.measured > 0
        return Volume(
            name=area.name,
            area=float(area.shape.area),
            measured=sums.measured,
            cut=sums.cut,
            fill=sums.fill,
            mean=(sums.cut - sums.fill) / sums.measured if known else None,
            highest=sums.highest if known else None,
            lowest=sums.lowest if known else None,
            base=base.words,
            error=self._error(sums) if known else None,
            density=area.density,
        )

    def _strips(self, area: Area) -> Iterator[tuple[int, int, Any]]:
        rings = area.rings(self.cell)
        places = np.concatenate(rings)
        c0, c1 = (math.floor(places[:, 0].min()), math.ceil(places[:, 0].max()))
        r0, r1 = (math.floor(places[:, 1].min()), math.ceil(places[:, 1].max()))
        c0, c1 = max(c0, 0), min(c1, self.raster.columns)
        r0, r1 = max(r0, 0), min(r1, self.raster.rows)
        if c0 >= c1 or r0 >= r1:
            return
        step = max(1, STRIP_CELLS // (c1 - c0))
        for row in range(r0, r1, step):
            rows = min(step, r1 - row)
            moved = [ring - [c0, row] for ring in rings]
            yield row, c0, polygon_cover(moved, rows, c1 - c0)

    def _add(self, sums: _Sums, row: int, column: int, cover: Any, base: Base) -> None:
        r, c = np.nonzero(cover.area > SLIVER)
        if len(r) == 0:
            return
        rows, columns = cover.area.shape
        share = cover.area[r, c]
        dx, dy = cover.x[r, c] / share, cover.y[r, c] / share
        z = self.file.window(row - 1, column - 1, rows + 2, columns + 2) * self.up
        height = heights_of_parts(z, r, c, share, dx, dy)
        x, y = (column + c + 0.5 + dx) * self.cell, (row + r + 0.5 + dy) * self.cell
        if isinstance(base, EdgeSurface):
            wide = base.window(row - 1, column - 1, rows + 2, columns + 2, self.cell)
            from_base = heights_of_parts(wide, r, c, share, dx, dy)
            # Cells whose centre, or that of a neighbour, lies beyond the edge tell no slope.
            lone = np.isnan(wide[1:-1, :-2] + wide[1:-1, 2:] + wide[:-2, 1:-1] + wide[2:, 1:-1])[r, c]
            beside = np.isnan(from_base) | ((share < 1 - SLIVER) & lone)
            from_base[beside] = base.at(x[beside], y[beside])
        else:
            from_base = base.at(x, y)
        above = height - from_base
        there = ~np.isnan(above)
        above, size = above[there], share[there] * self.cell**2
        if len(above) == 0:
            return
        sums.measured += float(size.sum())
        sums.cut += float((np.maximum(above, 0) * size).sum())
        sums.fill += float((np.maximum(-above, 0) * size).sum())
        sums.highest = max(sums.highest, float(above.max()))
        sums.lowest = min(sums.lowest, float(above.min()))
        sums.square += self._random(row, column, rows, columns, r[there], c[there], size)
        thin = max(1, len(size) // 3000)
        sums.x.append(x[there][::thin])
        sums.y.append(y[there][::thin])

    def _random(
        self,
        row: int,
        column: int,
        rows: int,
        columns: int,
        r: NDArray[np.int64],
        c: NDArray[np.int64],
        size: Floats,
    ) -> float:
        """Return the variance (m6) that random errors of these cells add."""
        if self.beside is not None:
            with self.beside.opened() as file:
                deviation = file.window(row, column, rows, columns)[r, c] * self.up
            return float(np.nansum((deviation * size) ** 2))
        if self.errors is not None:
            return float(((self.errors.random * size) ** 2).sum())
        return 0.0

    def _error(self, sums: _Sums) -> VolumeError | None:
        errors = self.errors
        if errors is None:
            return VolumeError(math.sqrt(sums.square), 0.0, 0.0) if self.beside is not None else None
        x, y = np.concatenate(sums.x), np.concatenate(sums.y)
        return VolumeError(
            random=math.sqrt(sums.square),
            correlated=correlated_error(x, y, sums.measured, errors.correlated, errors.reach),
            systematic=sums.measured * errors.systematic,
        )


def total_of(volumes: Sequence[Volume]) -> tuple[float, float, float]:
    """Return cut, fill and net of all areas together, m3.

    Raises
    ------
    BadInputError
        If there is none.
    """
    if not volumes:
        raise BadInputError("areas", "there are none")
    cut, fill = sum(v.cut for v in volumes), sum(v.fill for v in volumes)
    return cut, fill, cut - fill
