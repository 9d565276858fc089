"""What of the products of a run lies within its boundary."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from cloudprep.model.grid import Window
from cloudprep.model.mapped import let_go

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.engine.area import Region
    from cloudprep.engine.loading import Units
    from cloudprep.io.las import Flight
    from cloudprep.model.grid import Grid
    from cloudprep.model.layer import Layer, TinSurface

_DIMENSION = {"point": 0, "line": 1, "polygon": 2}
# Attributes that follow from the geometry: they are reckoned anew for features that were cut.
_MEASURED: dict[str, Callable[[NDArray[np.object_]], NDArray[np.float64]]] = {
    "area_m2": shapely.area,
    "length_m": shapely.length,
}


def clipped_grid(grid: Grid, region: Region) -> Grid | None:
    """Return a raster with nothing in cells whose centre lies outside, cut to the region's extent.

    Parameters
    ----------
    grid : Grid
        Finished: its values are changed where they may be, so that a large raster isn't held twice.
    region : Region
        In metres of the reference system.

    Returns
    -------
    Grid or None
        None where no cell of the raster is left.
    """
    window = _overlap(grid.window, region)
    if window is None:
        return None
    row, column = window.row - grid.window.row, window.column - grid.window.column
    values = grid.values[row : row + window.rows, column : column + window.columns]
    if not values.flags.writeable:
        values = values.copy()
    nothing = np.nan if values.dtype.kind == "f" else 0
    for start, inside in region.centres(window):
        values[start : start + len(inside)][~inside] = nothing
        let_go(values)
    return replace(grid, values=values, window=window)


def _overlap(window: Window, region: Region) -> Window | None:
    cell = window.lattice.cell
    x0, y0, x1, y1 = region.polygon.bounds
    c0, c1 = (
        max(window.column, math.floor(x0 / cell)),
        min(window.column + window.columns, math.ceil(x1 / cell)),
    )
    r0, r1 = max(window.row, math.floor(y0 / cell)), min(window.row + window.rows, math.ceil(y1 / cell))
    return Window(window.lattice, c0, r0, c1 - c0, r1 - r0) if c1 > c0 and r1 > r0 else None


def clipped_layer(layer: Layer, region: Region, origin: tuple[float, float]) -> Layer:
    """Return the features of a layer within a region, those on its edge cut.

    Parameters
    ----------
    layer : Layer
        In local metres.
    region : Region
        In metres of the reference system.
    origin : tuple of float
        Global easting and northing of the local zero, m.
    """
    if not len(layer):
        return layer
    local = shapely.transform(region.polygon, lambda xy: xy - np.array(origin))
    shapely.prepare(local)
    geometries = layer.geometries.copy()
    cut = ~shapely.covered_by(geometries, local)
    if layer.kind == "point":
        geometries[cut] = [_parts(shapely.intersection(g, local), 0) for g in geometries[cut]]
    elif cut.any():
        whole = shapely.make_valid(geometries[cut]) if layer.kind == "polygon" else geometries[cut]
        dimension = _DIMENSION[layer.kind]
        geometries[cut] = [_parts(g, dimension) for g in shapely.intersection(whole, local)]
    kept = ~shapely.is_empty(geometries)
    attributes: dict[str, NDArray[Any]] = {}
    for name, given in layer.attributes.items():
        values = np.asarray(given)
        measure = _MEASURED.get(name)
        if measure is not None and cut.any():
            values = values.astype(np.float64)
            values[cut] = measure(geometries[cut])
        attributes[name] = values[kept]
    return replace(layer, geometries=geometries[kept], attributes=attributes)


def _parts(geometry: shapely.Geometry, dimension: int) -> shapely.Geometry:
    """Return the parts of a geometry of one dimension: two polygons that touch share a line, say."""
    if shapely.get_dimensions(geometry) == dimension and geometry.geom_type != "GeometryCollection":
        return geometry
    parts = shapely.get_parts(geometry)
    nested = [p for part in parts for p in shapely.get_parts(part)]
    found = [p for p in nested if shapely.get_dimensions(p) == dimension and not p.is_empty]
    kinds = (shapely.MultiPoint, shapely.MultiLineString, shapely.MultiPolygon)
    return kinds[dimension](found) if found else shapely.Point()


def points_within(
    region: Region, flight: Flight, units: Units
) -> Callable[[NDArray[np.int32], NDArray[np.int32]], NDArray[np.bool_]]:
    """Return what tells from stored X and Y of a flight which of its points lie within a region."""
    step = [scale * units.horizontal for scale in flight.scales[:2]]
    zero = [offset * units.horizontal for offset in flight.offsets[:2]]

    def within(x: NDArray[np.int32], y: NDArray[np.int32]) -> NDArray[np.bool_]:
        return region.holds(x * step[0] + zero[0], y * step[1] + zero[1])

    return within


def clipped_surface(surface: TinSurface, region: Region, origin: tuple[float, float]) -> TinSurface:
    """Return the triangles of a surface whose middle lies within a region; those on its edge stay whole.

    Parameters
    ----------
    surface : TinSurface
        In local metres.
    region : Region
        In metres of the reference system.
    origin : tuple of float
        Global easting and northing of the local zero, m.
    """
    local = shapely.transform(region.polygon, lambda xy: xy - np.array(origin))
    shapely.prepare(local)
    middle = surface.vertices[surface.faces].mean(axis=1)
    inside = shapely.contains_xy(local, middle[:, 0], middle[:, 1])
    used, faces = np.unique(surface.faces[inside], return_inverse=True)
    return replace(surface, vertices=surface.vertices[used], faces=faces.reshape(-1, 3))
