"""Design surfaces on the cells of a terrain: triangles exactly, rasters between their cell centres."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, Protocol

import numpy as np
import shapely

from cloudprep.kernels.facet_cover import Facets, facet_cover
from cloudprep.kernels.polygon_cover import polygon_cover
from cloudprep.measuring.areas import Area
from cloudprep.measuring.cells import SLIVER, heights_between
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.raster_reading import HeightRaster, OpenedRaster
    from cloudprep.model.crs import CloudCrs

    Floats = NDArray[np.float64]
    Window = tuple[int, int, int, int]

# Faces that overlap by less than this share of the surface do so by rounding.
_OVERLAP = 1e-6
_ROUNDING = 1e-9
# A face thinner in plan than this share of its longest edge stands upright.
_UPRIGHT = 1e-9


class Frame(Protocol):
    """What a design is held against, and where that lies: in its own units, as a raster has them."""

    @property
    def path(self) -> Path:
        """The file."""

    @property
    def crs(self) -> CloudCrs:
        """Reference system and units."""

    @property
    def left(self) -> float:
        """Western edge."""

    @property
    def bottom(self) -> float:
        """Southern edge."""

    @property
    def cell(self) -> float:
        """Side of a cell."""

    @property
    def rows(self) -> int:
        """How many from south to north."""

    @property
    def columns(self) -> int:
        """How many from west to east."""


class CellPart(NamedTuple):
    """What a design has of a window of cells; row 0 the southernmost.

    Parameters
    ----------
    area : ndarray of float64, shape (rows, columns)
        Share of each cell that counts, 0 to 1.
    dx, dy : ndarray of float64, shape (rows, columns)
        Where the middle of that share lies from the cell's centre, in cells.
    height : ndarray of float64, shape (rows, columns)
        Mean height of the design over that share, m; NaN where it has none.
    """

    area: Floats
    dx: Floats
    dy: Floats
    height: Floats


class Profile(NamedTuple):
    """A design along a straight line.

    Parameters
    ----------
    along : ndarray of float64, shape (n,)
        Distance from the line's start, ascending, m; where the design ends or steps a place comes twice.
    height : ndarray of float64, shape (n,)
        m, straight between places; NaN between stretches.
    """

    along: Floats
    height: Floats


class Part(Protocol):
    """A design within an area, on the cells of a terrain."""

    @property
    def shape(self) -> Any:
        """Where it is: a shapely geometry in metres from the terrain's corner."""

    @property
    def outlined(self) -> bool:
        """Whether that is its very outline (a raster has gaps)."""

    def on_cells(self, window: Window) -> CellPart:
        """Return what it has of a window of the terrain's cells."""

    def along(self, line: Floats, places: Floats) -> Profile:
        """Return its heights along a straight line (two places), told at places and wherever it bends."""


class Design(Protocol):
    """A surface to be built."""

    @property
    def words(self) -> str:
        """What it is."""

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north, in metres from the terrain's corner."""

    def within(self, shape: Any | None) -> Part:
        """Return the part within a polygon; the whole where none is given."""


class FacesDesign:
    """A surface of triangles.

    Parameters
    ----------
    words : str
        What it is.
    vertices : ndarray of float64, shape (n, 3)
        Metres from the terrain's corner, heights in metres.
    faces : ndarray of int64, shape (m, 3)
        Rows of ``vertices``, in either direction.
    cell : float
        Side of the terrain's cells, m.

    Attributes
    ----------
    upright : int
        Faces without area in plan: left out.
    overlap : float
        Area that more than one face covers, m2.
    """

    def __init__(self, words: str, vertices: Floats, faces: NDArray[np.int64], cell: float) -> None:
        self.words, self.cell = words, cell
        a, b, c = (vertices[k] for k in faces.T)
        ab, ac, bc = b - a, c - a, c - b
        double = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
        longest = np.max([(e[:, :2] ** 2).sum(axis=1) for e in (ab, ac, bc)], axis=0, initial=0.0)
        there = np.abs(double) > _UPRIGHT * longest
        self.upright = int((~there).sum())
        a, ab, ac, double, faces = a[there], ab[there], ac[there], double[there], faces[there]
        self._place = a
        self._east = (ab[:, 2] * ac[:, 1] - ac[:, 2] * ab[:, 1]) / double
        self._north = (ac[:, 2] * ab[:, 0] - ab[:, 2] * ac[:, 0]) / double
        rings = vertices[np.where((double > 0)[:, None], faces, faces[:, ::-1])][:, [0, 1, 2, 0], :2]
        self._polygons = shapely.polygons(rings) if len(rings) else np.empty(0, object)
        self._tree = shapely.STRtree(self._polygons)
        area = float(0.5 * np.abs(double).sum())
        self.outline = _outline(rings)
        if abs(self.outline.area - area) > _ROUNDING * area:
            # Edges that don't meet end to end, or faces over each other.
            self.outline = shapely.union_all(self._polygons)
        self.overlap = area - float(self.outline.area)
        self._overlaps = self.overlap > max(_OVERLAP * self.outline.area, SLIVER)
        if not self._overlaps:
            self.overlap = 0.0

    def __len__(self) -> int:
        return len(self._polygons)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north, m."""
        west, south, east, north = self.outline.bounds
        return west, south, east, north

    def within(self, shape: Any | None) -> FacesPart:
        """Return the faces within a polygon, cut along it."""
        whole = np.arange(len(self))
        polygons, owner = self._polygons, whole
        if shape is not None:
            shapely.prepare(shape)
            near = np.sort(self._tree.query(shape, predicate="intersects"))
            inside = shapely.contains_properly(shape, self._polygons[near])
            cut = near[~inside]
            pieces = shapely.intersection(self._polygons[cut], shape)
            parts, index = shapely.get_parts(pieces, return_index=True)
            # A collection may hold lines along which only edges meet, and polygons in it.
            real = (shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 0)
            polygons = np.concatenate([self._polygons[near[inside]], parts[real]])
            owner = np.concatenate([near[inside], cut[index[real]]])
        outline = self.outline if shape is None else _only_areas(shapely.intersection(self.outline, shape))
        planes = self._place[owner], self._east[owner], self._north[owner]
        return FacesPart(polygons, *planes, outline, self._overlaps, self.cell)


def _only_areas(shape: Any) -> Any:
    """Return a geometry without lines and places, which areas that only touch have in common."""
    parts = shapely.get_parts(shape)
    return shapely.multipolygons(parts[shapely.get_type_id(parts) == 3])


def _outline(rings: Floats) -> Any:
    """Return what edges of one triangle alone enclose; the outline, where triangles meet edge to edge.

    Joining all triangles took 34 to 46 times as long (60,000 triangles).
    """
    corners = rings[:, :3].reshape(-1, 2)
    places = corners[:, 0] + 1j * corners[:, 1]
    _, first, number = np.unique(places, return_index=True, return_inverse=True)
    number = number.reshape(-1, 3).astype(np.int64)
    edges = np.sort(np.concatenate([number[:, [0, 1]], number[:, [1, 2]], number[:, [2, 0]]]), axis=1)
    keys, used = np.unique(edges[:, 0] * len(first) + edges[:, 1], return_counts=True)
    alone = keys[used == 1]
    ends = np.column_stack([alone // len(first), alone % len(first)])
    lines = shapely.linestrings(corners[first[ends]])
    return shapely.build_area(shapely.multilinestrings(lines))


class FacesPart:
    """Pieces of faces, as :meth:`FacesDesign.within` cuts them."""

    outlined = True

    def __init__(
        self,
        polygons: Any,
        place: Floats,
        east: Floats,
        north: Floats,
        shape: Any,
        overlaps: bool,
        cell: float,
    ) -> None:
        self.shape = shape
        self._polygons, self._place, self._east, self._north = polygons, place, east, north
        self._overlaps, self._cell = overlaps, cell
        self._tree = shapely.STRtree(polygons)
        self._facets = _facets(polygons, place, east, north, cell)

    def on_cells(self, window: Window) -> CellPart:
        """Return what the faces have of cells; where several lie over each other, their mean."""
        found = facet_cover(self._facets, window)
        with np.errstate(invalid="ignore", divide="ignore"):
            height = np.where(found.area > SLIVER, found.volume / found.area, np.nan)
            dx, dy = (np.where(found.area > SLIVER, v / found.area, 0.0) for v in (found.x, found.y))
        area = np.minimum(found.area, 1.0)
        if self._overlaps:
            rings = Area("", self.shape).rings(self._cell)
            moved = [ring - [window[1], window[0]] for ring in rings]
            area = np.clip(polygon_cover(moved, window[2], window[3]).area, 0.0, 1.0)
        return CellPart(area, dx, dy, height)

    def along(self, line: Floats, places: Floats) -> Profile:
        """Return heights along a line, told at places and wherever faces begin or end."""
        drawn = shapely.LineString(line)
        direction = (line[1] - line[0]) / drawn.length
        hits = np.sort(self._tree.query(drawn, predicate="intersects"))
        parts, index = shapely.get_parts(shapely.intersection(self._polygons[hits], drawn), return_index=True)
        lines = shapely.get_type_id(parts) == 1
        parts, owner = parts[lines], hits[index[lines]]
        if len(parts) == 0:
            return Profile(np.empty(0), np.empty(0))
        ends = np.array([[_at(p, 0, line[0], direction), _at(p, -1, line[0], direction)] for p in parts])
        low, high = ends.min(axis=1), ends.max(axis=1)
        breaks = np.unique(np.round(np.concatenate([low, high]), 9))
        along, heights = [], []
        for a, b in itertools.pairwise(breaks.tolist()):
            middle = 0.5 * (a + b)
            # Of faces over each other the mean, as on cells; along an edge both have one height.
            over = owner[(low <= middle) & (middle <= high)]
            if len(over) == 0:
                continue
            t = np.concatenate([[a], places[(places > a) & (places < b)], [b]])
            away = line[0] + t[:, None] * direction
            planes = (
                self._place[over, 2]
                + self._east[over] * (away[:, :1] - self._place[over, 0])
                + self._north[over] * (away[:, 1:] - self._place[over, 1])
            )
            along.append(np.append(t, b))
            heights.append(np.append(planes.mean(axis=1), np.nan))
        if not along:
            return Profile(np.empty(0), np.empty(0))
        return Profile(np.concatenate(along), np.concatenate(heights))


def _at(part: Any, which: int, start: Floats, direction: Floats) -> float:
    return float((np.asarray(part.coords[which])[:2] - start) @ direction)


def _facets(polygons: Any, place: Floats, east: Floats, north: Floats, cell: float) -> Facets:
    """Return pieces of faces in cells, their rings turned as the kernel wants them."""
    rings, owner = shapely.get_rings(polygons, return_index=True)
    outer = np.r_[True, owner[1:] != owner[:-1]][: len(rings)]
    wrong = shapely.is_ccw(rings) != outer
    rings[wrong] = shapely.reverse(rings[wrong])
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    first = np.searchsorted(ring, np.arange(len(rings) + 1))
    facet = np.searchsorted(owner, np.arange(len(polygons) + 1))
    return Facets(
        np.ascontiguousarray(xy[:, 0] / cell),
        np.ascontiguousarray(xy[:, 1] / cell),
        first.astype(np.int64),
        facet.astype(np.int64),
        np.ascontiguousarray(place[:, 0] / cell),
        np.ascontiguousarray(place[:, 1] / cell),
        np.ascontiguousarray(place[:, 2]),
        np.ascontiguousarray(east * cell),
        np.ascontiguousarray(north * cell),
    )


@dataclass(frozen=True)
class RasterDesign:
    """A raster of design heights, read between its cell centres.

    Parameters
    ----------
    raster : HeightRaster
        The design.
    file : OpenedRaster
        It, open.
    terrain : Frame
        Whose cells count.
    """

    raster: HeightRaster
    file: OpenedRaster
    terrain: Frame

    @property
    def words(self) -> str:
        """What it is."""
        return f"raster {self.raster.path.name}"

    @property
    def unit(self) -> float:
        """Metres in one unit of the plan."""
        return self.raster.crs.horizontal_unit or METRE

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north, m."""
        west = (self.raster.left - self.terrain.left) * self.unit
        south = (self.raster.bottom - self.terrain.bottom) * self.unit
        side = self.raster.cell * self.unit
        return west, south, west + self.raster.columns * side, south + self.raster.rows * side

    def within(self, shape: Any | None) -> RasterPart:
        """Return the part within a polygon."""
        return RasterPart(self, shapely.box(*self.bounds) if shape is None else shape, shape is None)


@dataclass(frozen=True)
class RasterPart:
    """A raster of design heights within an area."""

    outlined: ClassVar[bool] = False

    design: RasterDesign
    shape: Any
    whole: bool

    def on_cells(self, window: Window) -> CellPart:
        """Return what it has of cells: the height at the middle of the part that counts."""
        row, column, rows, columns = window
        cell = self.design.terrain.cell * self.design.unit
        if self.whole:
            # Cells count as wholes: a raster has no outline but that of its heights.
            area, dx, dy = np.ones((rows, columns)), np.zeros((rows, columns)), np.zeros((rows, columns))
        else:
            rings = [ring - [column, row] for ring in Area("", self.shape).rings(cell)]
            cover = polygon_cover(rings, rows, columns)
            area = np.clip(cover.area, 0.0, 1.0)
            with np.errstate(invalid="ignore", divide="ignore"):
                dx, dy = (np.where(area > SLIVER, v / cover.area, 0.0) for v in (cover.x, cover.y))
        x = (column + np.arange(columns) + 0.5 + dx) * cell
        y = (row + np.arange(rows)[:, None] + 0.5 + dy) * cell
        height = np.full((rows, columns), np.nan)
        counts = area > SLIVER
        height[counts] = self._heights(np.broadcast_to(x, area.shape)[counts], y[counts])
        return CellPart(np.where(np.isnan(height) & self.whole, 0.0, area), dx, dy, height)

    def along(self, line: Floats, places: Floats) -> Profile:
        """Return heights along a line, told at places."""
        direction = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
        away = line[0] + places[:, None] * direction
        height = self._heights(away[:, 0], away[:, 1])
        height[~shapely.intersects_xy(self.shape, away[:, 0], away[:, 1])] = np.nan
        return Profile(places, height)

    def _heights(self, x: Floats, y: Floats) -> Floats:
        d = self.design
        west, south, _, _ = d.bounds
        cell = d.raster.cell * d.unit
        # To a millionth of a cell, so that the same cells read the same values.
        x, y = (np.round((v - low) / cell, 6) * cell for v, low in ((x, west), (y, south)))
        return heights_between(d.file, cell, d.raster.crs.vertical_unit or METRE, x, y)
