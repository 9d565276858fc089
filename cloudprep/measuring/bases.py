"""What a volume is measured from: a level, the edge of the area, or another terrain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.interpolate import LinearNDInterpolator
from scipy.ndimage import uniform_filter1d
from scipy.spatial import Delaunay, cKDTree

from cloudprep.errors import UsageError
from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.tin import tin_heights
from cloudprep.kernels.tin_points import sites_of, substeps
from cloudprep.kernels.triangulation import triangulate

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.measuring.areas import Area

    Floats = NDArray[np.float64]

NAMES = ("lowest-edge", "edge-plane", "edge-surface")
# An edge of which less than this share lies on heights tells nothing.
_LEAST_EDGE = 0.5
_MOST_SAMPLES = 20_000
# Places along an edge count in whole steps, m.
_STEP = 1e-6


class Base(Protocol):
    """Heights to measure from, m; positions in metres from the raster's corner."""

    @property
    def words(self) -> str:
        """What it is."""

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return heights at positions, NaN where there is none."""


@dataclass(frozen=True)
class Edge:
    """The terrain along an area's edge, from which a base follows.

    Parameters
    ----------
    kind : {"lowest-edge", "edge-plane", "edge-surface"}
        How it follows.
    places : ndarray of float64, shape (n, 2)
        In their order along the rings, m.
    heights : ndarray of float64, shape (n,)
        m.
    """

    kind: str
    places: Floats
    heights: Floats

    def shares(self, x: Floats, y: Floats, area: float) -> Floats:
        """Return by how much the base's volume over an area rises with each height of the edge, m2.

        Parameters
        ----------
        x, y : ndarray of float64, shape (k,)
            Places that fill the area evenly, m.
        area : float
            m2.
        """
        count = len(self.places)
        if self.kind == "edge-plane":
            middle = self.places.mean(axis=0)
            a = np.c_[np.ones(count), self.places - middle]
            moments = np.array([1.0, x.mean() - middle[0], y.mean() - middle[1]])
            return np.asarray(area * (moments @ np.linalg.pinv(a)))
        middle = self.places.mean(axis=0)
        mesh = Delaunay(self.places - middle)
        positions = np.c_[x, y] - middle
        which = mesh.find_simplex(positions)
        found = np.zeros(count)
        there = which >= 0
        turn = mesh.transform[which[there]]
        first = np.einsum("nij,nj->ni", turn[:, :2], positions[there] - turn[:, 2])
        parts = np.nan_to_num(np.c_[first, 1 - first.sum(axis=1)])
        np.add.at(found, mesh.simplices[which[there]], parts)
        if not there.all():
            np.add.at(found, cKDTree(self.places).query(np.c_[x, y][~there])[1], 1.0)
        # Fewer places than the edge has would give some of its heights too much and others nothing.
        wide = min(count, math.ceil(8 * count / len(x)))
        if wide > 1:
            found = uniform_filter1d(found, wide, mode="wrap")
        return np.asarray(area * found / found.sum())


@dataclass(frozen=True)
class Plane:
    """A level or a sloping plane.

    Parameters
    ----------
    words : str
        What it is.
    height : float
        At (x0, y0), m.
    east, north : float
        Rise over run.
    x0, y0 : float
        Where the height holds, m.
    edge : Edge, optional
        What it follows from.
    """

    words: str
    height: float
    east: float = 0.0
    north: float = 0.0
    x0: float = 0.0
    y0: float = 0.0
    edge: Edge | None = None

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return heights at positions."""
        return np.asarray(self.height + self.east * (x - self.x0) + self.north * (y - self.y0))


class EdgeSurface:
    """The surface that the edge spans: linear in the Delaunay triangles of places along it.

    It is worked out at cell centres, like any terrain: what a polygon covers of a cell in part is read from
    the slope to the neighbours.
    """

    words = "surface spanned by the terrain along the edge"

    def __init__(self, places: Floats, heights: Floats) -> None:
        self._places, self._heights = places, heights
        self.edge = Edge("edge-surface", places, heights)
        self._sites = sites_of(places[:, 0], places[:, 1], heights, _STEP)
        self._triangles = triangulate(self._sites.steps)

    def window(self, row: int, column: int, rows: int, columns: int, cell: float) -> Floats:
        """Return heights at the centres of a window of cells, NaN beyond the outermost triangles."""
        x = substeps(self._sites, (column + 0.5) * cell, cell, columns, along=0)
        y = substeps(self._sites, (row + 0.5) * cell, cell, rows, along=1)
        return tin_heights(self._sites.steps, self._sites.z, self._triangles, x, y)

    def at(self, x: Floats, y: Floats) -> Floats:
        """Return heights at positions; beyond the outermost triangles those of the nearest place."""
        if len(x) == 0:
            return np.empty(0)
        positions = np.column_stack([x, y])
        middle = self._places.mean(axis=0)
        found = np.asarray(LinearNDInterpolator(self._places - middle, self._heights)(positions - middle))
        outside = np.isnan(found)
        if outside.any():
            found[outside] = self._heights[cKDTree(self._places).query(positions[outside])[1]]
        return found


def edge_base(kind: str, area: Area, terrain: Callable[[Floats, Floats], Floats], cell: float) -> Base:
    """Return a base that follows from the terrain along an area's edge.

    Parameters
    ----------
    kind : {"lowest-edge", "edge-plane", "edge-surface"}
        The lowest height along the edge, as a level; the plane that fits it best; the surface it spans.
    area : Area
        The area.
    terrain : callable
        Heights (m) at positions, NaN where there is none.
    cell : float
        Side of a cell, m: the edge is sampled every half of it.

    Raises
    ------
    UsageError
        If less than half of the edge lies on heights, or a plane can't be fitted.
    """
    places = area.edge(cell / 2)
    heights = terrain(places[:, 0], places[:, 1])
    there = ~np.isnan(heights)
    share = there.mean()
    if share < _LEAST_EDGE:
        raise UsageError(
            f"area '{area.name}': only {share:.0%} of its edge lies on heights, so its edge gives no base; "
            "choose --base level:Z or another terrain"
        )
    places, heights = places[there], heights[there]
    edge = Edge(kind, places, heights)
    if kind == "lowest-edge":
        lowest = float(heights.min())
        return Plane(f"level at the lowest terrain along the edge ({lowest:.3f} m)", lowest, edge=edge)
    if kind == "edge-plane":
        x0, y0 = places.mean(axis=0)
        a = np.c_[np.ones(len(places)), places[:, 0] - x0, places[:, 1] - y0]
        fit, _, rank, _ = np.linalg.lstsq(a, heights, rcond=None)
        if rank < 3:
            raise UsageError(f"area '{area.name}': its edge lies on one line, so no plane fits it")
        left = heights - a @ fit
        slope = math.degrees(math.atan(math.hypot(fit[1], fit[2])))
        words = (
            f"plane through the terrain along the edge (mean {fit[0]:.3f} m, slope {slope:.1f} degrees, "
            f"deviations {left.std():.3f} m)"
        )
        return Plane(words, float(fit[0]), float(fit[1]), float(fit[2]), float(x0), float(y0), edge)
    step = max(1, math.ceil(len(places) / _MOST_SAMPLES))
    return EdgeSurface(places[::step], heights[::step])


def level_base(text: str, unit: float) -> Plane:
    """Return the level that ``level:Z`` names, in the terrain's unit of heights (given in metres).

    Raises
    ------
    UsageError
        If Z is no number.
    """
    try:
        height = float(text.removeprefix("level:"))
    except ValueError:
        height = math.nan
    if not math.isfinite(height):
        raise UsageError(f"--base {text}: a level is a number, such as level:102.5")
    return Plane(f"level at {height:g}", height * unit)


def between_cells(values: Floats, across: Floats, north: Floats) -> Floats:
    """Return values of a window at positions in cells from its corner; NaN outside and on gaps."""
    found = bilinear(values, across.ravel(), north.ravel()).reshape(across.shape)
    outside = (across < 0) | (north < 0) | (across > values.shape[1]) | (north > values.shape[0])
    return np.where(outside, np.nan, found)
