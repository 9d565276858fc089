"""Volumes of many areas on a large raster, against reading all of the raster once.

    python benchmarks/volumes.py                 # 10,000 x 10,000 cells, 1,000 areas
    python benchmarks/volumes.py --side 4000 --areas 300

Prints seconds, the ratio to reading the whole file strip by strip with the same library, and the peak of
memory by the system's own figure. The raster is made once in the folder of temporary files.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pyogrio
import rasterio
import shapely
from rasterio.windows import Window

from cloudprep.measuring.volumes import measure_volumes

EAST, NORTH, CELL = 412_000.0, 5_654_000.0, 0.25


def make_raster(path: Path, side: int) -> None:
    """Write waves of ground with small noise, tile by tile."""
    rng = np.random.default_rng(1)
    x = CELL * (np.arange(side) + 0.5)
    with rasterio.open(
        path, "w", driver="GTiff", width=side, height=side, count=1, dtype="float32", nodata=-9999,
        crs="EPSG:25832", transform=rasterio.Affine(CELL, 0, EAST, 0, -CELL, NORTH + side * CELL),
        tiled=True, blockxsize=256, blockysize=256, compress="DEFLATE", predictor=3, zlevel=1,
    ) as file:  # fmt: skip
        for top in range(0, side, 256):
            rows = min(256, side - top)
            y = CELL * (side - top - np.arange(rows) - 0.5)
            z = (
                100
                + 5 * np.sin(x / 50)[None, :] * np.cos(y / 70)[:, None]
                + rng.normal(0, 0.02, (rows, side))
            )
            file.write(z.astype(np.float32), 1, window=Window(0, top, side, rows))


def make_areas(path: Path, side: int, count: int) -> None:
    """Write areas of 5 to 40 m radius with 40 corners."""
    rng = np.random.default_rng(2)
    extent = side * CELL
    middle = rng.uniform(50, extent - 50, (count, 2))
    shapes = [
        shapely.Point(place[0] + EAST, place[1] + NORTH).buffer(radius, quad_segs=10)
        for place, radius in zip(middle, rng.uniform(5, 40, count), strict=True)
    ]
    pyogrio.raw.write(
        path, shapely.to_wkb(np.array(shapes, object)), field_data=[np.arange(count)], fields=["id"],
        crs="EPSG:25832", geometry_type="Polygon", driver="GPKG",
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--side", type=int, default=10_000)
    parser.add_argument("--areas", type=int, default=1000)
    given = parser.parse_args()
    folder = Path(tempfile.gettempdir()) / "cloudprep_volumes"
    folder.mkdir(exist_ok=True)
    raster = folder / f"terrain_{given.side}.tif"
    if not raster.exists():
        make_raster(raster, given.side)
    areas = folder / f"areas_{given.side}_{given.areas}.gpkg"
    areas.unlink(missing_ok=True)
    make_areas(areas, given.side, given.areas)
    measure_volumes(raster, areas, base="level:100")  # kernels are loaded
    began = time.perf_counter()
    with rasterio.open(raster) as file:
        for top in range(0, given.side, 256):
            file.read(1, window=Window(0, top, given.side, min(256, given.side - top)))
    reading = time.perf_counter() - began
    print(
        f"{given.areas} areas on {given.side**2 / 1e6:,.0f} million cells; reading all of it: {reading:.1f} s"
    )
    for base in ("level:100", "lowest-edge", "edge-plane", "edge-surface"):
        began = time.perf_counter()
        measure_volumes(raster, areas, base=base)
        seconds = time.perf_counter() - began
        print(f"{base:<14}{seconds:>8.1f} s{seconds / reading:>8.2f} x reading")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak {peak:,.0f} MB")


if __name__ == "__main__":
    main()
