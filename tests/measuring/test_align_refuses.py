"""What can't be told is refused: one line, an exit code, nothing written."""

import sys

import numpy as np
import pytest
import shapely
from aligned_clouds import Known, hills, level, scattered, write_cloud
from measured_bodies import surface, write_areas, write_raster
from typer.testing import CliRunner

from cloudprep.cli.main import app


def refused(code, *arguments):
    found = CliRunner().invoke(app, ["align", *map(str, arguments)])
    assert found.exit_code == code, found.output
    lines = [line for line in found.stderr.splitlines() if not line.startswith("cloudprep: assumed")]
    assert len(lines) == 1, found.output
    assert found.stdout == ""
    return lines[0]


@pytest.fixture
def earlier(tmp_path):
    return write_cloud(tmp_path / "earlier.las", scattered(hills, seed=1))


def later(tmp_path, points, name="later.las", **how):
    return write_cloud(tmp_path / name, points, **how)


@pytest.mark.parametrize(
    "ground", [level, lambda x, y: 100 + 0.05 * x + 0.02 * y, lambda x, y: 100 + np.sin(x / 6)]
)
def test_ground_that_shows_no_shift_is_refused(tmp_path, ground):
    a = later(tmp_path, scattered(ground, seed=1), "a.las")
    b = later(tmp_path, scattered(ground, seed=2), "b.las")
    said = refused(3, b, "--to", a, "--allow", "shift")
    assert "too even to tell a shift" in said
    assert "conditioning" in said
    assert "--allow vertical works here" in said
    assert CliRunner().invoke(app, ["align", str(b), "--to", str(a), "--allow", "vertical"]).exit_code == 0


def test_a_rigid_motion_on_level_ground_is_refused(tmp_path):
    pytest.importorskip("open3d", reason="open3d can't be loaded", exc_type=ImportError)
    a, b = (later(tmp_path, scattered(level, seed=s), f"{s}.las") for s in (1, 2))
    assert "too even to tell a rigid motion" in refused(3, b, "--to", a, "--allow", "rigid")


def test_clouds_apart_are_refused(tmp_path, earlier):
    b = later(tmp_path, scattered(hills, seed=2, corner=(500, 0)))
    assert "share 0 m2" in refused(3, b, "--to", earlier)


def test_a_small_overlap_is_refused(tmp_path, earlier):
    b = later(tmp_path, scattered(hills, seed=2, corner=(110, 100)))
    said = refused(3, b, "--to", earlier)
    assert "at least 500 m2" in said
    assert refused(3, b, "--to", earlier, "--min-overlap", "1000").endswith("200 points are needed")


def test_a_motion_out_of_bounds_is_refused(tmp_path, earlier):
    b = later(tmp_path, scattered(hills, seed=2, away=(0, 0, 0.8)))
    assert "no more than 0.5 m are allowed" in refused(3, b, "--to", earlier, "--most-shift", "0.5")
    far = later(tmp_path, scattered(hills, seed=2, away=(0, 0, 5.0)), "far.las")
    assert "farther than may be moved" in refused(3, far, "--to", earlier)


def test_a_fit_worse_than_the_change_sought_is_refused(tmp_path, earlier):
    b = later(tmp_path, scattered(hills, seed=2, noise=0.2))
    said = refused(3, b, "--to", earlier, "--min-change", "0.05")
    assert "worse than the change sought (0.05 m, --min-change)" in said
    assert "points scatter by" in said
    assert (
        CliRunner().invoke(app, ["align", str(b), "--to", str(earlier), "--min-change", "0.3"]).exit_code == 0
    )


def test_a_bent_cloud_is_refused(tmp_path, earlier):
    """Its middle sags by 0.25 m: no rigid motion takes that off, though every point fits its neighbours."""

    def bent(x, y):
        return hills(x, y) - 0.25 * np.sin(np.pi * x / 120)

    b = later(tmp_path, scattered(bent, seed=2))
    assert "pieces of ground are off by" in refused(3, b, "--to", earlier, "--min-change", "0.08")


def test_too_much_change_is_refused(tmp_path, earlier):
    rng = np.random.default_rng(0)
    heaps = rng.uniform(1.0, 6.0, (12, 12)) * (rng.random((12, 12)) < 0.7)

    def worked(x, y):
        return hills(x, y) + heaps[(x / 10).astype(int) % 12, (y / 10).astype(int) % 12]

    b = later(tmp_path, scattered(worked, seed=2))
    assert "too much has changed" in refused(3, b, "--to", earlier)


def test_clouds_without_ground_are_refused(tmp_path, earlier):
    b = later(tmp_path, scattered(hills, seed=2), classification=0)
    assert "has no ground points (class 2)" in refused(3, b, "--to", earlier)
    stable = write_areas(tmp_path / "s.gpkg", [shapely.box(500, 500, 600, 600)])
    assert "in the areas of s.gpkg" in refused(3, earlier, "--to", b, "--stable", stable)


def test_other_systems_are_refused(tmp_path, earlier):
    b = later(tmp_path, scattered(hills, seed=2), crs="EPSG:25833")
    assert "reference system" in refused(2, b, "--to", earlier)
    terrain = write_raster(tmp_path / "t.tif", surface(hills, 120, 1.0), 1.0, crs="EPSG:25833")
    assert "bring them together first" in refused(2, earlier, "--to", terrain)


def test_missing_open3d_is_one_line(tmp_path, earlier, monkeypatch):
    monkeypatch.setitem(sys.modules, "open3d", None)
    b = later(tmp_path, scattered(hills, seed=2))
    said = refused(2, b, "--to", earlier, "--allow", "rigid")
    assert "pip install 'cloudprep[align]'" in said
    assert CliRunner().invoke(app, ["align", str(b), "--to", str(earlier), "--allow", "shift"]).exit_code == 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "give either --to"),
        (["--flights"], "one cloud alone"),
        (["--to", "EARLIER", "--flights"], "give either --to"),
        (["--to", "EARLIER", "--apply"], "--out DIR"),
        (["--to", "EARLIER", "--hold", "x.las"], "--flights"),
        (["--to", "EARLIER", "--points", "all"], "--stable AREAS"),
        (["--to", "EARLIER", "--min-change", "0"], "--min-change 0"),
        (["--to", "EARLIER", "--most-shift", "nan"], "--most-shift nan"),
        (["--to", "EARLIER", "--cell", "-1"], "--cell -1"),
        (["--to", "EARLIER", "--min-overlap", "-1"], "--min-overlap -1"),
        (["--to", "missing.las"], "no such file"),
    ],
)
def test_mistakes_are_one_line(tmp_path, earlier, options, words):
    b = later(tmp_path, scattered(hills, count=1000, seed=2))
    given = [str(earlier) if o == "EARLIER" else o for o in options]
    assert words in refused(2, b, *given)


def test_nothing_is_written_when_refused(tmp_path, earlier):
    b = later(tmp_path, Known((0, 0, 5.0))(scattered(hills, seed=2)))
    refused(3, b, "--to", earlier, "--out", tmp_path / "out", "--apply")
    assert not (tmp_path / "out").exists()
