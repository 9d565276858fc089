"""Cross sections at stations along an axis, and the earthwork volumes that follow from their areas."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.ops import substring

from cloudprep.errors import BadInputError, UsageError
from cloudprep.io.vectors import read_layer
from cloudprep.kernels.earthwork import areas_between, average_end_areas, prismoidal
from cloudprep.kernels.profile import directions
from cloudprep.measuring.cells import heights_between

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.measuring.design import AreaToDo, DesignComparison
    from cloudprep.measuring.designs import Part

    Floats = NDArray[np.float64]

_NAMES = ("name", "id", "label", "axis", "fid")
_MOST_STATIONS = 20_000
_BARE = 1e-6
_INSET = 1e-3
_NO_HEIGHT = 1e-6


RULES = ("end_areas", "pyramids", "prismoidal")
"""How volumes follow from the areas of sections, see :meth:`AxisVolumes.total`."""


@dataclass(frozen=True)
class AxisRequest:
    """Where to cut.

    Parameters
    ----------
    path : Path
        Lines, in any reference system.
    step : float
        Distance of stations, m: at whole multiples of it from the line's start, and at its end.
    width : float
        Length of the sections, m: half of it on either side.
    stations : sequence of float, optional
        Stations instead of even ones, m from the line's start.
    """

    path: Path
    step: float = 20.0
    width: float = 40.0
    stations: Sequence[float] | None = None


@dataclass(frozen=True)
class Rule:
    """Volumes of cut and fill by one rule, m3."""

    cut: float
    fill: float

    @property
    def net(self) -> float:
        """Cut less fill."""
        return self.cut - self.fill


@dataclass(frozen=True)
class AxisVolumes:
    """Sections along one axis. Metres, square metres, cubic metres.

    Parameters
    ----------
    name : str
        Of the axis.
    line : ndarray of float64, shape (k, 2)
        Its corners, metres from the terrain's corner.
    stations, x, y : ndarray of float64, shape (n,)
        Distance along it, and places.
    cut, fill : ndarray of float64, shape (n,)
        Areas of the sections.
    middle_cut, middle_fill : ndarray of float64, shape (n - 1,)
        Areas of sections cut half-way between stations.
    covered : ndarray of float64, shape (n,)
        Length of each section that has the design and the terrain.
    bare : float
        Length of sections that have the design but no terrain, all together.
    surface : AreaToDo
        The same corridor by the cells, for comparison.
    """

    name: str
    line: Floats
    stations: Floats
    x: Floats
    y: Floats
    cut: Floats
    fill: Floats
    middle_cut: Floats
    middle_fill: Floats
    covered: Floats
    bare: float
    surface: AreaToDo

    def between(self) -> dict[str, Floats]:
        """Return volumes between each two stations, by rule, cut and fill."""
        found = {}
        kinds = ("cut", self.cut, self.middle_cut), ("fill", self.fill, self.middle_fill)
        for kind, areas, middle in kinds:
            found[f"{kind}_end_areas"] = average_end_areas(self.stations, areas, pyramids=False)
            found[f"{kind}_pyramids"] = average_end_areas(self.stations, areas)
            found[f"{kind}_prismoidal"] = prismoidal(self.stations, areas, middle)
        return found

    def total(self, rule: str) -> Rule:
        """Return sums by ``end_areas``, ``pyramids`` (with pyramids where they end) or ``prismoidal``."""
        parts = self.between()
        return Rule(float(parts[f"cut_{rule}"].sum()), float(parts[f"fill_{rule}"].sum()))

    @property
    def figures(self) -> dict[str, float | None]:
        """Its length and the sums by each rule, with the unit in each name."""
        found: dict[str, float | None] = {"length_m": self.length}
        for rule in RULES:
            total = self.total(rule)
            found |= {f"cut_{rule}_m3": total.cut, f"fill_{rule}_m3": total.fill}
        return found

    @property
    def length(self) -> float:
        """Of the axis."""
        return float(shapely.LineString(self.line).length)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines."""
        rules = {rule: self.total(rule) for rule in RULES}
        return {
            "name": self.name,
            "length": self.length,
            "stations": self.stations.tolist(),
            "cut_areas": self.cut.tolist(),
            "fill_areas": self.fill.tolist(),
            **{rule: {**asdict(found), "net": found.net} for rule, found in rules.items()},
            "surface": self.surface.as_dict(),
        }


def cut_along(comparison: DesignComparison, request: AxisRequest) -> tuple[AxisVolumes, ...]:
    """Cut sections square to axes, and return the volumes between them.

    Parameters
    ----------
    comparison : DesignComparison
        The terrain and the design.
    request : AxisRequest
        Where to cut.

    Raises
    ------
    BadInputError
        If there are no lines, or none crosses the design.
    UsageError
        If a line would have too many stations, or one of those given lies beyond it.

    Notes
    -----
    The terrain is read between its cell centres every half cell, and wherever the design bends; areas are
    those between straight lines. At a corner of the axis the section halves the angle. Volumes by end areas
    take no account of bends (on the inner side sections come closer together); the surface integral does.
    The first and the last area are carried on from sections 1 and 2 mm inside, since designs often end there.
    """
    corner = (comparison.raster.left * comparison.unit, comparison.raster.bottom * comparison.unit)
    found = read_layer(
        request.path, None, comparison.raster.crs, corner, kinds=("line",), note=comparison.notes.append
    )
    if len(found) == 0:
        raise BadInputError(request.path, "holds no lines")
    lower = {name.casefold(): name for name in found.attributes}
    names = next((found.attributes[lower[n]] for n in _NAMES if n in lower), None)
    axes = []
    for i, shape in enumerate(found.geometries):
        parts = [p for p in shapely.get_parts(shape) if p.length > 0]
        for k, part in enumerate(parts):
            name = str(i + 1 if names is None or names[i] is None else names[i])
            name = name if len(parts) == 1 else f"{name}-{k + 1}"
            axes.append(_axis(comparison, request, name, part))
    if not any(a.covered.any() for a in axes):
        raise BadInputError(
            request.path, f"none of its {len(axes)} lines crosses {comparison.request.design.path.name}"
        )
    for axis in axes:
        if axis.bare > _BARE * request.width:
            comparison.warnings.append(
                f"axis '{axis.name}': {axis.bare:,.1f} m of its sections have no height of the terrain and "
                "aren't in their areas"
            )
    return tuple(axes)


def _stations(request: AxisRequest, name: str, length: float) -> Floats:
    if request.stations is not None:
        given = np.unique(np.asarray(request.stations, np.float64))
        if len(given) < 2 or given[0] < 0 or given[-1] > length * (1 + 1e-9):
            raise UsageError(
                f"axis '{name}' is {length:,.3f} m long: --stations must name two or more within it"
            )
        return given
    if length / request.step > _MOST_STATIONS:
        raise UsageError(
            f"axis '{name}' would have {length / request.step:,.0f} stations: give a larger --station-step"
        )
    even = request.step * np.arange(math.floor(length / request.step + 1e-9) + 1)
    ends = [length] if length - even[-1] > 1e-6 * request.step else []
    return np.asarray(np.append(even, ends), np.float64)


def _axis(comparison: DesignComparison, request: AxisRequest, name: str, shape: Any) -> AxisVolumes:
    line = np.asarray(shape.coords)[:, :2]
    stations = _stations(request, name, float(shape.length))
    cut, fill, covered, bare = _areas_at(comparison, line, stations, request.width)
    middles = 0.5 * (stations[:-1] + stations[1:])
    middle_cut, middle_fill, _, _ = _sections(comparison, line, middles, request.width)
    x, y, _, _ = directions(line, stations)
    half = request.width / 2
    first, last = stations[0] / shape.length, stations[-1] / shape.length
    along = substring(shape, first, last, normalized=True)
    corridor = shapely.buffer(along, half, cap_style="flat", join_style="mitre")
    part: Part = comparison.design.within(_inside(comparison, corridor))
    return AxisVolumes(
        name=name,
        line=line,
        stations=stations,
        x=x,
        y=y,
        cut=cut,
        fill=fill,
        middle_cut=middle_cut,
        middle_fill=middle_fill,
        covered=covered,
        bare=float(bare.sum()),
        surface=comparison.to_do(f"corridor of {name}", part),
    )


def _inside(comparison: DesignComparison, corridor: Any) -> Any:
    if comparison.request.boundary is None:
        return corridor
    return shapely.intersection(corridor, shapely.union_all([a.shape for a in comparison.areas]))


def _areas_at(
    comparison: DesignComparison, line: Floats, stations: Floats, width: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return areas of cut and fill at stations, and lengths of sections with both surfaces, without terrain.

    Where the axis ends a design often ends too: a section there would graze its edge, and rounding would tell
    whether it is met. So the two outermost areas are those of sections a little inside, carried on.
    """
    inset = min(_INSET, 0.25 * float(np.diff(stations).min()))
    places = stations.copy()
    places[[0, -1]] += inset, -inset
    cut, fill, covered, bare = _sections(comparison, line, places, width)
    further = _sections(comparison, line, places[[0, -1]] + np.array([inset, -inset]), width)
    for areas, inner in ((cut, further[0]), (fill, further[1])):
        areas[[0, -1]] = np.maximum(2 * areas[[0, -1]] - inner, 0.0)
        # Rounding isn't an area: whether one is 0 decides on pyramids.
        areas[areas < _NO_HEIGHT * width] = 0.0
    return cut, fill, covered, bare


def _sections(
    comparison: DesignComparison, line: Floats, stations: Floats, width: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return what :func:`_section` finds at each station, square to the line."""
    half = width / 2
    cuts = [
        _section(comparison, np.array([[a - half * v, b + half * u], [a + half * v, b - half * u]]))
        for a, b, u, v in zip(*directions(line, stations), strict=True)
    ]
    cut, fill, covered, bare = (np.array(values) for values in zip(*cuts, strict=True))
    return cut, fill, covered, bare


def _section(comparison: DesignComparison, line: Floats) -> tuple[float, float, float, float]:
    """Return areas of cut and fill of one section, its length with both surfaces, and without terrain."""
    c = comparison
    length = float(np.hypot(*(line[1] - line[0])))
    places = np.linspace(0.0, length, max(2, math.ceil(2 * length / c.cell) + 1))
    profile = c.whole.along(line, places)
    if len(profile.along) == 0:
        return 0.0, 0.0, 0.0, 0.0
    away = line[0] + profile.along[:, None] * (line[1] - line[0]) / length
    terrain = heights_between(c.file, c.cell, c.up, away[:, 0], away[:, 1])
    fill, cut = areas_between(profile.along, terrain, profile.height)
    wide = np.diff(profile.along)
    there = ~np.isnan(profile.height)
    designed = there[:-1] & there[1:]
    both = designed & ~np.isnan(terrain[:-1]) & ~np.isnan(terrain[1:])
    return cut, fill, float(wide[both].sum()), float(wide[designed & ~both].sum())
