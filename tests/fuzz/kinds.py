"""What is read of whom: for each kind of file how it is used, and words that damage may put in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from pyproj import CRS

from cloudprep.config import load_pipeline
from cloudprep.io.dxf_read import read_dxf_faces
from cloudprep.io.landxml_read import read_landxml_tin
from cloudprep.io.las import open_flight, read_columns
from cloudprep.io.point_table import read_point_table
from cloudprep.io.raster_reading import open_heights
from cloudprep.io.vectors_read import read_layer
from cloudprep.model.crs import CloudCrs

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

HERE = CloudCrs(CRS.from_epsg(25832).to_wkt(), "EPSG:25832", 1.0, 1.0)


def use_cloud(path: Path) -> None:
    """Read every column of a cloud."""
    flight = open_flight(path)
    rows = sum(len(piece["X"]) for piece in read_columns(flight, ("X", "Y", "Z", *flight.columns), 1000))
    if rows != flight.count:
        raise AssertionError(f"{rows} of {flight.count} points")


def use_heights(path: Path) -> None:
    """Read a corner of a raster."""
    with open_heights(path).opened() as heights:
        heights.window(0, 0, 64, 64)


def use_surface(path: Path) -> None:
    """Read a surface of triangles, and hold it to what it promises."""
    surface = read_landxml_tin(path).surface
    if not np.isfinite(surface.vertices).all() or surface.faces.max(initial=0) >= len(surface.vertices):
        raise AssertionError("a surface that is none")


def use_faces(path: Path) -> None:
    """Read faces of a drawing, and hold them to what they promise."""
    faces = read_dxf_faces(path)
    if not np.isfinite(faces.vertices).all() or faces.faces.max(initial=0) >= len(faces.vertices):
        raise AssertionError("faces that are none")


def use_layer(path: Path) -> None:
    """Read polygons."""
    read_layer(path, None, HERE, (0.0, 0.0), kinds=("polygon",))


@dataclass(frozen=True)
class Kind:
    """A kind of file."""

    ending: str
    use: Callable[[Path], object]
    words: tuple[bytes, ...] = ()


def _split(text: str) -> tuple[bytes, ...]:
    return tuple(part.encode() for part in text.split("¦"))


XML = _split(
    "<!DOCTYPE x [<!ENTITY a 'aaaa'>]>¦<!ENTITY x SYSTEM 'file:///etc/passwd'>¦&x;¦&#0;"
    "¦<![CDATA[¦<a b='c'>¦</a>"
    "¦<?xml version='1.0' encoding='utf-7'?>¦<?xml version='1.1'?>¦xmlns='x'"
)
KINDS = {
    "cloud": Kind(".laz", use_cloud),
    "pipeline": Kind(
        ".yaml",
        load_pipeline,
        _split(
            "|¦: ¦- ¦&a ¦*a¦<<: *a¦!!python/object/apply:os.system [ls]¦!¦'¦\"¦{¦]¦>¦#¦%¦~"
            "¦.nan¦true¦? ¦---¦...¦\n  ¦"
            "stage: ¦cell: ¦gates:\n¦figure: x\n¦at_least: ¦../../x"
        ),
    ),
    "points": Kind(
        ".csv",
        read_point_table,
        _split(";¦,¦\"¦'¦E;N;Z\n¦name,easting,northing,height\n¦1,5¦1.234.567,8¦#¦ "),
    ),
    "landxml": Kind(
        ".xml",
        use_surface,
        (*XML, *_split("<P id='1'>¦<F>1 2 3</F>¦</Faces>¦<Surface name='a'>¦i='1'¦surfType='grid'")),
    ),
    "kml": Kind(
        ".kml",
        use_layer,
        (
            *XML,
            *_split(
                "<Placemark>"
                "¦<NetworkLink><Link><href>http://127.0.0.1:9/</href></Link></NetworkLink>¦</Polygon>¦0,0 "
            ),
        ),
    ),
    "geojson": Kind(
        ".geojson",
        use_layer,
        _split('{"type":¦[[[¦]]¦null¦"Polygon"¦"FeatureCollection"¦,¦"coordinates":¦[0,0],¦"\\u0000"'),
    ),
    "geopackage": Kind(".gpkg", use_layer, _split("POLYGON¦gpkg_contents¦GP\0\1¦DROP TABLE x;¦EMPTY")),
    "drawing": Kind(
        ".dxf",
        use_faces,
        _split("  0\n3DFACE\n¦  0\nENDSEC\n¦ 10\n¦  8\n0\n¦  0\nEOF\n¦  0\nPOLYLINE\n¦ 70\n64\n"),
    ),
    "raster": Kind(".tif", use_heights, _split("II*\0¦MM\0*¦<VRTDataset>¦<GDALMetadata>")),
}
