"""Runs with vector files that stages name: read first, judged whole, recorded; nothing half-written."""

import hashlib
import json

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely

from cloudprep.config import load_pipeline
from cloudprep.errors import EXIT_USAGE, UsageError

EAST, NORTH = 412_000.0, 5_654_000.0
PIPELINE = """
cloudprep: 1
stages:
  - stage: water_points
    water: {water}
    pond_area: 50
  - stage: terrain_grid
    cell: 1.0
  - stage: flat_water
    water: {water}
    pond_area: 50
"""
POND = shapely.box(38, 8, 52, 22)


def write(path, polygons, epsg=32632, layer=None, east=EAST, north=NORTH):
    path.parent.mkdir(parents=True, exist_ok=True)
    moved = [shapely.transform(p, lambda c: c + np.array([east, north])) for p in polygons]
    pyogrio.raw.write(
        path,
        shapely.to_wkb(np.array(moved, object)),
        field_data=[np.arange(len(moved))],
        fields=np.array(["number"], object),
        geometry_type=moved[0].geom_type,
        crs=None if epsg is None else f"EPSG:{epsg}",
        layer=layer,
        append=path.exists(),
    )
    return path


def layers_of(folder):
    return {str(n) for n, _ in pyogrio.list_layers(folder / "terrain" / "layers.gpkg")}


def test_a_path_is_relative_to_the_pipeline_file(clouds, run, pipeline_file, tmp_path, monkeypatch):
    cloud = clouds.write()
    write(tmp_path / "maps" / "water.gpkg", [POND])
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    outcome, folder = run(cloud, pipeline=pipeline_file(PIPELINE.format(water="maps/water.gpkg")))
    assert outcome.exit_code == 0
    assert outcome.record["figures"]["water.ponds"] == 1
    assert outcome.record["figures"]["water.points"] > 0
    assert "water" in layers_of(folder)
    first, second = outcome.record["given"]
    path = tmp_path / "maps" / "water.gpkg"
    assert first["path"] == str(path)
    assert first["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (first["stage"], second["stage"]) == ("water_points", "flat_water")
    assert first["parameter"] == "water"
    assert first["features"] == first["features_on_site"] == 1
    assert json.loads((folder / "run.json").read_text())["given"] == outcome.record["given"]


def test_a_ready_pipeline_starts_at_the_working_folder():
    assert str(load_pipeline("bare_earth").folder) == "."


def test_a_layer_is_named_behind_a_sign(clouds, run, pipeline_file, tmp_path):
    cloud = clouds.write()
    for name, box in (("ponds", POND), ("forests", shapely.box(0, 0, 5, 5))):
        write(tmp_path / "map.gpkg", [box], layer=name)
    outcome, _ = run(cloud, pipeline=pipeline_file(PIPELINE.format(water="map.gpkg#ponds")))
    assert outcome.record["given"][0]["layer"] == "ponds"
    assert outcome.record["figures"]["water.ponds"] == 1


def test_a_layer_of_another_system_lands_in_the_same_cells(clouds, run, pipeline_file, tmp_path):
    cloud = clouds.write()
    write(tmp_path / "near.gpkg", [POND])
    over = pyproj.Transformer.from_crs(32632, 3035, always_xy=True)
    there = shapely.transform(POND, lambda c: np.c_[over.transform(c[:, 0] + EAST, c[:, 1] + NORTH)])
    write(tmp_path / "far.gpkg", [there], epsg=3035, east=0, north=0)
    cells = []
    for name in ("near", "far"):
        outcome, _ = run(cloud, pipeline=pipeline_file(PIPELINE.format(water=f"{name}.gpkg")), out=name)
        cells.append(outcome.record["figures"]["water.cells"])
    assert cells == [14 * 14, 14 * 14]


def test_feet_come_to_the_same_cells(clouds, run, pipeline_file, tmp_path):
    # EPSG:2263 is in US survey feet: 1200/3937 m each.
    foot = 1200 / 3937
    cloud = clouds.write(epsg=2263, unit=foot, scale=0.001, east=300_000.0, north=60_000.0)
    there = shapely.transform(POND, lambda c: (c + np.array([300_000.0, 60_000.0])) / foot)
    write(tmp_path / "water.gpkg", [there], epsg=2263, east=0, north=0)
    outcome, _ = run(cloud, pipeline=pipeline_file(PIPELINE.format(water="water.gpkg")))
    assert outcome.record["figures"]["water.cells"] == 14 * 14


@pytest.mark.parametrize("dry", [True, False])
@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: None, "no such file"),
        (lambda p: p.write_text("x"), "is no GeoPackage, whatever its name says"),
        (lambda p: write(p, [shapely.Point(3, 4)]), "polygons are wanted, but feature 1 is a Point"),
        (
            lambda p: write(p, [shapely.Polygon([(0, 0), (9, 9), (9, 0), (0, 9)])]),
            "crosses itself: feature 1",
        ),
    ],
)
def test_a_file_that_cant_be_used_is_one_line_before_any_work(
    clouds, run, pipeline_file, tmp_path, make, says, dry
):
    cloud = clouds.write()
    make(tmp_path / "water.gpkg")
    with pytest.raises(UsageError, match=f"water_points: 'water': .*{says}") as caught:
        run(cloud, pipeline=pipeline_file(PIPELINE.format(water="water.gpkg")), dry_run=dry)
    assert caught.value.exit_code == EXIT_USAGE
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "out").exists()


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_a_file_without_system_beside_clouds_with_one_is_refused(clouds, run, pipeline_file, tmp_path):
    cloud = clouds.write()
    write(tmp_path / "water.gpkg", [POND], epsg=None)
    with pytest.raises(UsageError, match="states no reference system, while the clouds have one"):
        run(cloud, pipeline=pipeline_file(PIPELINE.format(water="water.gpkg")))


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_without_any_system_they_are_taken_as_they_are_and_that_is_said(clouds, run, pipeline_file, tmp_path):
    cloud = clouds.write(epsg=None)
    write(tmp_path / "water.gpkg", [POND], epsg=None)
    outcome, _ = run(cloud, pipeline=pipeline_file(PIPELINE.format(water="water.gpkg")))
    assert outcome.record["figures"]["water.cells"] == 14 * 14
    assert any("neither it nor the clouds state a reference system" in a for a in outcome.record["assumed"])


def test_a_layer_that_does_not_touch_the_site_is_warned_about(clouds, run, pipeline_file, tmp_path):
    cloud = clouds.write()
    write(tmp_path / "water.gpkg", [shapely.box(5060, 0, 5090, 30)])
    outcome, _ = run(cloud, pipeline=pipeline_file(PIPELINE.format(water="water.gpkg")))
    assert outcome.exit_code == 0
    assert outcome.record["given"][0]["features_on_site"] == 0
    said = [w for w in outcome.record["warnings"] if "touches the site" in w]
    assert "the nearest of 1 lies 5.0 km away" in said[0]


def test_the_file_is_not_changed_and_the_record_tells_of_none_without_one(
    clouds, run, pipeline_file, tmp_path
):
    cloud = clouds.write()
    path = write(tmp_path / "water.gpkg", [POND])
    before = path.read_bytes()
    run(cloud, pipeline=pipeline_file(PIPELINE.format(water="water.gpkg")))
    assert path.read_bytes() == before
    outcome, _ = run(cloud, out="plain")
    assert outcome.record["given"] == []


@pytest.mark.parametrize(
    "how", [{"block_points": 700}, {"engine": "dask", "workers": 2, "block_points": 700}]
)
def test_points_in_files_and_workers_elsewhere_give_the_same_bits(clouds, run, pipeline_file, tmp_path, how):
    cloud = clouds.write()
    write(tmp_path / "water.gpkg", [POND, shapely.box(-5, 44, 65, 49)])
    text = PIPELINE.format(water="water.gpkg").replace("pond_area: 50", "pond_area: 50\n    river_width: 2")
    pipeline = pipeline_file(text)
    first, here = run(cloud, pipeline=pipeline, out="here")
    second, there = run(cloud, pipeline=pipeline, out="there", **how)
    assert first.record["figures"] == second.record["figures"]
    assert first.record["figures"]["water.rivers"] == 1
    assert second.record["blocks"] > 1
    for name in ("clouds/flight.laz", "terrain/dtm.tif", "terrain/dtm_source.tif", "terrain/layers.gpkg"):
        assert (here / name).read_bytes() == (there / name).read_bytes(), name
