"""Volumes between a terrain and a base, over areas: by strips of the raster, cells by their covered part."""

from __future__ import annotations

import math
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from cloudprep.engine.reference import describe, unit_name
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.io.caution import FIGURES as CAUTION
from cloudprep.io.raster_reading import open_heights
from cloudprep.kernels.polygon_cover import polygon_cover
from cloudprep.kernels.volume_error import HeightErrors, VolumeError, correlated_error, lattice_sum
from cloudprep.measuring.areas import read_areas
from cloudprep.measuring.base_errors import EdgeErrors
from cloudprep.measuring.bases import NAMES, EdgeSurface, between_cells, edge_base, level_base
from cloudprep.measuring.cells import SLIVER, STRIP_CELLS, heights_between, heights_of_parts
from cloudprep.measuring.feet import foot_name, foot_of, under_in_feet
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
DENSITY_NAME = "ground_density"
"""The raster beside a terrain that tells how many ground points a square metre it was made of."""
# Places of a strip that stand for its area where errors are reckoned.
_FILLING = 20_000


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

    @property
    def figures(self) -> dict[str, float | None]:
        """What tables show, with the unit in each name."""
        return {
            "area_m2": self.area,
            "measured_m2": self.measured,
            "cut_m3": self.cut,
            "fill_m3": self.fill,
            "net_m3": self.net,
            "interval_95_m3": None if self.error is None else self.error.interval_95,
            "mean_m": self.mean,
            "highest_m": self.highest,
            "lowest_m": self.lowest,
            "density_t_m3": self.density,
            "mass_t": self.tonnes,
        }

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        found = asdict(self)
        found |= {"net": self.net, "missing": self.missing, "tonnes": self.tonnes}
        found["interval_95"] = None if self.error is None else self.error.interval_95
        return found


@dataclass(frozen=True)
class VolumeReport:
    """Volumes over all areas of a layer.

    Parameters
    ----------
    terrain, areas, reference : str
        The files, and the terrain's reference system.
    unit : str
        Of the terrain's heights.
    cell : float
        m.
    volumes : tuple of Volume
        One for each area.
    errors : str
        What is known of errors, in words.
    warnings, assumed : tuple of str
        For people.
    caution : str
        For everybody.
    foot : float or None
        Metres in the foot that figures are given in too: that of the terrain's plan; None where metres do.
    """

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
    foot: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines; metres, and feet where the names say so."""
        volumes = [{**v.as_dict(), **under_in_feet(v.figures, self.foot)} for v in self.volumes]
        return {**asdict(self), "volumes": volumes, **foot_name(self.foot)}


def measure_volumes(
    terrain: Path,
    over: Path,
    *,
    base: str = "lowest-edge",
    layer: str | None = None,
    errors: HeightErrors | None = None,
    unit: str | None = None,
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
        Of the heights; of their differences where the base is another terrain. Where they have no random
        part, or are left out, a raster beside the terrain (and beside that other one) whose name ends in
        ``_standard_error`` tells it.
    unit : {"metre", "foot", "us_survey_foot"}, optional
        What figures are given in besides metres; the unit of the terrain's plan if left out.

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
    known = _Known(raster, second, errors)
    warnings: list[str] = []
    with ExitStack() as stack:
        work = _Work(raster, stack.enter_context(raster.opened()), known, stack)
        if second is None:
            found = [work.measure(area, _base(base, area, work)) for area in areas]
        else:
            notes += second.assumed
            other = _Terrain(second, stack.enter_context(second.opened()), raster)
            found = [work.measure(area, other) for area in areas]
    if not any(volume.measured for volume in found):
        both = "" if second is None else f" where {second.path.name} has one too"
        raise BadInputError(over, f"none of its areas lies on a height of {raster.path.name}{both}")
    for volume in found:
        if volume.error is not None and volume.error.offset > volume.error.total / 2:
            warnings.append(
                f"area '{volume.name}': errors draw the lowest height of its edge down by about "
                f"{volume.error.offset / volume.measured:.3f} m, which its interval holds; --base edge-plane "
                "isn't drawn down"
            )
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
        errors=known.words,
        warnings=tuple(warnings),
        assumed=tuple(notes),
        foot=foot_of(raster.crs.horizontal_unit, unit),
    )


class _Known:
    """What is known of errors.

    Parameters
    ----------
    raster : HeightRaster
        The terrain.
    second : HeightRaster or None
        The other terrain, where that is the base.
    errors : HeightErrors or None
        As given.
    """

    def __init__(
        self, raster: HeightRaster, second: HeightRaster | None, errors: HeightErrors | None
    ) -> None:
        self.rasters: list[HeightRaster] = []
        self.bare: HeightRaster | None = None
        terrains: list[HeightRaster] = []
        if errors is None or errors.random == 0:
            terrains = [raster] if second is None else [raster, second]
            found = [error_raster(one) for one in terrains]
            self.rasters = [one for one in found if one is not None]
            if 0 < len(self.rasters) < len(found):
                self.bare = terrains[found.index(None)]
                self.rasters = []
        self.errors = errors or (HeightErrors() if self.rasters else None)
        self.own_reach = max((point_reach(one) for one in terrains), default=0.0) if self.rasters else 0.0
        self._given, self._two = errors, second is not None

    @property
    def _sharing(self) -> str:
        if not self.own_reach:
            return ", taken as each cell's own (no raster ground_density tells the points' distance)"
        return f", shared over {self.own_reach:.2g} m by the distance of points"

    @property
    def words(self) -> str:
        """All that in words."""
        names = " and ".join(one.path.name for one in self.rasters)
        if self._given is None:
            if self.rasters:
                told = f"random errors of heights are from {names}"
                return f"{told}{self._sharing}; other shared errors and systematic ones aren't known"
            why = "" if self.bare is None else f" ({self.bare.path.name} has no raster of standard errors)"
            return f"no errors of heights are known, so no interval is given{why}"
        e = self._given
        random = f"from {names}{self._sharing}" if self.rasters else f"{e.random:g} m"
        return (
            f"errors of {'differences' if self._two else 'heights'} as given: random {random}, shared "
            f"{e.correlated:g} m over {e.reach:g} m, systematic {e.systematic:g} m"
        )


def point_reach(terrain: HeightRaster) -> float:
    """Return how far cells of a terrain share the errors of its points, m; 0 where that isn't known.

    Cells smaller than the distance of points are made of the same points as their neighbours. A raster
    ``ground_density`` of the same rectangle beside the terrain tells that distance: its median over some of
    its rows counts.

    Notes
    -----
    Of linear interpolation in triangles. The factor is from trials (``benchmarks/interval_coverage.py``):
    even points share over 1.5 times their distance; where points are spread by chance the triangles' areas
    vary more, which makes it 1.9.
    """
    path = terrain.path.with_name(f"{DENSITY_NAME}{terrain.path.suffix}")
    if not path.exists():
        return 0.0
    found = open_heights(path)
    if not _same_site(found, terrain):
        return 0.0
    step = max(1, found.rows // 60)
    with found.opened() as file:
        lines = [file.window(row, 0, 1, found.columns) for row in range(0, found.rows, step)]
    density = np.concatenate(lines, axis=None)
    density = density[density > 0]
    return 1.75 / math.sqrt(float(np.median(density))) if len(density) else 0.0


def _same_site(first: HeightRaster, second: HeightRaster) -> bool:
    """Tell whether two rasters cover the same rectangle, to a cell of the coarser one."""
    near = max(first.cell, second.cell) * 1.001
    a, b = (
        (one.left, one.bottom, one.left + one.columns * one.cell, one.bottom + one.rows * one.cell)
        for one in (first, second)
    )
    return all(abs(v - w) <= near for v, w in zip(a, b, strict=True))


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


def other_terrain(base: str) -> Path | None:
    """Return the path of the raster that a base names; None where it names none."""
    return None if base in NAMES or base.startswith("level:") else Path(base)


def _other_terrain(base: str, raster: HeightRaster) -> HeightRaster | None:
    """Return the raster that a base names, or None."""
    path = other_terrain(base)
    if path is None:
        return None
    if not path.exists():
        raise UsageError(f"--base {base}: is neither {', '.join(NAMES)}, level:Z nor a raster that is there")
    second = open_heights(path)
    refuse_other_reference(raster, second)
    low, high = np.array([raster.left, raster.bottom]), np.array([second.left, second.bottom])
    sides = [np.array([one.columns, one.rows]) * one.cell for one in (raster, second)]
    if (low + sides[0] <= high).any() or (high + sides[1] <= low).any():
        raise BadInputError(path, f"doesn't overlap {raster.path.name}")
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
    edge: EdgeErrors | None = None


class _Work:
    def __init__(self, raster: HeightRaster, file: OpenedRaster, known: _Known, stack: ExitStack) -> None:
        self.raster, self.file, self.errors = raster, file, known.errors
        self.own_reach = known.own_reach
        self._beside = [(one, stack.enter_context(one.opened())) for one in known.rasters]
        unit = raster.crs.horizontal_unit or METRE
        self.up = raster.crs.vertical_unit or METRE
        self.cell = raster.cell * unit

    def heights_at(self, x: Floats, y: Floats) -> Floats:
        """Return heights (m) at positions (m from the corner), between cell centres."""
        return heights_between(self.file, self.cell, self.up, x, y)

    def measure(self, area: Area, base: Base) -> Volume:
        """Return the volume of an area."""
        sums = _Sums()
        edge = getattr(base, "edge", None)
        if edge is not None and self.errors is not None:
            shape = (self.raster.rows, self.raster.columns)
            sums.edge = EdgeErrors(edge, self.cell, shape, self._deviation, self.errors, self.own_reach)
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
        if self.errors is None:
            return
        deviation = self._deviation(row + r[there], column + c[there])
        sums.square += float(np.nansum((deviation * size) ** 2))
        if sums.edge is not None:
            sums.edge.take(row + r[there], column + c[there], size)
        thin = max(1, len(size) // _FILLING)
        sums.x.append(x[there][::thin])
        sums.y.append(y[there][::thin])

    def _deviation(self, row: NDArray[np.int64], column: NDArray[np.int64]) -> Floats:
        """Return standard deviations of cells' random errors, m."""
        assert self.errors is not None  # noqa: S101 - the caller looked
        if not self._beside:
            return np.full(len(row), self.errors.random)
        unit = self.raster.crs.horizontal_unit or METRE
        x, y = (column + 0.5) * self.cell, (row + 0.5) * self.cell
        total = np.zeros(len(row))
        for raster, file in self._beside:
            size = raster.cell * (raster.crs.horizontal_unit or METRE)
            x0, y0 = (self.raster.left - raster.left) * unit, (self.raster.bottom - raster.bottom) * unit
            places = [np.round((v + v0) / size, 6) * size for v, v0 in ((x, x0), (y, y0))]
            up = raster.crs.vertical_unit or METRE
            total += heights_between(file, size, up, places[0], places[1]) ** 2
        return np.asarray(np.sqrt(total))

    def _error(self, sums: _Sums) -> VolumeError | None:
        errors = self.errors
        if errors is None:
            return None
        x, y = np.concatenate(sums.x), np.concatenate(sums.y)
        square = sums.square * lattice_sum(self.cell, self.own_reach)
        if sums.edge is not None:
            return sums.edge.volume_error(square, x, y, sums.measured)
        return VolumeError(
            random=math.sqrt(square),
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
