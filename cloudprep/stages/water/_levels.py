"""How high water stands: level ponds, rivers that never rise downstream; from the ground of their banks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from cloudprep.kernels.courses import along_course, heights_along, never_rising
from cloudprep.kernels.polygons import banded, features_at
from cloudprep.stages.water._features import Water, edges_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.polygons import Bands, Edges

    Floats = NDArray[np.float64]

# Fewer ground points than this say nothing about a bank.
LEAST_POINTS = 10
_LEAST_AT_STATION = 5
# Stations along a river lie half its width apart, and no nearer or farther than this, m.
_NEAREST_STATIONS, _FARTHEST_STATIONS = 5.0, 100.0
# A river that ends this near another water runs into it, or comes out of it, m.
_MEETS = 2.0


@dataclass(frozen=True)
class Level:
    """The level of one water.

    Parameters
    ----------
    water : Water
        Whose.
    stations : ndarray of float64, shape (m,)
        Where along the course levels are known, rising, m; a single 0 for a pond.
    levels : ndarray of float64, shape (m,)
        Levels there, m: never rising along the course.
    points : int
        Ground points that they were taken from.
    """

    water: Water
    stations: Floats
    levels: Floats
    points: int

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return the level that holds at places (m): that of the nearest place of the course."""
        if self.water.course is None:
            return np.full(len(x), self.levels[0])
        along, _ = along_course(x, y, self.water.course)
        return heights_along(along, self.stations, self.levels)


@dataclass(frozen=True)
class WaterLevels:
    """All waters of a site with their levels; it pickles.

    Parameters
    ----------
    levels : tuple of Level
        Ponds and rivers whose banks say how high they stand.
    edges : Edges
        Their lines; the feature is the place in ``levels``.
    islets : Edges
        Lines of islands that the water covers.
    """

    levels: tuple[Level, ...]
    edges: Edges
    islets: Edges

    def bands(self) -> Bands:
        """Return the lines for looking up in which water points lie."""
        return banded(self.edges)

    def heights(self, which: NDArray[np.int64], x: Floats, y: Floats) -> Floats:
        """Return the level of the given waters at places; NaN where ``which`` is -1."""
        found = np.full(len(x), np.nan)
        for i in np.unique(which[which >= 0]):
            mine = which == i
            found[mine] = self.levels[i].at(x[mine], y[mine])
        return found


def pond_level(heights: Floats, quantile: float) -> float:
    """Return the level of standing water from the heights of its bank's ground points.

    Parameters
    ----------
    heights : ndarray of float64, shape (n,)
        m; one or more.
    quantile : float
        Share of them that may lie lower.
    """
    return float(np.quantile(heights, quantile))


def river_levels(
    along: Floats, heights: Floats, length: float, width: float, quantile: float
) -> tuple[Floats, Floats, bool]:
    """Return levels along a river, and whether it flows the way the course runs.

    Parameters
    ----------
    along : ndarray of float64, shape (n,)
        Where along the course each ground point of the banks lies, m.
    heights : ndarray of float64, shape (n,)
        m.
    length, width : float
        Of the river, m.
    quantile : float
        Share of a station's bank points that may lie below the water.

    Returns
    -------
    stations, levels : ndarray of float64, shape (m,)
        Rising places along the course, and levels there, m; one station at least. Along the flow they never
        rise.
    forwards : bool
        Whether it flows as the course runs: the direction in which the heights need less changing to fall
        all the way. Where both need the same it is level.
    """
    step = float(np.clip(width / 2, _NEAREST_STATIONS, _FARTHEST_STATIONS))
    count = max(2, int(np.ceil(length / step)) + 1)
    places = np.linspace(0.0, length, count)
    step = length / (count - 1)
    order = np.lexsort((heights, along))
    along, heights = along[order], heights[order]
    first, beyond = np.searchsorted(along, places - step), np.searchsorted(along, places + step, side="right")
    enough = beyond - first >= _LEAST_AT_STATION
    if not enough.any():
        return np.zeros(1), np.array([pond_level(heights, quantile)]), True
    stations = places[enough]
    raw = np.array(
        [np.quantile(heights[a:b], quantile) for a, b in zip(first[enough], beyond[enough], strict=True)]
    )
    down, up = never_rising(raw), never_rising(raw[::-1])[::-1]
    forwards = float(np.abs(down - raw).sum()) <= float(np.abs(up - raw).sum())
    return stations, np.ascontiguousarray(down if forwards else up), forwards


def site_levels(
    waters: Sequence[Water],
    islets: NDArray[np.object_],
    bank: tuple[NDArray[np.int64], Floats, Floats, Floats],
    quantile: float,
) -> tuple[WaterLevels, list[Water]]:
    """Return the levels of all waters, and those whose banks have too few ground points.

    Parameters
    ----------
    waters : sequence of Water
        What is flattened.
    islets : ndarray of object
        Islands that the water covers.
    bank : tuple of ndarray of shape (n,)
        The ground points along the lines: piece whose line is nearest, x, y, z.
    quantile : float
        Share of a bank's points that may lie below the water.
    """
    piece, x, y, z = bank
    levels: list[Level] = []
    dry: list[Water] = []
    for water in waters:
        mine = np.isin(piece, water.pieces)
        count = int(np.count_nonzero(mine))
        if count < LEAST_POINTS:
            dry.append(water)
        elif water.course is None:
            level = pond_level(z[mine], quantile)
            levels.append(Level(water, np.zeros(1), np.array([level]), count))
        else:
            along, _ = along_course(x[mine], y[mine], water.course)
            stations, heights, forwards = river_levels(along, z[mine], water.length, water.width, quantile)
            if not forwards:
                stations, heights = water.length - stations[::-1], heights[::-1].copy()
            course = water.course if forwards else np.ascontiguousarray(water.course[::-1])
            levels.append(Level(replace(water, course=course), stations, heights, count))
    levels = _joined(levels)
    polygons = np.array([v.water.polygon for v in levels], dtype=object)
    return WaterLevels(
        tuple(levels),
        edges_of(polygons, np.arange(len(levels))),
        edges_of(islets, np.zeros(len(islets), np.int64)),
    ), dry


def _joined(levels: list[Level]) -> list[Level]:
    """Let rivers meet the waters that they run into, or come from, without falling below or rising above.

    A river is nowhere lower than what it runs into, and nowhere higher than the pond that it comes from. It
    is repeated until nothing changes: a change may go up a chain of rivers.
    """
    found = list(levels)
    for _ in range(len(found)):
        changed = False
        for i, level in enumerate(found):
            if level.water.course is None:
                continue
            new = level.levels
            source, mouth = level.water.course[0], level.water.course[-1]
            for j, other in enumerate(found):
                if i == j:
                    continue
                if other.water.course is None and _meets(source, other):
                    new = np.minimum(new, other.levels[0])
                if _meets(mouth, other) and not _is_source(mouth, other, level):
                    new = np.maximum(new, other.at(mouth[:1], mouth[1:])[0])
            if not np.array_equal(new, level.levels):
                found[i] = replace(level, levels=new)
                changed = True
        if not changed:
            break
    return found


def _meets(end: Floats, other: Level) -> bool:
    return bool(shapely.distance(shapely.Point(end), other.water.polygon) <= _MEETS)


def _is_source(mouth: Floats, other: Level, level: Level) -> bool:
    """Tell whether two rivers meet mouth to mouth: neither then sets a limit to the other."""
    if other.water.course is None:
        return False
    end = other.water.course[-1]
    return bool(np.hypot(*(mouth - end)) <= level.water.width)


def water_at(levels: WaterLevels, x: Floats, y: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return in which water each place lies (-1: none), and the level there."""
    which = features_at(x, y, levels.bands())
    return which, levels.heights(which, x, y)
