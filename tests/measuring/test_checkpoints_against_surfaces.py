"""Checkpoints against rasters and clouds whose heights are known."""

import json

import laspy
import numpy as np
import pytest
import rasterio
from pyproj import Transformer
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.measuring.checkpoints import check_points
from cloudprep.measuring.surfaces import EMPTY, FOUND, OUTSIDE, open_surface

EAST, NORTH = 412_000.0, 5_654_000.0
FOOT = 0.3048


def plane(x, y):
    return 100 + 0.1 * (x - EAST) - 0.2 * (y - NORTH)


def raster(tmp_path, crs="EPSG:25832", unit=1.0, up=1.0, band_unit=None, hole=True):
    """Write a plane, 40 x 30 cells of 1 m, in any units, with a hole around (20, 15)."""
    row, column = np.mgrid[:30, :40]
    z = plane(EAST + column + 0.5, NORTH + 29.5 - row)
    if hole:
        z[12:17, 18:23] = -9999 * up
    path = tmp_path / "dtm.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=40, height=30, count=1, dtype="float64", nodata=-9999, crs=crs,
        transform=rasterio.Affine(1 / unit, 0, EAST / unit, 0, -1 / unit, (NORTH + 30) / unit),
    ) as file:  # fmt: skip
        file.write(z / up, 1)
        if band_unit:
            file.units = (band_unit,)
    return path


def table(tmp_path, rows, head="name,easting,northing,height"):
    path = tmp_path / "points.csv"
    path.write_text("\n".join([head, *(",".join(str(v) for v in row) for row in rows)]) + "\n")
    return path


def places(n=20, seed=3):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(1, 39, n), rng.uniform(1, 29, n)
    keep = (abs(x - 20.5) > 4) | (abs(y - 15.5) > 4)
    return EAST + x[keep], NORTH + y[keep]


def test_checkpoints_on_a_plane_find_what_was_put_in(tmp_path):
    x, y = places()
    off = np.random.default_rng(1).normal(0.01, 0.03, len(x))
    rows = [(f"P{i}", x[i], y[i], plane(x[i], y[i]) - off[i]) for i in range(len(x))]
    report = check_points(raster(tmp_path), table(tmp_path, rows), survey_error=0.02)
    assert report.open_ground.count == len(x)
    assert report.open_ground.rmse == pytest.approx(np.sqrt(np.mean(off**2)), abs=1e-9)
    assert report.open_ground.mean == pytest.approx(off.mean(), abs=1e-9)
    assert report.worst()[0].residual == pytest.approx(off[np.argmax(abs(off))], abs=1e-9)
    assert "tested; vertical" not in report.statements[0]  # there are fewer than thirty
    assert f"{len(x)} of the 30" in report.statements[0]


def test_checkpoints_that_lie_off_or_on_gaps_or_twice_are_told(tmp_path):
    rows = [
        ("A", EAST + 5, NORTH + 5, 100),
        ("B", EAST - 5, NORTH + 5, 100),
        ("C", EAST + 20.5, NORTH + 15.5, 100),
        ("D", EAST + 5, NORTH + 5, 100),
        ("E", EAST + 5, NORTH + 5, 100.5),
        ("A", EAST + 7, NORTH + 5, 100),
        ("F", "x", NORTH, 1),
    ]
    report = check_points(raster(tmp_path), table(tmp_path, rows))
    left_out = {p.line: p.left_out for p in report.points if p.left_out}
    assert left_out == {
        3: "outside the product",
        4: "the product has no height there",
        5: "repeats line 2",
    }
    assert report.skipped == ((8, "its easting 'x' is no number"),)
    assert any("same name 'A'" in note for note in report.warnings)
    assert any("different heights" in note for note in report.warnings)


def test_checkpoints_with_thirty_points_are_tested(tmp_path):
    x, y = places(60)
    rows = [(i, x[i], y[i], plane(x[i], y[i]) - 0.03 * (-1) ** i) for i in range(len(x))]
    report = check_points(raster(tmp_path), table(tmp_path, rows), survey_error=0.02)
    assert report.open_ground.count >= 30
    assert "tested; vertical RMSE over non-vegetated ground 3.6 cm" in report.statements[0]


def test_checkpoints_land_cover_parts_open_from_vegetated(tmp_path):
    x, y = places()
    rows = [
        (i, x[i], y[i], plane(x[i], y[i]) - (0.2 if i % 2 else 0.02), "Forest" if i % 2 else "open, bare")
        for i in range(len(x))
    ]
    points = table(tmp_path, rows, "id,E,N,Z,cover")
    report = check_points(raster(tmp_path), points, land_cover="cover")
    assert report.open_ground.rmse == pytest.approx(0.02, abs=1e-9)
    assert report.vegetated.percentile_95 == pytest.approx(0.2, abs=1e-9)
    assert "without pass or fail" in report.statements[1]
    with pytest.raises(UsageError, match="no column is called 'covr'"):
        check_points(raster(tmp_path), points, land_cover="covr")
    strange = table(tmp_path, [(1, x[0], y[0], 1, "moss")], "id,E,N,Z,cover")
    with pytest.raises(UsageError, match="'moss' may be vegetated"):
        check_points(raster(tmp_path), strange, land_cover="cover")
    assert (
        check_points(raster(tmp_path), strange, land_cover="cover", vegetated=["Moss"]).vegetated.count == 1
    )


def test_checkpoints_in_another_system_and_unit(tmp_path):
    """Outside check: pyproj moves the points to UTM 33 and back."""
    x, y = places(8)
    there = Transformer.from_crs(25832, 25833, always_xy=True).transform(x, y)
    rows = [(i, *p) for i, p in enumerate(zip(*there, plane(x, y) / FOOT, strict=True))]
    report = check_points(
        raster(tmp_path), table(tmp_path, rows), points_crs="EPSG:25833", points_unit="foot"
    )
    assert report.open_ground.count == len(x)
    assert abs(report.open_ground.highest) < 1e-4


def test_checkpoints_in_degrees_by_their_headings(tmp_path):
    """Outside check: pyproj turns the points into degrees. A column of the plan goes first."""
    x, y = places(8)
    lon, lat = Transformer.from_crs(25832, 4326, always_xy=True).transform(x, y)
    path = tmp_path / "degrees.csv"
    rows = [f"{a:.10f},{o:.10f},{z:.4f}" for a, o, z in zip(lat, lon, plane(x, y) - 0.1, strict=True)]
    path.write_text("\n".join(["lat,lon,height", *rows]), encoding="utf-8")
    report = check_points(raster(tmp_path), path, points_crs="EPSG:4326")
    assert report.open_ground.count == len(x)
    assert report.open_ground.mean == pytest.approx(0.1, abs=1e-4)
    both = [f"{row},{e:.3f},{n:.3f}" for row, e, n in zip(rows, x, y, strict=True)]
    path.write_text("\n".join(["lat,lon,height,e,n", *both]), encoding="utf-8")
    assert check_points(raster(tmp_path), path).open_ground.mean == pytest.approx(0.1, abs=1e-3)


def test_checkpoints_from_a_system_in_feet_say_what_heights_are_taken_for(tmp_path):
    """EPSG:2225 is in US survey feet, so that heights without a word are taken to be, and it is said."""
    x, y = places(8)
    path = raster(tmp_path, crs="EPSG:26910", band_unit="metre")
    there = Transformer.from_crs(26910, 2225, always_xy=True).transform(x, y)
    rows = [(i, *p) for i, p in enumerate(zip(*there, plane(x, y) / (1200 / 3937), strict=True))]
    report = check_points(path, table(tmp_path, rows), points_crs="EPSG:2225")
    assert abs(report.open_ground.mean) < 1e-4
    assert any("heights of the points are in US survey foot" in line for line in report.assumed)
    rows = [(i, *p) for i, p in enumerate(zip(*there, plane(x, y), strict=True))]
    report = check_points(path, table(tmp_path, rows), points_crs="EPSG:2225", points_unit="metre")
    assert abs(report.open_ground.mean) < 1e-4
    assert not any("heights of the points" in line for line in report.assumed)


def test_checkpoints_on_a_raster_in_feet(tmp_path):
    x, y = places(8)
    path = raster(tmp_path, crs="EPSG:2225", unit=1200 / 3937, up=1200 / 3937)
    us = 1200 / 3937
    rows = [(i, x[i] / us, y[i] / us, plane(x[i], y[i]) / us - 0.1) for i in range(len(x))]
    report = check_points(path, table(tmp_path, rows))
    assert report.open_ground.mean == pytest.approx(0.1 * us, abs=1e-6)
    assert report.unit == "US survey foot"
    metres = raster(tmp_path, crs="EPSG:2225", unit=us, up=1.0, band_unit="metre")
    rows = [(i, x[i] / us, y[i] / us, plane(x[i], y[i]) - 0.1) for i in range(len(x))]
    assert check_points(metres, table(tmp_path, rows)).open_ground.mean == pytest.approx(0.1, abs=1e-6)


def test_checkpoints_in_another_vertical_datum_are_refused(tmp_path):
    path = raster(tmp_path, crs="EPSG:25832+7837")
    points = table(tmp_path, [("A", EAST + 5, NORTH + 5, 100)])
    with pytest.raises(CrsError, match="vertical datum"):
        check_points(path, points, points_crs="EPSG:25832+5773")


def test_checkpoints_with_swapped_columns_say_so(tmp_path):
    points = table(tmp_path, [("A", NORTH + 5, EAST + 5, 100)])
    with pytest.raises(BadInputError, match="swapped"):
        check_points(raster(tmp_path), points)


def test_checkpoints_point_at_a_bias(tmp_path):
    x, y = places()
    rows = [(i, x[i], y[i], plane(x[i], y[i]) + 0.5 + 0.01 * (-1) ** i) for i in range(len(x))]
    assert "bias" in check_points(raster(tmp_path), table(tmp_path, rows)).warnings[0]


def test_raster_surface_is_bilinear_and_needs_all_four_cells(tmp_path):
    """Outside check: scipy's RegularGridInterpolator between the same centres."""
    from scipy.interpolate import RegularGridInterpolator

    path = raster(tmp_path)
    with rasterio.open(path) as file:
        z = file.read(1, masked=True).filled(np.nan)[::-1]
    x, y = np.random.default_rng(0).uniform([EAST - 2, NORTH - 2], [EAST + 42, NORTH + 32], (300, 2)).T
    found = open_surface(path).at(x, y)
    centres = NORTH + np.arange(30) + 0.5, EAST + np.arange(40) + 0.5
    theirs = RegularGridInterpolator(centres, z, bounds_error=False)(np.c_[y, x])
    np.testing.assert_allclose(found.heights, theirs, rtol=1e-12)
    inside = (x >= EAST) & (x <= EAST + 40) & (y >= NORTH) & (y <= NORTH + 30)
    assert (found.state[~inside] == OUTSIDE).all()
    assert set(found.state[inside]) == {EMPTY, FOUND}


def cloud(tmp_path, n=4000, seed=2):
    rng = np.random.default_rng(seed)
    x, y = EAST + rng.uniform(0, 40, n), NORTH + rng.uniform(0, 30, n)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = [EAST, NORTH, 0], [0.001] * 3
    las = laspy.LasData(header)
    las.x, las.y, las.z = x, y, plane(x, y) + np.sin(x / 3)
    las.classification = np.where(np.arange(n) % 4 == 0, 5, 2)
    las.z[las.classification == 5] += 8
    path = tmp_path / "cloud.laz"
    las.write(path)
    return path, las


def test_cloud_surface_is_the_triangles_of_its_ground(tmp_path):
    """Outside check: scipy's LinearNDInterpolator on the same ground points."""
    from scipy.interpolate import LinearNDInterpolator

    path, las = cloud(tmp_path)
    ground = np.asarray(las.classification) == 2
    gx, gy, gz = (np.asarray(v)[ground] for v in (las.x, las.y, las.z))
    x, y = np.random.default_rng(5).uniform([EAST + 3, NORTH + 3], [EAST + 37, NORTH + 27], (60, 2)).T
    found = open_surface(path).at(x, y)
    theirs = LinearNDInterpolator(np.c_[gx - EAST, gy - NORTH], gz)(x - EAST, y - NORTH)
    assert (found.state == FOUND).all()
    np.testing.assert_allclose(found.heights, theirs, atol=2e-3)  # positions count in whole millimetres


def test_cloud_without_ground_has_no_heights(tmp_path):
    path, las = cloud(tmp_path)
    las.classification[:] = 1
    las.write(path)
    points = table(tmp_path, [("A", EAST + 5, NORTH + 5, 100)])
    with pytest.raises(BadInputError, match="a height"):
        check_points(path, points)


@pytest.mark.parametrize(("content", "words"), [(b"nothing of the kind", "is no GeoTIFF"), (b"", "is empty")])
def test_rasters_that_are_none(tmp_path, content, words):
    path = tmp_path / "dtm.tif"
    path.write_bytes(content)
    with pytest.raises(BadInputError, match=words):
        open_surface(path)


def test_rasters_in_degrees_or_turned_are_refused(tmp_path):
    with pytest.raises(BadInputError, match="degrees"):
        open_surface(raster(tmp_path, crs="EPSG:4326"))
    path = tmp_path / "south_up.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=4, height=4, count=1, dtype="float32", crs="EPSG:25832",
        transform=rasterio.Affine(1, 0, EAST, 0, 1, NORTH),
    ) as file:  # fmt: skip
        file.write(np.zeros((1, 4, 4), "float32"))
    with pytest.raises(BadInputError, match="north up"):
        open_surface(path)


def test_checkpoints_command(tmp_path):
    x, y = places()
    rows = [(f"P{i}", x[i], y[i], plane(x[i], y[i]) - 0.03 * (-1) ** i) for i in range(len(x))]
    arguments = ["checkpoints", str(raster(tmp_path)), str(table(tmp_path, rows)), "--survey-error", "0.02"]
    shown = CliRunner().invoke(app, arguments)
    assert shown.exit_code == 0
    assert "RMSE" in shown.stdout
    assert "licensed practice" in shown.stdout
    machine = json.loads(CliRunner().invoke(app, [*arguments, "--json"]).stdout)
    assert machine["open_ground"]["rmse"] == pytest.approx(0.03, abs=1e-6)
    assert machine["rmse_with_survey"] == pytest.approx(0.036056, abs=1e-6)
    missing = CliRunner().invoke(app, ["checkpoints", str(tmp_path / "no.tif"), str(tmp_path / "points.csv")])
    assert missing.exit_code == 1
