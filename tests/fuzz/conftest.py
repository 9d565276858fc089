"""Good files of every kind, to be damaged: small, and with everything in them that a reader looks at."""

from __future__ import annotations

import laspy
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

from cloudprep.io.landxml import write_landxml
from cloudprep.model.crs import CloudCrs
from cloudprep.model.layer import TinSurface

SQUARES = [
    shapely.box(500_000, 5_600_000, 500_010, 5_600_010),
    shapely.box(500_020, 5_600_000, 500_030, 5_600_010),
]
PIPELINE = """cloudprep: 1
stages:
  - &a
    stage: statistical_outliers
    neighbours: 12
  - {stage: progressive_ground}
  - stage: terrain_grid
    cell: 5e-1
output: {format: laz, drop_noise: false, tiles: {size: 100, name: "{product}_{east}_{north}"}}
assume: {crs: "EPSG:25832+7837"}
gates:
  - {figure: ground.share, at_least: 0.1}
"""
TABLES = (
    "name,easting,northing,height,cover\nA1,412000.5,5654000.25,101.5,open\nA2,412010.5,5654010.25,102.5,trees\n",
    "Nr;Ostwert;Nordwert;Höhe\n1;412000,5;5654000,25;101,5\n2;412010,5;5654010,25;102,5\n",
    "# comment\npt\tn\te\tz\n'x'\t5654000\t412000\t1e2\n",
)
DRAWING = (
    "  0\nSECTION\n  2\nHEADER\n  9\n$ACADVER\n  1\nAC1009\n  9\n$INSUNITS\n 70\n     6\n  0\nENDSEC\n"
    "  0\nSECTION\n  2\nENTITIES\n"
    + "".join(
        f"  0\n3DFACE\n  8\ndesign\n 10\n{i}.0\n 20\n0.0\n 30\n1.0\n 11\n{i + 1}.0\n 21\n0.0\n 31\n1.0\n"
        f" 12\n{i}.0\n 22\n1.0\n 32\n1.0\n 13\n{i}.0\n 23\n1.0\n 33\n1.0\n"
        for i in range(4)
    )
    + "  0\nENDSEC\n  0\nEOF\n"
)


def _clouds(folder):
    rng = np.random.default_rng(5)
    for point_format, version in ((1, "1.2"), (3, "1.3"), (6, "1.4"), (7, "1.4")):
        header = laspy.LasHeader(point_format=point_format, version=version)
        header.scales, header.offsets = [0.01] * 3, [412_000, 5_654_000, 0]
        header.add_extra_dim(laspy.ExtraBytesParams("roughness", "f4"))
        cloud = laspy.LasData(header)
        cloud.x, cloud.y = 412_000 + rng.uniform(0, 50, 80), 5_654_000 + rng.uniform(0, 50, 80)
        cloud.z = rng.uniform(90, 95, 80)
        cloud.return_number[:] = cloud.number_of_returns[:] = 1
        for ending in ("las", "laz"):
            cloud.write(folder / f"original-{point_format}.{ending}")


def _surfaces(folder):
    vertices = np.array([(0, 0, 1), (10, 0, 2), (10, 10, 3), (0, 10, 4)], float)
    surface = TinSurface("design", vertices, np.array([(0, 1, 2), (0, 2, 3)]), "a square")
    write_landxml(surface, folder / "original.xml", CloudCrs(), (412_000.0, 5_654_000.0))


def _layers(folder, driver, ending):
    squares = SQUARES if driver == "GPKG" else [shapely.box(9, 50.5, 9.01, 50.51)]
    pyogrio.raw.write(
        folder / f"original{ending}",
        shapely.to_wkb(np.array(squares)),
        field_data=[np.array([f"a{i}" for i in range(len(squares))], object)],
        fields=["name"],
        geometry_type="Polygon",
        crs="EPSG:4326" if driver in ("KML", "GeoJSON") else "EPSG:25832",
        driver=driver,
    )


def _rasters(folder):
    for number, how in enumerate(
        ({}, {"compress": "deflate", "predictor": 3}, {"tiled": True, "blockxsize": 64, "blockysize": 64})
    ):
        with rasterio.open(
            folder / f"original-{number}.tif", "w", driver="GTiff", width=64, height=64, count=1,
            dtype="float32",
            crs="EPSG:25832", transform=rasterio.Affine(1, 0, 412_000, 0, -1, 5_654_064), nodata=-9999, **how,
        ) as file:  # fmt: skip
            file.write(np.arange(4096, dtype=np.float32).reshape(1, 64, 64))


@pytest.fixture
def originals(tmp_path):
    """Give a function that makes the good files of a kind; return their folder."""

    def make(kind):
        if kind == "cloud":
            _clouds(tmp_path)
        elif kind == "landxml":
            _surfaces(tmp_path)
        elif kind == "raster":
            _rasters(tmp_path)
        elif kind in ("kml", "geojson", "geopackage"):
            driver = {"kml": "KML", "geojson": "GeoJSON", "geopackage": "GPKG"}[kind]
            _layers(tmp_path, driver, ".gpkg" if driver == "GPKG" else f".{kind}")
        else:
            texts = {"pipeline": (PIPELINE,), "points": TABLES, "drawing": (DRAWING,)}[kind]
            for number, text in enumerate(texts):
                (tmp_path / f"original-{number}").write_text(text, encoding="utf-8")
        return tmp_path

    return make
