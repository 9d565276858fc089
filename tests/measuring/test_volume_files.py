"""Volumes as tables and layers."""

import csv
import hashlib
import json
import math

import numpy as np
import pyogrio
import pytest
import shapely
from measured_bodies import EAST, NORTH, cone, surface, write_areas, write_raster
from typer.testing import CliRunner

from cloudprep.cli.main import app

CONE = math.pi * 81 * 4 / 3


def run(*arguments):
    return CliRunner().invoke(app, ["volume", *map(str, arguments)])


@pytest.fixture
def site(tmp_path):
    dtm = write_raster(tmp_path / "dtm.tif", surface(lambda x, y: 100 + cone(9, 4)(x, y), 40, 0.25), 0.25)
    shapes = [shapely.Point(20.2, 19.7).buffer(10), shapely.box(1, 1, 6, 6)]
    over = write_areas(tmp_path / "piles.gpkg", shapes, name=["gravel", "none"], density=[1.6, math.nan])
    return dtm, over, tmp_path


def test_volume_table_has_units_in_its_names(site):
    dtm, over, folder = site
    out = folder / "new" / "volumes.csv"
    found = run(dtm, "--over", over, "--base", "level:100", "--random-error", "0.02", "--out", out, "--json")
    assert found.exit_code == 0, found.output
    told = json.loads(found.stdout)["volumes"]
    with out.open() as file:
        rows = list(csv.DictReader(file))
    assert [r["name"] for r in rows] == ["gravel", "none"]
    gravel, none = rows
    assert float(gravel["net_m3"]) == pytest.approx(CONE, rel=1e-3)
    assert float(gravel["mass_t"]) == pytest.approx(1.6 * CONE, rel=1e-3)
    assert float(gravel["mean_m"]) == pytest.approx(CONE / (math.pi * 100), rel=5e-3)
    assert float(gravel["interval_95_m3"]) == pytest.approx(told[0]["interval_95"], abs=1e-4)
    assert none["mass_t"] == none["density_t_m3"] == ""
    assert gravel["base"] == "level at 100"
    assert [p.name for p in out.parent.iterdir()] == ["volumes.csv"]


def test_volume_layer_has_the_areas_with_their_figures(site):
    """Outside check: pyogrio (GDAL) reads it."""
    dtm, over, folder = site
    out = folder / "volumes.gpkg"
    assert run(dtm, "--over", over, "--base", "level:100", "--out", out).exit_code == 0
    meta, _, wkb, fields = pyogrio.raw.read(out)
    values = dict(zip(meta["fields"], fields, strict=True))
    assert pyogrio.list_layers(out)[0][0] == "volumes"
    assert values["name"].tolist() == ["gravel", "none"]
    assert values["net_m3"][0] == pytest.approx(CONE, rel=1e-3)
    assert np.isnan(values["interval_95_m3"]).all()  # no errors are known
    shapes = shapely.from_wkb(wkb)
    assert shapely.area(shapes)[1] == pytest.approx(25)
    assert shapely.bounds(shapes)[1].tolist() == pytest.approx([EAST + 1, NORTH + 1, EAST + 6, NORTH + 6])
    assert "25832" in meta["crs"]


def test_volume_files_are_never_written_over_an_input_or_by_halves(site, monkeypatch):
    dtm, over, folder = site
    sums = {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in (dtm, over)}
    (folder / "twin.gpkg").hardlink_to(over)
    for out, words in (
        (over, "inputs are never changed"),
        (folder / "twin.gpkg", "inputs are never changed"),
        (folder / "volumes.xlsx", "ends in .csv or .gpkg"),
        (dtm, "ends in .csv or .gpkg"),
    ):
        found = run(dtm, "--over", over, "--base", "level:100", "--out", out)
        assert found.exit_code in (1, 2)
        assert words in found.stderr
        assert len(found.stderr.strip().splitlines()) == 1
    assert sums == {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in sums}
    out = folder / "volumes.csv"
    out.write_text("as it was")
    assert run(dtm, "--over", folder / "missing.gpkg", "--out", out).exit_code != 0
    assert out.read_text() == "as it was"

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("cloudprep.io.atomic.os.replace", full)
    found = run(dtm, "--over", over, "--base", "level:100", "--out", out)
    assert found.exit_code == 1
    assert out.read_text() == "as it was"
    assert not [p for p in folder.iterdir() if p.name.startswith(".part-")]


def test_volume_between_dates_that_do_not_overlap_is_one_line(site):
    dtm, over, folder = site
    z = surface(lambda x, y: 100 + 0 * x, 40)
    far = write_raster(folder / "far.tif", z, corner=(EAST + 400, NORTH))
    hole = write_raster(folder / "hole.tif", np.full((40, 40), np.nan))
    for base, words in ((far, "far.tif: doesn't overlap dtm.tif"), (hole, "where hole.tif has one too")):
        found = run(dtm, "--over", over, "--base", base)
        assert found.exit_code == 1
        assert words in found.stderr
        assert len(found.stderr.strip().splitlines()) == 1


def test_volume_between_terrains_needs_the_errors_of_both(site):
    """Two terrains of the same cells: variances add up; where one's aren't known there is no interval."""
    dtm, _, folder = site
    ground = write_raster(folder / "ground.tif", surface(lambda x, y: 100 + 0 * x, 40, 0.25), 0.25)
    square = write_areas(folder / "square.gpkg", [shapely.box(10, 10, 30, 30)], name=["a"])
    write_raster(folder / "dtm_standard_error.tif", np.full((160, 160), 0.03), 0.25)
    found = run(dtm, "--over", square, "--base", ground)
    assert "ground.tif has no raster of standard errors" in found.stdout
    write_raster(folder / "ground_standard_error.tif", np.full((160, 160), 0.04), 0.25)
    told = json.loads(run(dtm, "--over", square, "--base", ground, "--json").stdout)["volumes"][0]
    # sqrt(n) L2 s, s the root of 0.03^2 + 0.04^2.
    assert told["interval_95"] == pytest.approx(1.96 * 80 * 0.0625 * 0.05, rel=1e-6)
    # Cells finer than points share these: 1 point in 16 cells.
    write_raster(folder / "ground_density.tif", np.full((160, 160), 1.0), 0.25)
    wider = json.loads(run(dtm, "--over", square, "--base", ground, "--json").stdout)["volumes"][0]
    assert 4 < wider["interval_95"] / told["interval_95"] < 6
