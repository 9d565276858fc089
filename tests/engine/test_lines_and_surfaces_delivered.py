"""A run delivers layers in the formats asked for and surfaces as LandXML, in the units of the cloud."""

import hashlib

import ezdxf
import numpy as np
import pyogrio
import pytest
import rasterio

from cloudprep.errors import ConfigError, UsageError
from cloudprep.io.landxml_read import read_landxml_tin
from cloudprep.testing import example_cloud

FEET = 1200 / 3937


@pytest.fixture
def lines_pipeline(pipeline_file):
    def write(formats="[gpkg, dxf]"):
        return pipeline_file(f"""
cloudprep: 1
output:
  layers: {formats}
grid:
  cell: 1.0
stages:
  - stage: terrain_grid
  - stage: contours
    shortest: 5
  - stage: spot_heights
    spacing: 20
  - stage: find_breaklines
  - stage: terrain_tin
""")

    return write


def test_layers_and_surfaces_are_delivered_in_the_units_of_the_cloud(
    clouds, run, record_of, lines_pipeline, tmp_path
):
    columns = example_cloud()
    columns["classification"] = np.where(columns["z"] < 108.5, 2, 1).astype(np.uint8)
    # EPSG:2230 is in US survey feet, EPSG:6360 heights in US survey feet.
    given = clouds.write(columns=columns, epsg="EPSG:2230+6360", unit=FEET)
    outcome, out = run(given, pipeline=lines_pipeline())
    assert outcome.exit_code == 0
    record = record_of(out)
    kinds = {o["path"]: o["kind"] for o in record["outputs"]}
    assert kinds["terrain/layers.gpkg"] == "layers"
    assert kinds["terrain/layers.dxf"] == "drawing"
    assert kinds["terrain/terrain_tin.xml"] == "surface"
    for output in record["outputs"]:
        assert hashlib.sha256((out / output["path"]).read_bytes()).hexdigest() == output["sha256"]

    names = {name for name, _ in pyogrio.list_layers(out / "terrain/layers.gpkg")}
    assert names == {"contours", "spot_heights", "breakline_proposals"}
    interval = record["figures"]["contours.interval"] / FEET
    assert interval == pytest.approx(round(interval), abs=1e-9)
    _, _, _, fields = pyogrio.raw.read(out / "terrain/layers.gpkg", layer="contours", columns=["elevation"])
    assert np.abs(fields[0] / interval - np.round(fields[0] / interval)).max() < 1e-9

    drawing = ezdxf.readfile(out / "terrain/layers.dxf")
    assert drawing.header["$INSUNITS"] == 21
    lines = [e for e in drawing.modelspace() if e.dxf.layer.startswith("contours_")]
    assert len(lines) == record["figures"]["contours.lines"]
    assert {e.vertices[0].dxf.location[2] for e in lines} == set(fields[0])

    tin = read_landxml_tin(out / "terrain/terrain_tin.xml")
    assert tin.horizontal_unit == tin.vertical_unit == FEET
    assert tin.system == "EPSG:2230"
    assert len(tin.surface.faces) == record["figures"]["terrain_tin.triangles"] > 0
    assert record["figures"]["terrain_tin.largest_deviation"] <= 0.1
    with rasterio.open(out / "terrain/dtm.tif") as dtm:
        x, y, z = tin.surface.vertices.T
        heights = np.array([v[0] for v in dtm.sample(np.c_[x, y] / FEET)], float) * FEET
        assert np.abs(heights - z).max() < 1e-4

    again, other = run(given, pipeline=lines_pipeline(), out="again", workers=3, block_edge=17.0)
    assert again.exit_code == 0
    for name in ("layers.gpkg", "layers.dxf", "terrain_tin.xml"):
        assert (out / "terrain" / name).read_bytes() == (other / "terrain" / name).read_bytes(), name


def test_by_default_layers_are_a_geopackage_alone(clouds, run, lines_pipeline):
    _, out = run(clouds.write(), pipeline=lines_pipeline("[gpkg]"))
    assert (out / "terrain/layers.gpkg").exists()
    assert not (out / "terrain/layers.dxf").exists()


def test_the_plan_names_what_will_be_delivered(clouds, run, lines_pipeline):
    outcome, out = run(clouds.write(), pipeline=lines_pipeline("[dxf]"), dry_run=True)
    planned = {o.rsplit("/", 1)[-1] for o in outcome.record["plan"]["outputs"]}
    assert {"layers.dxf", "terrain_tin.xml"} <= planned
    assert "layers.gpkg" not in planned
    assert not out.exists()


def test_drawings_without_the_library_are_refused_before_the_run(clouds, run, lines_pipeline, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "ezdxf", None)
    with pytest.raises(UsageError, match="pip install"):
        run(clouds.write(), pipeline=lines_pipeline())


@pytest.mark.parametrize("formats", ["[shp]", "[]", "gpkg"])
def test_other_formats_are_refused(lines_pipeline, run, clouds, formats):
    with pytest.raises(ConfigError, match="layers"):
        run(clouds.write(), pipeline=lines_pipeline(formats))
