"""Heights at positions: from a raster between its cell centres, or from the triangles of a cloud's ground."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.spatial import cKDTree

from cloudprep.engine.loading import global_metres
from cloudprep.engine.reference import Assumptions, settle
from cloudprep.io.las import open_flight, read_columns
from cloudprep.io.raster_reading import open_heights
from cloudprep.kernels.triangulation import delaunay
from cloudprep.model.classes import ClassCode
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.engine.loading import Units
    from cloudprep.io.las import Flight
    from cloudprep.io.raster_reading import HeightRaster, OpenedRaster
    from cloudprep.model.crs import CloudCrs

    Floats = NDArray[np.float64]

RASTERS = (".tif", ".tiff", ".asc")
"""Endings of files that are read as rasters."""
# Ground around a position is looked for this far, m; farther where that doesn't settle it.
_RADII = (8.0, 60.0)
_FIRST = 64
_STEP = 0.001
OUTSIDE, EMPTY, FOUND = 0, 1, 2


@dataclass(frozen=True)
class Sampled:
    """Heights of a surface at positions.

    Parameters
    ----------
    heights : ndarray of float64, shape (n,)
        Metres; NaN where there is none.
    state : ndarray of uint8, shape (n,)
        0 outside, 1 where the surface has nothing, 2 found.
    """

    heights: Floats
    state: NDArray[np.uint8]


class Surface(Protocol):
    """Something with heights; positions and heights are global metres."""

    @property
    def crs(self) -> CloudCrs:
        """Reference system and units of the file."""

    @property
    def manner(self) -> str:
        """How a height at a position is found, in words."""

    @property
    def assumed(self) -> Sequence[str]:
        """What was taken for granted."""

    def at(self, x: Floats, y: Floats) -> Sampled:
        """Return the heights at positions."""


def open_surface(path: Path) -> RasterSurface | CloudSurface:
    """Return the surface that a file holds.

    Raises
    ------
    BadInputError
        If it is neither a raster nor a cloud that can be read.
    """
    return RasterSurface(open_heights(path)) if path.suffix.lower() in RASTERS else CloudSurface(path)


class RasterSurface:
    """A raster of heights: bilinear between the four cell centres around a position; all must be there."""

    manner = "bilinear between the four cell centres around the point"

    def __init__(self, raster: HeightRaster) -> None:
        self.raster = raster
        self.crs = raster.crs
        self.assumed = raster.assumed

    def at(self, x: Floats, y: Floats) -> Sampled:
        """Return the heights at positions."""
        unit, up = self.crs.horizontal_unit or METRE, self.crs.vertical_unit or METRE
        raster = self.raster
        across = (x / unit - raster.left) / raster.cell
        north = (y / unit - raster.bottom) / raster.cell
        inside = (across >= 0) & (north >= 0) & (across <= raster.columns) & (north <= raster.rows)
        heights = np.full(len(x), np.nan)
        with raster.opened() as file:
            for i in np.flatnonzero(inside):
                heights[i] = _between(file, across[i] - 0.5, north[i] - 0.5) * up
        state = np.where(inside, np.where(np.isnan(heights), EMPTY, FOUND), OUTSIDE).astype(np.uint8)
        return Sampled(heights, state)


def _between(file: OpenedRaster, across: float, north: float) -> float:
    column, row = math.floor(across), math.floor(north)
    tx, ty = across - column, north - row
    z = file.window(row, column, 2, 2)
    weights = np.array([[(1 - tx) * (1 - ty), tx * (1 - ty)], [(1 - tx) * ty, tx * ty]])
    used = weights > 0  # on a line between centres two of them say nothing, and may be missing
    return float((weights[used] * z[used]).sum())


class CloudSurface:
    """The ground points (class 2) of a cloud: linear within the Delaunay triangle that holds a position."""

    manner = "linear within the Delaunay triangle of ground points that holds the point"

    def __init__(self, path: Path) -> None:
        self.flight: Flight = open_flight(path)
        settled = settle(self.flight, Assumptions())
        self.units: Units = settled.units
        self.crs = settled.crs
        self.assumed = settled.assumed

    def at(self, x: Floats, y: Floats) -> Sampled:
        """Return the heights at positions."""
        low, high, units = self.flight.header_min, self.flight.header_max, self.units
        inside = (x >= low[0] * units.horizontal) & (x <= high[0] * units.horizontal)
        inside &= (y >= low[1] * units.horizontal) & (y <= high[1] * units.horizontal)
        heights = np.full(len(x), np.nan)
        for radius in _RADII:
            asked = np.flatnonzero(inside & np.isnan(heights))
            if len(asked) == 0:
                break
            ground = self._ground_near(x[asked], y[asked], radius)
            tree = cKDTree(ground[:, :2]) if len(ground) else None
            for i in asked:
                if tree is not None:
                    heights[i] = _in_triangle(tree, ground, x[i], y[i], radius)
        state = np.where(inside, np.where(np.isnan(heights), EMPTY, FOUND), OUTSIDE).astype(np.uint8)
        return Sampled(heights, state)

    def _ground_near(self, x: Floats, y: Floats, radius: float) -> Floats:
        """Return ground points within a radius of any position, global metres, shape (n, 3)."""
        tree = cKDTree(np.c_[x, y])
        parts = [np.empty((0, 3))]
        for chunk in read_columns(self.flight, ["X", "Y", "Z", "classification", "withheld"]):
            used = chunk["classification"] == ClassCode.GROUND
            if "withheld" in chunk:
                used &= ~chunk["withheld"]
            px, py, pz = (
                global_metres(self.flight, self.units, chunk[a][used], i) for i, a in enumerate("XYZ")
            )
            near = (
                np.isfinite(tree.query(np.c_[px, py], distance_upper_bound=radius)[0])
                if len(px)
                else used[:0]
            )
            parts.append(np.c_[px, py, pz][near])
        return np.concatenate(parts)


def _in_triangle(tree: cKDTree, ground: Floats, x: float, y: float, radius: float) -> float:
    """Return the height of the site's triangle that holds a position; NaN where that isn't certain."""
    count = _FIRST
    while True:
        distance, near = tree.query([x, y], k=min(count, len(ground)), distance_upper_bound=radius)
        distance, near = np.atleast_1d(distance), np.atleast_1d(near)
        there = np.isfinite(distance)
        near = near[there]
        # Nothing within this distance is missing.
        known = radius if there.sum() < count else float(distance[there][-1])
        height, reach = _linear(ground[near], x, y)
        if not math.isnan(height) and reach <= known:
            return height
        if len(near) < count:
            return math.nan
        count *= 4


def _linear(points: Floats, x: float, y: float) -> tuple[float, float]:
    """Return the height in the triangle that holds a position, and how far its circle reaches from there."""
    if len(points) < 3:
        return math.nan, math.inf
    order = np.argsort(points[:, 2], kind="stable")  # of points in one place the lowest counts
    places = np.rint((points[order, :2] - [x, y]) / _STEP)
    _, first = np.unique(places, axis=0, return_index=True)
    kept = order[np.sort(first)]
    sites, z = np.rint((points[kept, :2] - [x, y]) / _STEP), points[kept, 2]
    for a, b, c in delaunay(sites[:, 0], sites[:, 1]):
        p, q, r = sites[a], sites[b], sites[c]
        area = (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])
        w = np.array([q[0] * r[1] - q[1] * r[0], r[0] * p[1] - r[1] * p[0], p[0] * q[1] - p[1] * q[0]]) / area
        if (w >= 0).all():
            return float(w @ z[[a, b, c]]), _circle_reach(p, q, r, area)
    return math.nan, math.inf


def _circle_reach(p: Floats, q: Floats, r: Floats, area: float) -> float:
    """Return the distance from zero to the far side of the circle through three places, m."""
    pp, qq, rr = p @ p, q @ q, r @ r
    centre = np.array(
        [
            pp * (q[1] - r[1]) + qq * (r[1] - p[1]) + rr * (p[1] - q[1]),
            pp * (r[0] - q[0]) + qq * (p[0] - r[0]) + rr * (q[0] - p[0]),
        ]
    ) / (2 * area)
    return float(np.hypot(*centre) + np.hypot(*(p - centre))) * _STEP
