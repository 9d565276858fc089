"""Bodies of known volume, and the files that hold them."""

import numpy as np
import pyogrio
import rasterio
import shapely

EAST, NORTH = 412_000.0, 5_654_000.0
FOOT = 0.3048


def write_raster(path, z, cell=1.0, crs="EPSG:25832", corner=(EAST, NORTH)):
    """Write heights, row 0 the southernmost."""
    rows, columns = z.shape
    top = corner[1] + rows * cell
    tiles = {"tiled": True, "blockxsize": 256, "blockysize": 256} if min(z.shape) >= 256 else {}
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float64", nodata=-9999,
        crs=crs, transform=rasterio.Affine(cell, 0, corner[0], 0, -cell, top), **tiles,
    ) as file:  # fmt: skip
        file.write(np.where(np.isnan(z), -9999, z)[::-1], 1)
    return path


def write_areas(path, shapes, crs="EPSG:25832", corner=(EAST, NORTH), **attributes):
    driver = "GeoJSON" if path.suffix == ".geojson" else "GPKG"
    moved = shapely.transform(np.array(shapes, object), lambda c: c + corner)
    pyogrio.raw.write(
        path, shapely.to_wkb(moved), field_data=[np.array(v) for v in attributes.values()],
        fields=list(attributes), crs=crs, geometry_type="Unknown", driver=driver,
    )  # fmt: skip
    return path


def surface(height, side=40.0, cell=1.0):
    n = round(side / cell)
    c = (np.arange(n) + 0.5) * cell
    x, y = np.meshgrid(c, c)
    return height(x, y)


def cone(radius, top, centre=(20.2, 19.7)):
    return lambda x, y: np.maximum(top * (1 - np.hypot(x - centre[0], y - centre[1]) / radius), 0)
