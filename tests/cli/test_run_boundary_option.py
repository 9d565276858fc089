"""``cloudprep run --boundary``: what it says on the screen."""

import json

import laspy
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.testing import example_cloud

PIPELINE = (
    "cloudprep: 1\nstages:\n- stage: terrain_grid\n  cell: 1\noutput: {tiles: {size: 20}, stac_item: true}\n"
)


@pytest.fixture
def given(tmp_path):
    columns, header = example_cloud(), laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, 0.001), np.array([412_000.0, 5_654_000.0, 0.0])
    header.add_crs(CRS.from_epsg(32632))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = columns["x"] + 412_000, columns["y"] + 5_654_000, columns["z"]
    cloud.classification = columns["classification"]
    flight = tmp_path / "flight.laz"
    cloud.write(flight)
    polygon = shapely.box(412_010, 5_654_010, 412_050, 5_654_050)
    pyogrio.raw.write(
        tmp_path / "site.geojson",
        shapely.to_wkb(np.array([polygon], object)),
        [],
        np.array([], object),
        driver="GeoJSON",
        geometry_type="Polygon",
        crs="EPSG:32632",
    )
    (tmp_path / "p.yaml").write_text(PIPELINE)
    return tmp_path, ["run", str(tmp_path / "p.yaml"), str(flight), "--out", str(tmp_path / "out")]


def test_the_outcome_tells_what_was_left_out(given):
    folder, command = given
    done = CliRunner().invoke(app, [*command, "--boundary", str(folder / "site.geojson")])
    assert done.exit_code == 0, done.output
    left = json.loads((folder / "out" / "run.json").read_text())["boundary"]["outside_points"]
    assert left > 500
    assert f"{left:,} points outside the boundary are left out of the clouds" in done.stdout


def test_a_dry_run_tells_the_boundary_and_the_names_and_writes_nothing(given):
    folder, command = given
    done = CliRunner().invoke(app, [*command, "--boundary", str(folder / "site.geojson"), "--dry-run"])
    assert done.exit_code == 0, done.output
    assert "1,600 m2, and 100 m around it are used" in " ".join(done.stdout.split())
    assert "dtm_{east}_{north}.tif" in done.stdout
    assert "item.json" in done.stdout
    assert not (folder / "out").exists()


def test_a_wrong_boundary_is_one_line_and_exit_code_two(given):
    folder, command = given
    done = CliRunner().invoke(app, [*command, "--boundary", str(folder / "nowhere.gpkg")])
    assert done.exit_code == 2
    assert "boundary:" in done.stderr
    assert "no such file" in done.stderr
    assert "Traceback" not in done.output
    assert not (folder / "out").exists()


def test_the_help_explains_it():
    done = CliRunner().invoke(app, ["run", "--help"], env={"COLUMNS": "200", "TERM": "dumb"})
    assert "--boundary" in done.stdout
    assert "used for nothing" in " ".join(done.stdout.split())
