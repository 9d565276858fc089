"""Change between two dates whose truth is known."""

import csv
import json
import math

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from measured_bodies import EAST, NORTH, cone, surface, write_areas, write_raster
from rio_cogeo import cog_validate
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.kernels.variogram import SphericalModel, fitted_variogram

PILE = shapely.Point(28, 28).buffer(11)
PIT = shapely.Point(70, 66).buffer(11)
STABLE = shapely.box(2, 70, 40, 98)
SIDE = 100.0


def ground(x, y):
    return 100 + 0.04 * x + 0.5 * np.sin(y / 20)


def later(x, y):
    """A heap of 9 m radius and 4 m height has come, a pit of 9 m radius and 3 m depth is dug."""
    return ground(x, y) + cone(9, 4, (28, 28))(x, y) - cone(9, 3, (70, 66))(x, y)


HEAP = math.pi * 81 * 4 / 3
HOLE = math.pi * 81 * 3 / 3


@pytest.fixture
def dates(tmp_path):
    before = write_raster(tmp_path / "before.tif", surface(ground, SIDE, 0.5), 0.5)
    after = write_raster(tmp_path / "after.tif", surface(later, SIDE, 0.5), 0.5)
    over = write_areas(tmp_path / "over.gpkg", [PILE, PIT], name=["heap", "pit"])
    return before, after, over


def run(*arguments):
    return CliRunner().invoke(app, ["change", *map(str, arguments)])


def machine(*arguments):
    found = run(*arguments, "--json")
    assert found.exit_code == 0, found.output
    return json.loads(found.stdout)


def test_change_finds_what_came_and_what_went(dates):
    before, after, over = dates
    report = machine(before, after, "--over", over, "--min-change", "0.05")
    heap, pit = report["areas"]
    assert heap["net"] == pytest.approx(HEAP, rel=2e-3)
    assert pit["net"] == pytest.approx(-HOLE, rel=2e-3)
    assert heap["lowered"] == pytest.approx(0, abs=1e-6)
    assert heap["raised_sure"] == pytest.approx(HEAP, rel=5e-3)
    assert heap["raised_sure"] < heap["raised"]
    assert heap["interval_95"] is None  # nothing is known of errors


def test_change_levels_of_detection_are_brasington_s(dates, tmp_path):
    """Brasington 2003, Wheaton 2010: sqrt(0.10^2 + 0.10^2) x 1.96 = 0.2772 m; 0.05 and 0.10 give 0.2191 m."""
    before, after, _ = dates
    for sigmas, limit in (((0.10, 0.10), 0.2772), ((0.05, 0.10), 0.2191)):
        for path, sigma in zip((before, after), sigmas, strict=True):
            write_raster(path.with_name(f"{path.stem}_standard_error.tif"), np.full((200, 200), sigma), 0.5)
        machine(before, after, "--out", tmp_path / "out")
        with (
            rasterio.open(tmp_path / "out" / "difference.tif") as d,
            rasterio.open(tmp_path / "out" / "significance.tif") as s,
        ):
            difference, code = d.read(1), s.read(1)
        sure = np.abs(difference)[code != 2]
        assert sure.min() == pytest.approx(limit, abs=0.02)
        assert sure.min() >= limit - 1e-4
        assert np.abs(difference)[code == 2].max() <= limit + 1e-4


def test_change_leaves_files_that_can_be_delivered(dates, tmp_path):
    before, after, over = dates
    out = tmp_path / "out"
    found = run(before, after, "--over", over, "--min-change", "0.1", "--out", out)
    assert found.exit_code == 0, found.output
    assert sorted(p.name for p in out.iterdir()) == [
        "change.csv", "change.gpkg", "change.png", "difference.tif", "significance.tif",
    ]  # fmt: skip
    for name in ("difference.tif", "significance.tif"):
        assert cog_validate(out / name)[0]
    with rasterio.open(out / "significance.tif") as file:
        assert file.tags(1)["CODE_1"] == "lowered"
        assert set(np.unique(file.read(1))) == {1, 2, 3}
        assert file.bounds == (EAST, NORTH, EAST + SIDE, NORTH + SIDE)
    with (out / "change.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [r["name"] for r in rows] == ["heap", "pit"]
    assert float(rows[0]["net_m3"]) == pytest.approx(HEAP, rel=2e-3)
    meta, _, wkb, fields = pyogrio.raw.read(out / "change.gpkg")
    assert dict(zip(meta["fields"], fields, strict=True))["net_m3"][1] == pytest.approx(-HOLE, rel=2e-3)
    assert shapely.area(shapely.from_wkb(wkb))[0] == pytest.approx(PILE.area, rel=1e-6)


def test_change_on_other_cells_is_said(dates, tmp_path):
    before, _, over = dates
    corner = (EAST - 1.3, NORTH - 0.7)
    c = (np.arange(260) + 0.5) * 0.4
    x, y = np.meshgrid(c - 1.3, c - 0.7)
    after = write_raster(tmp_path / "shifted.tif", later(x, y), 0.4, corner=corner)
    found = run(before, after, "--over", over, "--min-change", "0.05")
    assert "read between its cell centres" in found.stderr
    report = machine(before, after, "--over", over, "--min-change", "0.05")
    assert report["areas"][0]["net"] == pytest.approx(HEAP, rel=4e-3)


def test_change_whole_overlap_where_no_areas_are_given(dates):
    before, after, _ = dates
    report = machine(before, after, "--min-change", "0.05")
    assert report["areas"][0]["net"] == pytest.approx(HEAP - HOLE, abs=3)
    assert report["overlap"] == pytest.approx(SIDE**2)


# -- errors --------------------------------------------------------------------------------------------------


def shared_noise(rng, n, cell, deviation, reach):
    """Noise that neighbours share: white noise summed over a ball of space has this covariance.

    A spherical variogram is the overlap of two balls (Matheron); here a section through such a field.
    """
    radius = reach / 2 / cell
    k = math.ceil(radius)
    total = np.zeros((n, n))
    for dz in range(-k, k + 1):
        across = math.sqrt(max(radius**2 - dz**2, 0))
        if across == 0:
            continue
        white = rng.normal(0, 1, (n + 2 * k, n + 2 * k))
        c = np.arange(-k, k + 1)
        disk = (c[:, None] ** 2 + c[None, :] ** 2 <= across**2).astype(float)
        shape = np.fft.irfft2(np.fft.rfft2(white) * np.fft.rfft2(disk, white.shape), white.shape)
        total += shape[2 * k :, 2 * k :]
    count = sum(
        float((np.add.outer(np.arange(-k, k + 1) ** 2, np.arange(-k, k + 1) ** 2) <= radius**2 - dz**2).sum())
        for dz in range(-k, k + 1)
    )
    return deviation * total / math.sqrt(count)


def test_variogram_finds_what_was_put_in():
    rng = np.random.default_rng(3)
    sills, reaches, nuggets = [], [], []
    for _ in range(12):
        field = shared_noise(rng, 120, 1.0, 0.05, 12.0) + rng.normal(0, 0.03, (120, 120))
        pick = rng.permutation(120 * 120)[:2500]
        model = fitted_variogram(pick % 120 * 1.0, pick // 120 * 1.0, field.ravel()[pick], 60.0)
        sills.append(model.sill)
        reaches.append(model.reach)
        nuggets.append(model.nugget)
    assert np.median(sills) == pytest.approx(0.05**2, rel=0.2)
    assert np.median(nuggets) == pytest.approx(0.03**2, rel=0.25)
    assert np.median(reaches) == pytest.approx(12.0, rel=0.25)


def test_variogram_of_few_places_is_all_nugget():
    values = np.random.default_rng(0).normal(0, 1, 9)
    assert fitted_variogram(np.arange(9.0), np.zeros(9), values, 5.0).sill == 0
    assert SphericalModel(1.0, 2.0, 5.0).at(np.array([0.0, 5.0, 50.0])).tolist() == [1.0, 3.0, 3.0]


def test_change_bias_over_stable_ground_is_told_and_taken_off(dates, tmp_path):
    before, _, over = dates
    rng = np.random.default_rng(1)
    noisy = surface(later, SIDE, 0.5) + 0.07 + rng.normal(0, 0.02, (200, 200))
    after = write_raster(tmp_path / "noisy.tif", noisy, 0.5)
    stable = write_areas(tmp_path / "stable.gpkg", [STABLE])
    told = machine(before, after, "--over", over, "--stable", stable)
    assert told["stable"]["bias"] == pytest.approx(0.07, abs=0.003)
    assert "--shift takes it off" in told["warnings"][0]
    # The bias counts as systematic: the interval holds the truth.
    assert abs(told["areas"][0]["net"] - HEAP) < told["areas"][0]["interval_95"]
    shifted = machine(before, after, "--over", over, "--stable", stable, "--shift")
    assert shifted["shift"] == pytest.approx(0.07, abs=0.003)
    assert shifted["areas"][0]["net"] == pytest.approx(HEAP, abs=3)
    assert shifted["areas"][0]["interval_95"] < told["areas"][0]["interval_95"] / 3


def test_change_on_other_cells_counts_the_error_of_reading_between_them(tmp_path):
    """A bowl of z = (x2 + y2) / 40, half a cell off: between centres of 1 m it is read 1/80 m too high.

    Second differences are 1/20 m a cell; t (1 - t) / 2 is 1/8 in either direction: 2 / 8 / 20 = 0.0125 m.
    """

    def bowl(x, y):
        return 100 + ((x - 30) ** 2 + (y - 30) ** 2) / 40

    before = write_raster(tmp_path / "a.tif", surface(bowl, 60))
    c = np.arange(62) - 0.5
    x, y = np.meshgrid(c, c)
    after = write_raster(tmp_path / "b.tif", bowl(x, y), corner=(EAST - 1, NORTH - 1))
    over = write_areas(tmp_path / "over.gpkg", [shapely.box(10, 10, 50, 50)], name=["middle"])
    same = machine(before, after, "--over", over, "--random-error", "0.001")["areas"][0]
    assert same["error"]["resampling"] == 0
    x, y = x + 0.5, y + 0.5
    off = write_raster(tmp_path / "c.tif", bowl(x, y), corner=(EAST - 0.5, NORTH - 0.5))
    found = machine(before, off, "--over", over, "--random-error", "0.001")["areas"][0]
    assert found["net"] == pytest.approx(1600 * 0.0125, rel=1e-6)
    assert found["error"]["resampling"] == pytest.approx(1600 * 0.0125, rel=1e-6)
    assert found["net"] < found["interval_95"]
    # So little isn't significant where it may come from reading between the cells.
    assert found["sure_share"] == 0


def test_change_over_an_input_is_refused(dates, tmp_path):
    before, after, _ = dates
    before.rename(tmp_path / "difference.tif")
    found = run(tmp_path / "difference.tif", after, "--min-change", "0.1", "--out", tmp_path)
    assert found.exit_code == 1
    assert "difference.tif: is an input; inputs are never changed" in found.stderr


# -- bad input -----------------------------------------------------------------------------------------------


def test_change_says_what_is_missing(dates, tmp_path):
    before, after, _ = dates
    cases = {
        "--min-change METRES": (before, after),
        "give auto, or metres": (before, after, "--min-change", "much"),
        "goes with --stable": (before, after, "--min-change", "0.1", "--shift"),
    }
    far = write_raster(tmp_path / "far.tif", np.zeros((9, 9)), corner=(EAST + 5000, NORTH))
    cases["doesn't overlap"] = (before, far, "--min-change", "0.1")
    other = write_raster(tmp_path / "other.tif", np.zeros((9, 9)), crs="EPSG:25833")
    cases["bring them together"] = (before, other, "--min-change", "0.1")
    for words, arguments in cases.items():
        found = run(*arguments)
        assert found.exit_code in (1, 2), words
        assert words in found.stderr
        assert "Traceback" not in found.stderr
