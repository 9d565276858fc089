"""Change between two dates: what is significant, how much moved, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.reference import describe
from cloudprep.errors import BadInputError, UsageError
from cloudprep.io.caution import FIGURES as CAUTION
from cloudprep.io.raster_reading import open_heights
from cloudprep.kernels.polygon_cover import polygon_cover
from cloudprep.kernels.variogram import SphericalModel, fitted_variogram
from cloudprep.kernels.volume_error import (
    TWO_SIDED_95,
    HeightErrors,
    VolumeError,
    correlated_error,
    lattice_sum,
)
from cloudprep.measuring.areas import Area, read_areas
from cloudprep.measuring.bases import between_cells
from cloudprep.measuring.feet import foot_name, foot_of, under_in_feet
from cloudprep.measuring.volumes import ERROR_SUFFIX, point_reach, refuse_other_reference, same_cells
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from contextlib import ExitStack
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.raster_reading import HeightRaster, OpenedRaster

    Floats = NDArray[np.float64]

_STRIP_CELLS = 2_000_000
_SLIVER = 1e-9
_MOST_STABLE = 1500
_LEAST_STABLE = 30
NOTHING, LOWERED, UNSURE, RAISED = 0, 1, 2, 3
"""Codes of the significance raster."""


@dataclass(frozen=True)
class StableGround:
    """What differences over ground that is declared stable tell.

    Parameters
    ----------
    area : float
        m2.
    bias : float
        Mean difference, after less before, m.
    deviation : float
        Standard deviation, m.
    model : SphericalModel
        How errors are shared.
    bias_error : float
        Standard deviation of the bias itself, m.
    """

    area: float
    bias: float
    deviation: float
    model: SphericalModel
    bias_error: float


@dataclass(frozen=True)
class AreaChange:
    """Change over one area. Square metres, cubic metres, metres.

    Parameters
    ----------
    name : str
        Of the area.
    area, measured : float
        Of the polygon, and of its part with heights at both dates.
    raised, lowered : float
        Volumes of all cells.
    raised_sure, lowered_sure : float
        Volumes of cells whose change is significant.
    sure_share : float
        Share of the measured area whose change is significant.
    mean : float or None
        Mean difference.
    error : VolumeError or None
        Of the net volume of all cells.
    """

    name: str
    area: float
    measured: float
    raised: float
    lowered: float
    raised_sure: float
    lowered_sure: float
    sure_share: float
    mean: float | None
    error: VolumeError | None

    @property
    def net(self) -> float:
        """Raised less lowered, over all cells: noise doesn't push it to either side."""
        return self.raised - self.lowered

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
            "raised_m3": self.raised,
            "lowered_m3": self.lowered,
            "net_m3": self.net,
            "interval_95_m3": self.interval_95,
            "raised_sure_m3": self.raised_sure,
            "lowered_sure_m3": self.lowered_sure,
            "sure_share": self.sure_share,
            "mean_m": self.mean,
        }

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {**asdict(self), "net": self.net, "interval_95": self.interval_95}


@dataclass(frozen=True)
class ChangeReport:
    """What has changed between two dates."""

    before: str
    after: str
    reference: str
    cell: float
    overlap: float
    smallest: str
    shift: float
    stable: StableGround | None
    areas: tuple[AreaChange, ...]
    errors: str
    warnings: tuple[str, ...]
    assumed: tuple[str, ...]
    caution: str = CAUTION
    foot: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines; metres, and feet where the names say so."""
        areas = [{**a.as_dict(), **under_in_feet(a.figures, self.foot)} for a in self.areas]
        return {**asdict(self), "areas": areas, **foot_name(self.foot)}


@dataclass(frozen=True)
class ChangeRequest:
    """What is wanted.

    Parameters
    ----------
    before, after : Path
        Rasters of heights.
    over : Path, optional
        Areas to sum up; the whole overlap if left out.
    stable : Path, optional
        Areas that haven't changed.
    smallest : float, optional
        Smaller changes aren't significant, m; 1.96 times the error of the difference if left out.
    errors : HeightErrors, optional
        Of the differences. Left out, the rasters of standard errors beside the terrains and the stable areas
        tell.
    shift : bool
        Take the bias over stable ground off.
    unit : {"metre", "foot", "us_survey_foot"}, optional
        Figures are given in a foot besides metres; in that of the earlier terrain's plan if left out.
    """

    before: Path
    after: Path
    over: Path | None = None
    stable: Path | None = None
    smallest: float | None = None
    errors: HeightErrors | None = None
    shift: bool = False
    unit: str | None = None


@dataclass(frozen=True)
class Strip:
    """Some rows of the difference.

    Parameters
    ----------
    row, column : int
        First of them, in cells of the earlier raster.
    difference : ndarray of float64, shape (rows, columns)
        After less before, m; NaN where either has nothing.
    limit : ndarray of float64, or float
        The smallest significant change, m.
    variance : ndarray of float64, or float
        Of each cell's random error, m2.
    resampled : ndarray of float64, or float
        By how much reading the later raster between its cell centres makes each height too low, m.
    """

    row: int
    column: int
    difference: Floats
    limit: Any
    variance: Any
    resampled: Any = 0.0


class Comparison:
    """Two open rasters of heights, compared by strips on the cells of the earlier one.

    Parameters
    ----------
    request : ChangeRequest
        What is wanted.

    Raises
    ------
    BadInputError, CrsError
        If a file can't be used, or they don't overlap or lie in different reference systems.
    UsageError
        If nothing tells what is significant.
    """

    def __init__(self, request: ChangeRequest, stack: ExitStack) -> None:
        self.request = request
        self.first, self.second = open_heights(request.before), open_heights(request.after)
        refuse_other_reference(self.first, self.second)
        self.notes = [*self.first.assumed, *self.second.assumed]
        self.warnings: list[str] = []
        self._files = [stack.enter_context(r.opened()) for r in (self.first, self.second)]
        self._ups = [r.crs.vertical_unit or METRE for r in (self.first, self.second)]
        self.unit = self.first.crs.horizontal_unit or METRE
        self.cell = self.first.cell * self.unit
        self._error_files = [self._beside(r, stack) for r in (self.first, self.second)]
        self.own_reach = 0.0
        if all(f is not None for f in self._error_files):
            self.own_reach = max(point_reach(r) for r in (self.first, self.second))
        self._place()
        self.shift = 0.0
        self.stable: StableGround | None = None
        self.errors = request.errors
        if request.stable is not None:
            self._look_at_stable(request.stable)
        self._refuse_unknown()

    def _beside(self, raster: HeightRaster, stack: ExitStack) -> OpenedRaster | None:
        path = raster.path.with_name(f"{raster.path.stem}{ERROR_SUFFIX}{raster.path.suffix}")
        given = self.request.errors
        if (given is not None and given.random > 0) or not path.exists():
            return None
        found = open_heights(path)
        if not same_cells(found, raster):
            raise BadInputError(path, f"doesn't lie on the cells of {raster.path.name}")
        return stack.enter_context(found.opened())

    def _place(self) -> None:
        """Find the overlap, in cells of the earlier raster, and whether the cells are the same."""
        a, b = self.first, self.second
        across, north = (b.left - a.left) / a.cell, (b.bottom - a.bottom) / a.cell
        self.ratio = b.cell / a.cell
        wide, high = b.columns * self.ratio, b.rows * self.ratio
        c0, c1 = max(0, math.ceil(across - 1e-6)), min(a.columns, math.floor(across + wide + 1e-6))
        r0, r1 = max(0, math.ceil(north - 1e-6)), min(a.rows, math.floor(north + high + 1e-6))
        if c0 >= c1 or r0 >= r1:
            raise BadInputError(b.path, f"doesn't overlap {a.path.name}")
        self.window = r0, c0, r1 - r0, c1 - c0
        self.offset = across, north
        self.aligned = (
            abs(self.ratio - 1) * max(a.rows, a.columns) < 1e-6
            and abs(across - round(across)) < 1e-6
            and abs(north - round(north)) < 1e-6
        )
        if not self.aligned:
            self.notes.append(
                f"{b.path.name} doesn't lie on the cells of {a.path.name}: it is read between its cell "
                "centres; what its curvature makes of that is in the intervals"
            )

    def _look_at_stable(self, path: Path) -> None:
        areas = read_areas(path, self.first, None, self.notes.append)
        parts = [self._covered(area) for area in areas]
        x, y, d = (np.concatenate([part[i] for part in parts]) for i in range(3))
        if len(d) < _LEAST_STABLE:
            reason = f"its areas hold {len(d)} cells with heights at both dates: too few to tell a bias"
            raise BadInputError(path, reason)
        # A blunder or a car in it must not make the bias.
        middle = float(np.median(d))
        spread = 1.4826 * float(np.median(np.abs(d - middle)))
        kept = np.abs(d - middle) <= max(5 * spread, 1e-9)
        if not kept.all():
            share = np.mean(~kept)
            self.warnings.append(f"{share:.1%} of the stable ground differs by far: left out of the bias")
        x, y, d = x[kept], y[kept], d[kept]
        thin = np.random.default_rng(0).permutation(len(d))[:_MOST_STABLE]
        extent = max(float(np.ptp(x)), float(np.ptp(y)), 4 * self.cell)
        model = fitted_variogram(x[thin], y[thin], d[thin], extent / 2)
        area = len(d) * self.cell**2
        shared = correlated_error(x[thin], y[thin], area, math.sqrt(model.sill), model.reach) / area
        own = math.sqrt(model.nugget / len(d))
        bias = float(d.mean())
        self.stable = StableGround(area, bias, float(d.std()), model, math.hypot(shared, own))
        if self.request.shift:
            self.shift = bias
        left = 0.0 if self.request.shift else abs(bias)
        if self.errors is None:
            known = all(f is not None for f in self._error_files)
            self.errors = HeightErrors(
                random=0.0 if known else math.sqrt(model.nugget),
                correlated=math.sqrt(model.sill),
                reach=model.reach,
                systematic=math.hypot(self.stable.bias_error, left),
            )
        if not self.request.shift and left > TWO_SIDED_95 * self.stable.bias_error:
            self.warnings.append(
                f"stable ground differs by {bias:+.3f} m (+-{TWO_SIDED_95 * self.stable.bias_error:.3f}): "
                f"a bias, "
                "counted as systematic error; --shift takes it off"
            )

    def _refuse_unknown(self) -> None:
        nothing = self.errors is None and not all(f is not None for f in self._error_files)
        if nothing and self.request.smallest is None:
            raise UsageError(
                "nothing tells which change is significant: give --min-change METRES, errors "
                "(--random-error ...), "
                "--stable AREAS, or rasters of standard errors beside both terrains"
            )

    def _covered(self, area: Area) -> tuple[Floats, Floats, Floats]:
        """Return places (m) and differences of the cells that an area covers by more than half."""
        found: list[tuple[Any, Any, Any]] = [(np.empty(0), np.empty(0), np.empty(0))]
        for strip, cover in self.strips_over(area):
            r, c = np.nonzero((cover.area > 0.5) & ~np.isnan(strip.difference))
            x, y = (strip.column + c + 0.5) * self.cell, (strip.row + r + 0.5) * self.cell
            found.append((x, y, strip.difference[r, c]))
        return tuple(np.concatenate([f[i] for f in found]) for i in range(3))  # type: ignore[return-value]

    def strips(self) -> Iterator[Strip]:
        """Give the whole overlap, from south to north."""
        r0, c0, rows, columns = self.window
        step = max(1, _STRIP_CELLS // columns)
        for row in range(r0, r0 + rows, step):
            yield self._strip(row, c0, min(step, r0 + rows - row), columns)

    def strips_over(self, area: Area) -> Iterator[tuple[Strip, Any]]:
        """Give the strips that an area touches, and what it covers of their cells."""
        rings = area.rings(self.cell)
        places = np.concatenate(rings)
        r0, c0, rows, columns = self.window
        low = np.maximum(np.floor(places.min(axis=0)), [c0, r0]).astype(int)
        high = np.minimum(np.ceil(places.max(axis=0)), [c0 + columns, r0 + rows]).astype(int)
        if (low >= high).any():
            return
        wide = int(high[0] - low[0])
        step = max(1, _STRIP_CELLS // wide)
        for row in range(int(low[1]), int(high[1]), step):
            strip = self._strip(row, int(low[0]), min(step, int(high[1]) - row), wide)
            moved = [ring - [low[0], row] for ring in rings]
            yield strip, polygon_cover(moved, *strip.difference.shape)

    def _strip(self, row: int, column: int, rows: int, columns: int) -> Strip:
        before = self._files[0].window(row, column, rows, columns) * self._ups[0]
        after, resampled = self._second_values(self._files[1], row, column, rows, columns)
        after, resampled = after * self._ups[1], resampled * self._ups[1]
        random = self.errors.random if self.errors is not None else 0.0
        variance: Any = random**2
        one, other = self._error_files
        if one is not None and other is not None:
            first = one.window(row, column, rows, columns) * self._ups[0]
            second = self._second_values(other, row, column, rows, columns)[0] * self._ups[1]
            # Larger cells are fewer: read at more places they must not count as more measurements.
            variance = first**2 + second**2 * max(1.0, self.ratio**2)
        limit: Any = self.request.smallest
        if limit is None:
            shared = 0.0
            if self.errors is not None:
                shared = self.errors.correlated**2 + self.errors.systematic**2
            limit = TWO_SIDED_95 * np.sqrt(variance + shared + resampled**2)
        return Strip(row, column, after - before - self.shift, limit, variance, resampled)

    def _second_values(
        self, file: OpenedRaster, row: int, column: int, rows: int, columns: int
    ) -> tuple[Floats, Any]:
        """Return the later raster on the cells of the earlier one, and by how much that makes it too low.

        Between centres a surface of second differences ``d`` lies ``t (1 - t) d / 2`` below the straight line
        through them, t the share of the way from one to the next (any textbook's error of linear
        interpolation); both directions add up.
        """
        across, north = self.offset
        if self.aligned:
            return file.window(row - round(north), column - round(across), rows, columns), 0.0
        x = (column + np.arange(columns) + 0.5 - across) / self.ratio
        y = (row + np.arange(rows) + 0.5 - north) / self.ratio
        c0, r0 = math.floor(x[0]) - 2, math.floor(y[0]) - 2
        values = file.window(r0, c0, math.ceil(y[-1]) + 2 - r0, math.ceil(x[-1]) + 2 - c0)
        x, y = x - c0, y - r0
        places_x, places_y = np.broadcast_arrays(x[None, :], y[:, None])
        heights = between_cells(values, places_x, places_y)
        bent = np.zeros((2, *values.shape))
        bent[0, :, 1:-1] = values[:, :-2] - 2 * values[:, 1:-1] + values[:, 2:]
        bent[1, 1:-1] = values[:-2] - 2 * values[1:-1] + values[2:]
        bent = np.nan_to_num(bent)
        cells = np.ix_(
            np.clip(y.astype(int), 0, len(values) - 1), np.clip(x.astype(int), 0, values.shape[1] - 1)
        )
        tx, ty = (x - 0.5) % 1, (y - 0.5) % 1
        low = bent[0][cells] * (tx * (1 - tx) / 2)[None, :] + bent[1][cells] * (ty * (1 - ty) / 2)[:, None]
        return heights, -low


def significance(strip: Strip) -> NDArray[np.uint8]:
    """Return the code of each cell: 0 nothing, 1 lowered, 2 too little to tell, 3 raised."""
    code = np.full(strip.difference.shape, UNSURE, np.uint8)
    code[strip.difference >= strip.limit] = RAISED
    code[strip.difference <= -strip.limit] = LOWERED
    code[np.isnan(strip.difference)] = NOTHING
    # Where the error isn't known nothing is sure.
    code[np.isnan(strip.limit) & (code != NOTHING)] = UNSURE
    return code


def measure_change(comparison: Comparison) -> ChangeReport:
    """Sum up the change over areas, or over the whole overlap.

    Parameters
    ----------
    comparison : Comparison
        The two dates.

    Returns
    -------
    ChangeReport
        Volumes with their intervals.

    Notes
    -----
    Level of detection: Brasington et al. 2003, Lane et al. 2003: ``t sqrt(s1^2 + s2^2)``, t 1.96. Errors of
    volumes: Anderson 2019, see :mod:`cloudprep.kernels.volume_error`.
    """
    request, c = comparison.request, comparison
    if request.over is None:
        r0, c0, rows, columns = c.window
        box = np.array([[c0, r0], [c0 + columns, r0], [c0 + columns, r0 + rows], [c0, r0 + rows]]) * c.cell
        areas: Sequence[Area] = [Area("overlap", _polygon(box))]
    else:
        areas = read_areas(request.over, c.first, None, c.notes.append)
    found = tuple(_over(area, c) for area in areas)
    for one in found:
        gap = one.area - one.measured
        if request.over is not None and gap > 1e-6 * one.area:
            c.warnings.append(
                f"area '{one.name}': {gap:,.1f} m2 ({gap / one.area:.1%}) lacks a height at one of the dates"
            )
    smallest = "1.96 times the error of the difference, cell by cell"
    return ChangeReport(
        before=str(request.before),
        after=str(request.after),
        reference=describe(c.first.crs),
        cell=c.cell,
        overlap=c.window[2] * c.window[3] * c.cell**2,
        smallest=smallest if request.smallest is None else f"{request.smallest:g} m, as you said",
        shift=c.shift,
        stable=c.stable,
        areas=found,
        errors=_error_words(c),
        warnings=tuple(c.warnings),
        assumed=tuple(c.notes),
        foot=foot_of(c.first.crs.horizontal_unit, request.unit),
    )


def _polygon(ring: Floats) -> Any:
    import shapely  # noqa: PLC0415 - only where no areas are given

    return shapely.Polygon(ring)


def _error_words(c: Comparison) -> str:
    rasters = all(f is not None for f in c._error_files)  # noqa: SLF001 - of this module
    shared = f", shared over {c.own_reach:.2g} m by the distance of points" if c.own_reach else ""
    more = "" if c.aligned else "; that of reading between cell centres by the curvature"
    if c.errors is None:
        if rasters:
            return f"random errors from the rasters of standard errors{shared}; no others are known{more}"
        return "no errors of heights are known, so no interval is given"
    e = c.errors
    random = f"from the rasters of standard errors{shared}" if rasters else f"{e.random:.3g} m"
    return (
        f"errors of differences: random {random}, shared {e.correlated:.3g} m over {e.reach:.3g} m, "
        f"systematic {e.systematic:.3g} m{more}"
    )


def _over(area: Area, c: Comparison) -> AreaChange:
    names = ("measured", "raised", "lowered", "raised_sure", "lowered_sure", "sure", "square", "resampled")
    sums = dict.fromkeys(names, 0.0)
    xs: list[NDArray[Any]] = []
    ys: list[NDArray[Any]] = []
    for strip, cover in c.strips_over(area):
        size = cover.area * c.cell**2
        here = (cover.area > _SLIVER) & ~np.isnan(strip.difference)
        d, a = strip.difference[here], size[here]
        code = significance(strip)[here]
        sums["measured"] += float(a.sum())
        sums["raised"] += float((np.maximum(d, 0) * a).sum())
        sums["lowered"] += float((np.maximum(-d, 0) * a).sum())
        sums["raised_sure"] += float((d * a)[code == RAISED].sum())
        sums["lowered_sure"] -= float((d * a)[code == LOWERED].sum())
        sums["sure"] += float(a[code != UNSURE].sum())
        variance = np.broadcast_to(strip.variance, strip.difference.shape)[here]
        sums["square"] += float(np.nansum(variance * a**2))
        sums["resampled"] += float((np.broadcast_to(strip.resampled, strip.difference.shape)[here] * a).sum())
        r, col = np.nonzero(here)
        thin = max(1, len(r) // 3000)
        xs.append((strip.column + col[::thin] + 0.5) * c.cell)
        ys.append((strip.row + r[::thin] + 0.5) * c.cell)
    error = None
    known = c.errors is not None or all(f is not None for f in c._error_files)  # noqa: SLF001 - of this module
    if known and sums["measured"] > 0:
        e = c.errors or HeightErrors()
        error = VolumeError(
            math.sqrt(sums["square"] * lattice_sum(c.cell, c.own_reach)),
            correlated_error(np.concatenate(xs), np.concatenate(ys), sums["measured"], e.correlated, e.reach),
            sums["measured"] * e.systematic,
            resampling=abs(sums["resampled"]),
        )
    measured = sums["measured"]
    return AreaChange(
        name=area.name,
        area=float(area.shape.area),
        measured=measured,
        raised=sums["raised"],
        lowered=sums["lowered"],
        raised_sure=sums["raised_sure"],
        lowered_sure=sums["lowered_sure"],
        sure_share=sums["sure"] / measured if measured else 0.0,
        mean=(sums["raised"] - sums["lowered"]) / measured if measured else None,
        error=error,
    )
