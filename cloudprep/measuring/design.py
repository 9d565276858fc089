"""A terrain against the surface to be built: what is still to cut and fill, and what is within tolerance."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep.engine.reference import describe
from cloudprep.errors import BadInputError
from cloudprep.io.caution import FIGURES as CAUTION
from cloudprep.io.raster_reading import open_heights
from cloudprep.kernels.volume_error import (
    TWO_SIDED_95,
    HeightErrors,
    VolumeError,
    correlated_error,
    lattice_sum,
)
from cloudprep.measuring.areas import Area, read_areas
from cloudprep.measuring.cells import SLIVER, STRIP_CELLS, heights_of_parts
from cloudprep.measuring.design_reading import DesignReader
from cloudprep.measuring.feet import foot_name, foot_of, under_in_feet
from cloudprep.measuring.volumes import error_raster, point_reach
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import ExitStack
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.measuring.design_reading import DesignSource
    from cloudprep.measuring.design_sections import AxisVolumes
    from cloudprep.measuring.designs import Part

    Floats = NDArray[np.float64]

NOTHING, TOO_LOW, WITHIN, TOO_HIGH = 0, 1, 2, 3
"""Codes of the tolerance raster."""


@dataclass(frozen=True)
class DesignRequest:
    """What is wanted.

    Parameters
    ----------
    terrain : Path
        A raster of heights.
    design : DesignSource
        The surface to be built.
    tolerance : float
        Heights may differ by this much, m.
    boundary : Path, optional
        Areas to measure over; the design's own outline if left out.
    errors : HeightErrors, optional
        Of the terrain's heights. Left out, the raster of standard errors beside it tells the random part.
    unit : {"metre", "foot", "us_survey_foot"}, optional
        Figures are given in a foot besides metres; in that of the terrain's plan if left out.
    """

    terrain: Path
    design: DesignSource
    tolerance: float = 0.05
    boundary: Path | None = None
    errors: HeightErrors | None = None
    unit: str | None = None


@dataclass(frozen=True)
class AreaToDo:
    """What is still to do over one area. Square metres, cubic metres, metres.

    Parameters
    ----------
    name : str
        Of the area.
    area : float
        Of the design within it.
    measured : float
        Of the part of it that has a height of the terrain.
    cut, fill : float
        Still to cut (the terrain is above the design), and to fill.
    within, above, below : float
        Areas: within the tolerance, too high, too low.
    mean : float or None
        Mean of terrain less design.
    highest, lowest : float or None
        Of terrain less design.
    error : VolumeError or None
        Of the net volume; None where no errors of heights are known.
    """

    name: str
    area: float
    measured: float
    cut: float
    fill: float
    within: float
    above: float
    below: float
    mean: float | None
    highest: float | None
    lowest: float | None
    error: VolumeError | None

    @property
    def net(self) -> float:
        """Cut less fill: positive where material is left over."""
        return self.cut - self.fill

    @property
    def missing(self) -> float:
        """Area of the design without a height of the terrain."""
        return max(0.0, self.area - self.measured)

    @property
    def interval_95(self) -> float | None:
        """Half the width of the 95 % interval of the net volume."""
        return None if self.error is None else self.error.interval_95

    @property
    def figures(self) -> dict[str, float | None]:
        """What tables show, with the unit in each name."""
        return {
            "area_m2": self.area,
            "measured_m2": self.measured,
            "cut_m3": self.cut,
            "fill_m3": self.fill,
            "net_m3": self.net,
            "interval_95_m3": self.interval_95,
            "within_m2": self.within,
            "above_m2": self.above,
            "below_m2": self.below,
            "mean_m": self.mean,
            "highest_m": self.highest,
            "lowest_m": self.lowest,
        }

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {**asdict(self), "net": self.net, "missing": self.missing, "interval_95": self.interval_95}


@dataclass(frozen=True)
class DesignReport:
    """A terrain against a design."""

    terrain: str
    design: str
    surface: str
    reference: str
    cell: float
    tolerance: float
    areas: tuple[AreaToDo, ...]
    axes: tuple[AxisVolumes, ...]
    errors: str
    warnings: tuple[str, ...]
    assumed: tuple[str, ...]
    caution: str = CAUTION
    foot: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines; metres, and feet where the names say so."""
        found = {name: getattr(self, name) for name in self.__dataclass_fields__}
        areas = [{**a.as_dict(), **under_in_feet(a.figures, self.foot)} for a in self.areas]
        axes = [{**a.as_dict(), **under_in_feet(a.figures, self.foot)} for a in self.axes]
        return {**found, "areas": areas, "axes": axes, **foot_name(self.foot)}


@dataclass(frozen=True)
class Strip:
    """Some rows of the comparison.

    Parameters
    ----------
    row, column : int
        First of them, in cells of the terrain.
    area : ndarray of float64, shape (rows, columns)
        Share of each cell that the design covers.
    terrain, design : ndarray of float64, shape (rows, columns)
        Heights over that share, m; NaN where there is none.
    code : ndarray of uint8, shape (rows, columns)
        Whether they agree within the tolerance.
    variance : ndarray of float64, or float
        Of each cell's random error, m2.
    """

    row: int
    column: int
    area: Floats
    terrain: Floats
    design: Floats
    code: NDArray[np.uint8]
    variance: Any

    @property
    def difference(self) -> Floats:
        """Terrain less design, m."""
        return self.terrain - self.design


class DesignComparison:
    """A terrain and a design, both open, compared by strips on the terrain's cells.

    Parameters
    ----------
    request : DesignRequest
        What is wanted.
    stack : ExitStack
        Keeps the files open.

    Raises
    ------
    BadInputError, CrsError
        If a file can't be used, or they don't overlap or lie in different reference systems.
    """

    def __init__(self, request: DesignRequest, stack: ExitStack) -> None:
        self.request = request
        self.raster = open_heights(request.terrain)
        self.notes = list(self.raster.assumed)
        self.warnings: list[str] = []
        self.unit = self.raster.crs.horizontal_unit or METRE
        self.up = self.raster.crs.vertical_unit or METRE
        self.cell = self.raster.cell * self.unit
        self.design = DesignReader(request.design, self.raster, self.notes, self.warnings).read(stack)
        self.file = stack.enter_context(self.raster.opened())
        given = request.errors
        beside = error_raster(self.raster) if given is None or given.random == 0 else None
        self.own_reach = 0.0 if beside is None else point_reach(self.raster)
        self._error_file = None if beside is None else stack.enter_context(beside.opened())
        self._error_name = "" if beside is None else beside.path.name
        self.areas = [Area("design", None)]
        shape = None
        if request.boundary is not None:
            self.areas = read_areas(request.boundary, self.raster, None, self.notes.append)
            shape = shapely.union_all([a.shape for a in self.areas])
        self.whole = self.design.within(shape)
        if self.whole.shape.area <= 0:
            raise BadInputError(
                str(request.boundary), f"none of its areas touches {request.design.path.name}"
            )
        self.window = self.window_of(self.whole)

    def window_of(self, part: Part) -> tuple[int, int, int, int]:
        """Return the cells that a part of the design touches: row, column, rows, columns."""
        if part.shape.is_empty:
            return 0, 0, 0, 0
        west, south, east, north = np.asarray(part.shape.bounds) / self.cell
        c0, c1 = max(0, math.floor(west + SLIVER)), min(self.raster.columns, math.ceil(east - SLIVER))
        r0, r1 = max(0, math.floor(south + SLIVER)), min(self.raster.rows, math.ceil(north - SLIVER))
        return r0, c0, max(0, r1 - r0), max(0, c1 - c0)

    @property
    def reaches_beyond(self) -> bool:
        """Whether the design goes on where the terrain has ended."""
        west, south, east, north = self.design.bounds
        near = 1e-6 * self.cell
        wide, high = self.raster.columns * self.cell, self.raster.rows * self.cell
        return west < -near or south < -near or east > wide + near or north > high + near

    def strips(self, part: Part) -> Iterator[Strip]:
        """Give a part of the design strip by strip, from south to north."""
        row, column, rows, columns = self.window_of(part)
        if columns == 0:
            return
        step = max(1, STRIP_CELLS // columns)
        for r0 in range(row, row + rows, step):
            yield self._strip(part, (r0, column, min(step, row + rows - r0), columns))

    def _strip(self, part: Part, window: tuple[int, int, int, int]) -> Strip:
        row, column, rows, columns = window
        of = part.on_cells(window)
        counts = (of.area > SLIVER) & ~np.isnan(of.height)
        r, c = np.nonzero(counts)
        z = self.file.window(row - 1, column - 1, rows + 2, columns + 2) * self.up
        terrain = np.full((rows, columns), np.nan)
        terrain[r, c] = heights_of_parts(z, r, c, of.area[r, c], of.dx[r, c], of.dy[r, c])
        difference = terrain - of.height
        code = np.full((rows, columns), WITHIN, np.uint8)
        code[difference > self.request.tolerance] = TOO_HIGH
        code[difference < -self.request.tolerance] = TOO_LOW
        code[np.isnan(difference)] = NOTHING
        variance: Any = 0.0 if self.request.errors is None else self.request.errors.random**2
        if self._error_file is not None:
            variance = (self._error_file.window(row, column, rows, columns) * self.up) ** 2
        return Strip(row, column, np.where(counts, of.area, 0.0), terrain, of.height, code, variance)

    def to_do(self, name: str, part: Part) -> AreaToDo:
        """Return what is still to do over a part of the design."""
        sums = _Sums()
        for strip in self.strips(part):
            sums.add(strip, self.cell)
        known = sums.measured > 0
        return AreaToDo(
            name=name,
            area=float(part.shape.area) if part.outlined else sums.area,
            measured=sums.measured,
            cut=sums.cut,
            fill=sums.fill,
            within=sums.of_code[WITHIN],
            above=sums.of_code[TOO_HIGH],
            below=sums.of_code[TOO_LOW],
            mean=(sums.cut - sums.fill) / sums.measured if known else None,
            highest=sums.highest if known else None,
            lowest=sums.lowest if known else None,
            error=self._error(sums) if known else None,
        )

    def _error(self, sums: _Sums) -> VolumeError | None:
        e = self.request.errors
        if e is None and self._error_file is None:
            return None
        e = e or HeightErrors()
        x, y = np.concatenate(sums.x), np.concatenate(sums.y)
        return VolumeError(
            math.sqrt(sums.square * lattice_sum(self.cell, self.own_reach)),
            correlated_error(x, y, sums.measured, e.correlated, e.reach),
            sums.measured * e.systematic,
        )

    def error_words(self) -> str:
        """Return what is known of errors, in words."""
        e = self.request.errors
        name = self._error_name
        if e is not None:
            random = f"from {name}" if name else f"{e.random:g} m"
            return (
                f"errors of heights as given: random {random}, shared {e.correlated:g} m over "
                f"{e.reach:g} m, systematic {e.systematic:g} m; the design counts as exact"
            )
        if self._error_file is not None:
            return f"random errors of heights are from {name}; shared and systematic ones aren't known"
        return "no errors of heights are known, so no interval is given"


@dataclass
class _Sums:
    area: float = 0.0
    measured: float = 0.0
    cut: float = 0.0
    fill: float = 0.0
    highest: float = -math.inf
    lowest: float = math.inf
    square: float = 0.0
    of_code: dict[int, float] = field(default_factory=lambda: {TOO_LOW: 0.0, WITHIN: 0.0, TOO_HIGH: 0.0})
    x: list[NDArray[Any]] = field(default_factory=list)
    y: list[NDArray[Any]] = field(default_factory=list)

    def add(self, strip: Strip, cell: float) -> None:
        size = strip.area * cell**2
        self.area += float(size.sum())
        here = strip.code != NOTHING
        if not here.any():
            return
        d, a, code = strip.difference[here], size[here], strip.code[here]
        self.measured += float(a.sum())
        self.cut += float((np.maximum(d, 0) * a).sum())
        self.fill += float((np.maximum(-d, 0) * a).sum())
        self.highest, self.lowest = max(self.highest, float(d.max())), min(self.lowest, float(d.min()))
        for one in self.of_code:
            self.of_code[one] += float(a[code == one].sum())
        variance = np.broadcast_to(strip.variance, strip.area.shape)[here]
        self.square += float(np.nansum(variance * a**2))
        r, c = np.nonzero(here)
        thin = max(1, len(r) // 3000)
        self.x.append((strip.column + c[::thin] + 0.5) * cell)
        self.y.append((strip.row + r[::thin] + 0.5) * cell)


def measure_design(comparison: DesignComparison, axes: tuple[AxisVolumes, ...] = ()) -> DesignReport:
    """Return what is still to do over each area, or over the whole design.

    Parameters
    ----------
    comparison : DesignComparison
        The terrain and the design.
    axes : tuple of AxisVolumes
        What sections along axes came to.

    Returns
    -------
    DesignReport
        Volumes with their intervals.

    Raises
    ------
    BadInputError
        If the terrain has no height anywhere on the design.

    Notes
    -----
    A cell counts by the part of it that the design covers: the design's height is the mean over that part
    (exact for triangles), the terrain's is that at the middle of the part. So net volumes between planes are
    exact over any outline. Cut and fill are told apart cell by cell: one in which they meet counts as their
    difference.
    """
    c, request = comparison, comparison.request
    found = tuple(
        c.to_do(area.name, c.whole if request.boundary is None else c.design.within(area.shape))
        for area in c.areas
    )
    if not any(a.measured for a in found):
        raise BadInputError(request.terrain, f"has no heights on {request.design.path.name}")
    warnings = list(c.warnings)
    for a, area in zip(found, c.areas, strict=True):
        if a.missing > max(SLIVER, 1e-6 * a.area):
            gap = f"{a.missing:,.1f} m2 ({a.missing / a.area:.1%}) of the design"
            warnings.append(f"area '{a.name}': {gap} has no height of the terrain")
        beside = 0.0 if request.boundary is None else area.shape.area - a.area
        if beside > max(SLIVER, 1e-6 * a.area):
            warnings.append(f"area '{a.name}': {beside:,.1f} m2 of it lies beside the design")
    if not c.whole.outlined and c.reaches_beyond:
        warnings.append(
            f"{request.design.path.name} reaches beyond the terrain: what lies there isn't measured"
        )
    e = request.errors
    if e is not None:
        single = TWO_SIDED_95 * math.sqrt(e.random**2 + e.correlated**2 + e.systematic**2)
        if single > request.tolerance:
            warnings.append(
                f"a single height is only known to +- {single:.3g} m (95 %), the tolerance is "
                f"{request.tolerance:g} m: whether a place is within it can't be told for sure"
            )
    return DesignReport(
        terrain=str(request.terrain),
        design=str(request.design.path),
        surface=c.design.words,
        reference=describe(c.raster.crs),
        cell=c.cell,
        tolerance=request.tolerance,
        areas=found,
        axes=axes,
        errors=c.error_words(),
        warnings=tuple(warnings),
        assumed=tuple(c.notes),
        foot=foot_of(c.raster.crs.horizontal_unit, request.unit),
    )
