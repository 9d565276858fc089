"""The item for catalogues against the open specification, written down here, and against pystac's own judge.

STAC specification 1.1.0 (item-spec, common metadata), RFC 7946 (GeoJSON); extensions projection 2.0.0,
pointcloud 2.0.0, file 2.1.0: fields and what they must be, as their documents list them.
"""

import contextlib
import datetime as dt
import json
import re
import sqlite3

import jsonschema
import laspy
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from pyproj import CRS, Transformer
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT7
from rio_cogeo.cogeo import cog_validate

from cloudprep.config import Pipeline
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site
from cloudprep.engine.stac import _in_degrees
from cloudprep.io.atomic import sha256_of
from cloudprep.model.crs import CloudCrs

STAMP = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$"
NUMBER = {"type": "number"}
BAND = {
    "type": "object",
    "properties": {
        "name": {"type": "string", "minLength": 1},
        "description": {"type": "string"},
        "data_type": {"enum": ["uint8", "uint16", "int16", "int32", "float32", "float64"]},
        "nodata": {"anyOf": [NUMBER, {"enum": ["nan", "inf", "-inf"]}]},
        "unit": {"type": "string"},
        "statistics": {
            "type": "object",
            "properties": {
                "minimum": NUMBER,
                "maximum": NUMBER,
                "mean": NUMBER,
                "stddev": NUMBER,
                "count": {"type": "integer", "minimum": 0},
                "valid_percent": {"type": "number", "minimum": 0, "maximum": 100},
            },
            "additionalProperties": False,
            "minProperties": 1,
        },
    },
}
POSITION = {"type": "array", "minItems": 2, "maxItems": 3, "items": NUMBER}
RING = {"type": "array", "minItems": 4, "items": POSITION}
ITEM = {
    "type": "object",
    "required": ["type", "stac_version", "id", "geometry", "properties", "links", "assets"],
    "properties": {
        "type": {"const": "Feature"},
        "stac_version": {"const": "1.1.0"},
        "stac_extensions": {
            "type": "array",
            "uniqueItems": True,
            "items": {"type": "string", "format": "uri"},
        },
        "id": {"type": "string", "minLength": 1},
        "geometry": {
            "oneOf": [
                {"type": "null"},
                {
                    "type": "object",
                    "required": ["type", "coordinates"],
                    "properties": {
                        "type": {"const": "Polygon"},
                        "coordinates": {"type": "array", "minItems": 1, "items": RING},
                    },
                },
                {
                    "type": "object",
                    "required": ["type", "coordinates"],
                    "properties": {
                        "type": {"const": "MultiPolygon"},
                        "coordinates": {"type": "array", "items": {"type": "array", "items": RING}},
                    },
                },
            ]
        },
        "bbox": {"type": "array", "items": NUMBER, "minItems": 4, "maxItems": 4},
        "properties": {
            "type": "object",
            "required": ["datetime", "proj:code", "pc:count", "pc:type"],
            "properties": {
                "datetime": {"type": ["string", "null"], "pattern": STAMP},
                "start_datetime": {"type": "string", "pattern": STAMP},
                "end_datetime": {"type": "string", "pattern": STAMP},
                "created": {"type": "string", "pattern": STAMP},
                "title": {"type": "string"},
                "description": {"type": "string", "minLength": 1},
                "pc:count": {"type": "integer", "minimum": 1},
                "pc:type": {"enum": ["lidar", "eopc", "radar", "sonar", "other"]},
                "pc:density": {"type": "number", "minimum": 0},
                "proj:code": {"type": ["string", "null"]},
                "proj:wkt2": {"type": ["string", "null"]},
                "proj:bbox": {"type": "array", "items": NUMBER, "minItems": 4, "maxItems": 6},
                "processing:software": {"type": "object", "additionalProperties": {"type": "string"}},
            },
            "if": {"properties": {"datetime": {"type": "null"}}},
            "then": {"required": ["start_datetime", "end_datetime"]},
        },
        "links": {"type": "array", "items": {"type": "object", "required": ["rel", "href"]}},
        "assets": {
            "type": "object",
            "additionalProperties": {
                "type": "object",
                "required": ["href"],
                "properties": {
                    "href": {"type": "string", "pattern": r"^\./[^/]"},
                    "type": {"type": "string"},
                    "title": {"type": "string"},
                    "roles": {"type": "array", "items": {"type": "string"}},
                    "bands": {"type": "array", "minItems": 1, "items": BAND},
                    "file:checksum": {"type": "string", "pattern": "^1220[0-9a-f]{64}$"},
                    "file:size": {"type": "integer", "minimum": 0},
                    "proj:shape": {
                        "type": "array",
                        "items": {"type": "integer"},
                        "minItems": 2,
                        "maxItems": 2,
                    },
                    "proj:transform": {
                        "oneOf": [
                            {"type": "array", "items": NUMBER, "minItems": n, "maxItems": n} for n in (6, 9)
                        ]
                    },
                    "pc:count": {"type": "integer"},
                },
            },
        },
    },
    "if": {"properties": {"geometry": {"type": "object"}}},
    "then": {"required": ["bbox"]},
}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Two runs, the second of the same flights into a folder of the same name elsewhere."""
    folder = tmp_path_factory.mktemp("stac")
    flights = [_flight(folder / "flights", name, west) for name, west in (("a", 0.0), ("b", 30.0))]
    pipeline = Pipeline.from_dict(
        {
            "cloudprep": 1,
            "stages": [{"stage": "terrain_grid", "cell": 0.5}],
            "output": {
                "tiles": {"size": 30},
                "tile_index": True,
                "stac_item": True,
                "height_unit": "foot",
                "raster_nodata": -999999,
            },
        }
    )
    outs = [folder / part / "quarry" for part in ("first", "second")]
    for out in outs:
        assert run_site(RunRequest(pipeline, tuple(map(str, flights)), out), Silent()).exit_code == 0
    return outs


def _flight(folder, name, west):
    rng = np.random.default_rng(len(name) + int(west))
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, 0.001), np.array([412_000.0, 5_654_000.0, 0.0])
    header.add_crs(CRS.from_user_input("EPSG:25832+7837"))
    header.creation_date = dt.date(2021, 3, 4 + int(west) // 10)
    cloud = laspy.LasData(header)
    x, y = rng.uniform(0, 40, (2, 4000))
    cloud.x, cloud.y, cloud.z = x + west + 412_000, y + 5_654_000, 100 + 0.1 * x
    cloud.classification = np.full(4000, 2, np.uint8)
    cloud.number_of_returns = cloud.return_number = np.ones(4000, np.uint8)
    folder.mkdir(exist_ok=True)
    cloud.write(folder / f"{name}.laz")
    return folder / f"{name}.laz"


def test_the_item_keeps_the_specification(made):
    item = json.loads((made[0] / "item.json").read_text())
    jsonschema.Draft202012Validator.check_schema(ITEM)
    jsonschema.Draft202012Validator(ITEM).validate(item)
    assert item["id"].startswith("quarry-")
    assert item["properties"]["start_datetime"] == "2021-03-04T00:00:00Z"
    assert item["properties"]["end_datetime"] == "2021-03-07T23:59:59Z"
    assert item["properties"]["pc:count"] == 8000
    # ETRS89 / UTM zone 32N + heights in feet has no code of its own; the text says what it is.
    assert item["properties"]["proj:code"] is None
    parts = CRS.from_wkt(item["properties"]["proj:wkt2"]).sub_crs_list
    assert parts[0].to_epsg() == 25832
    assert parts[1].axis_info[0].unit_conversion_factor == 0.3048


def test_another_judge_accepts_it(made):
    pystac = pytest.importorskip("pystac")
    local = pytest.importorskip("pystac.validation.local_validator")
    item = json.loads((made[0] / "item.json").read_text())
    # The specification's own schemas, as that package carries them.
    schemas = local.get_local_schema_cache()
    address = next(uri for uri in schemas if uri.endswith("v1.1.0/item-spec/json-schema/item.json"))
    registry = Registry().with_resources(
        (uri, Resource.from_contents(schema, default_specification=DRAFT7)) for uri, schema in schemas.items()
    )
    validator = jsonschema.Draft7Validator(schemas[address], registry=registry)
    assert list(validator.iter_errors(item)) == []
    broken = {**item, "properties": {**item["properties"], "datetime": "yesterday"}}
    assert list(validator.iter_errors(broken)) != []
    read = pystac.Item.from_dict(item)
    assert read.geometry == item["geometry"]
    assert len(read.assets) == len(item["assets"])


def test_assets_are_the_files_that_are_there(made):
    item = json.loads((made[0] / "item.json").read_text())
    files = {
        f"./{p.relative_to(made[0]).as_posix()}": p
        for p in made[0].rglob("*")
        if p.is_file() and p.name not in ("item.json", "report.html")
    }
    assert {a["href"] for a in item["assets"].values()} == set(files)
    for asset in item["assets"].values():
        path = files[asset["href"]]
        if path.name == "run.json":
            continue
        assert asset["file:checksum"] == "1220" + sha256_of(path)
        assert asset["file:size"] == path.stat().st_size
        if path.suffix == ".tif":
            with rasterio.open(path) as file:
                assert asset["proj:shape"] == list(file.shape)
                assert asset["proj:transform"] == list(file.transform)
                band = asset["bands"][0]
                values = file.read(1, masked=True).compressed()
                assert band["statistics"]["count"] == len(values)
                assert band["statistics"]["maximum"] == values.max()
                assert band["nodata"] == file.nodata
                if "dtm_source" not in path.name:
                    assert (band["unit"], band["nodata"]) == ("foot", -999999)


def test_the_item_is_the_same_but_for_times(made):
    texts = [(out / "item.json").read_text() for out in made]
    assert len({re.sub(r'"created": "[^"]*"', "", text) for text in texts}) == 1


def test_the_index_has_every_raster_and_cloud(made):
    record = json.loads((made[0] / "run.json").read_text())
    assert [o["path"] for o in record["outputs"] if o["kind"] == "index"] == ["terrain/index.gpkg"]
    index = made[0] / "terrain" / "index.gpkg"
    meta, _, wkb, values = pyogrio.raw.read(index, layer="tiles")
    rows = [dict(zip(meta["fields"], row, strict=True)) for row in zip(*values, strict=True)]
    assert {r["file"] for r in rows} == {o["path"] for o in record["outputs"] if o["kind"] == "raster"}
    assert CRS.from_user_input(meta["crs"]).sub_crs_list[0].to_epsg() == 25832
    for row, shape in zip(rows, shapely.from_wkb(wkb), strict=True):
        with rasterio.open(made[0] / row["file"]) as file:
            assert shape.bounds == tuple(file.bounds)
            assert (row["rows"], row["columns"], row["cell"]) == (*file.shape, file.transform.a)
            assert row["cells_with_data"] == file.read(1, masked=True).count()
            assert row["product"] in ("dtm", "dtm_source")
    meta, _, wkb, values = pyogrio.raw.read(index, layer="clouds")
    assert sorted(values[0]) == ["clouds/a.laz", "clouds/b.laz"]
    assert list(values[2]) == [4000, 4000]


def test_the_index_is_a_geopackage_to_plain_sqlite(made):
    # OGC 12-128r19 (GeoPackage 1.4), requirements 2, 13, 21: file identity, contents, geometry columns.
    with contextlib.closing(sqlite3.connect(made[0] / "terrain" / "index.gpkg")) as file:
        assert file.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        contents = file.execute(
            "SELECT table_name, data_type, min_x FROM gpkg_contents ORDER BY 1"
        ).fetchall()
        assert contents == [
            ("clouds", "features", pytest.approx(412_000, abs=1)),
            ("tiles", "features", 411_990),
        ]
        kinds = file.execute("SELECT geometry_type_name, z FROM gpkg_geometry_columns").fetchall()
        assert kinds == [("MULTIPOLYGON", 0)] * 2
        (blob,) = file.execute("SELECT geom FROM tiles LIMIT 1").fetchone()
        assert blob[:3] == b"GP\x00"


def test_tiles_are_valid_to_another_judge_and_hold_heights_at_the_centres_of_cells(made):
    tiles = sorted((made[0] / "terrain").glob("*.tif"))
    assert len(tiles) >= 12
    for path in tiles:
        assert cog_validate(path, strict=True) == (True, [], [])
    # On a plane the height at a cell's centre is known: 100 m and a tenth of the way east; pixels are areas.
    with rasterio.open(made[0] / "terrain" / "dtm_411990_5654010.tif") as file:
        values = file.read(1, masked=True)
        rows, columns = np.nonzero(~values.mask)
        x, y = file.xy(rows, columns, offset="center")
        assert file.tags()["AREA_OR_POINT"] == "Area"
    # Points are stored in millimetres; cells on the rim may lie under no triangle and take a point beside.
    within = (x > 412_001) & (y < 5_654_039)
    assert np.abs(values.compressed() * 0.3048 - (100 + 0.1 * (x - 412_000)))[within].max() < 0.001
    assert within.sum() > 2100


def test_the_footprint_lies_where_the_clouds_do(made):
    item = json.loads((made[0] / "item.json").read_text())
    shape = shapely.geometry.shape(item["geometry"])
    assert shapely.is_ccw(shape.exterior)
    x, y = Transformer.from_crs(25832, 4326, always_xy=True).transform(
        [412_035, 412_000], [5_654_020, 5_653_990]
    )
    assert shapely.intersects_xy(shape, x, y).tolist() == [True, False]
    assert item["bbox"] == pytest.approx(shape.bounds, abs=1e-9)
    back = Transformer.from_crs(4326, 25832, always_xy=True).transform(*shape.exterior.coords.xy)
    assert min(back[0]) == pytest.approx(412_000, abs=0.1)
    assert max(back[0]) == pytest.approx(412_070, abs=0.1)


def test_a_footprint_across_the_180th_meridian_is_cut_there():
    # Fiji, UTM zone 60 south reaches across it. RFC 7946, 3.1.9 and 5.2: parts on both sides, west > east.
    x, y = Transformer.from_crs(4326, 32760, always_xy=True).transform([179.9, 180.1], [-17.0, -16.9])
    geometry, box = _in_degrees(shapely.box(x[0], y[0], x[1], y[1]), CloudCrs(CRS.from_epsg(32760).to_wkt()))
    assert geometry["type"] == "MultiPolygon"
    assert box[0] == pytest.approx(179.9, abs=0.01)
    assert box[2] == pytest.approx(-179.9, abs=0.01)
    assert all(abs(p[0]) <= 180 for part in geometry["coordinates"] for ring in part for p in ring)


def test_without_a_reference_system_the_place_is_left_open():
    assert _in_degrees(shapely.box(0, 0, 1, 1), CloudCrs()) is None
