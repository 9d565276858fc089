"""One date's clouds onto an earlier one: motions that are known come back."""

import json

import numpy as np
import pytest
import shapely
from aligned_clouds import EAST, NORTH, Known, hills, level, moved_copy, remains, scattered, write_cloud
from measured_bodies import cone, surface, write_areas, write_raster
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.engine.demo import demo_folder


def _why_not():
    try:
        import open3d  # noqa: F401
    except (ImportError, OSError) as error:
        return f"open3d can't be loaded: {error}"
    return ""


WHY_NOT = _why_not()
RIGID = pytest.param("rigid", marks=pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT))
TRUTH = demo_folder() / "truth"
EARLIER, LATER = TRUTH / "flight1_truth.laz", TRUTH / "flight2_truth.laz"
MIDDLE = (382_540.0, 6_037_310.0, 200.0)
CENTIMETRE, ANGLE = 0.01, 0.002


def machine(*arguments):
    found = CliRunner().invoke(app, ["align", *map(str, arguments), "--json"])
    assert found.exit_code == 0, found.output
    return json.loads(found.stdout)


def known_for(allow, seed):
    rng = np.random.default_rng(seed)
    shift, turn = rng.uniform(-0.6, 0.6, 3), rng.uniform(-0.1, 0.1, 3)
    if allow == "vertical":
        shift[:2] = 0
    return Known(shift, turn if allow == "rigid" else (0, 0, 0), MIDDLE)


def judge(known, report):
    told = report["clouds"][0]
    left, turned = remains(known, told)
    assert np.abs(left).max() < CENTIMETRE
    assert np.abs(turned).max() < ANGLE
    return told, left


@pytest.mark.parametrize("seed", [11, 12])
@pytest.mark.parametrize("allow", ["vertical", "shift", RIGID])
def test_known_motions_of_a_flight_come_back(tmp_path, allow, seed):
    known = known_for(allow, seed)
    moved = moved_copy(LATER, tmp_path / "later.laz", known)
    report = machine(moved, "--to", EARLIER, "--allow", allow)
    judge(known, report)
    pair = report["pairs"][0]
    assert pair["before"]["rms"] > 1.5 * pair["after"]["rms"]
    assert abs(pair["after"]["median"]) < 0.002
    assert pair["outliers"] < 0.1


@pytest.mark.parametrize("allow", ["vertical", "shift", RIGID])
def test_known_motions_come_back_from_noise_partial_overlap_and_change(tmp_path, allow):
    """3 cm of noise more; only the western part; heaps of up to 5 m have come, and a pit has been dug."""
    known = known_for(allow, 21)
    west = MIDDLE[0] + 40

    def change(points):
        x, y = points[:, 0], points[:, 1]
        heaps = cone(14, 5, (MIDDLE[0], MIDDLE[1]))(x, y) + cone(10, 3, (MIDDLE[0] - 50, MIDDLE[1] + 30))(
            x, y
        )
        return points + np.c_[0 * x, 0 * x, heaps - cone(12, 4, (MIDDLE[0] - 30, MIDDLE[1] - 50))(x, y)]

    moved = moved_copy(
        LATER, tmp_path / "later.laz", known, change=change, noise=0.03, seed=5,
        keep=lambda p: p[:, 0] < west,
    )  # fmt: skip
    report = machine(moved, "--to", EARLIER, "--allow", allow)
    judge(known, report)
    assert report["pairs"][0]["outliers"] > 0.03


@pytest.mark.parametrize("allow", ["shift", RIGID])
def test_standard_errors_are_of_the_right_size(tmp_path, allow):
    """Eight times other points of the same ground: errors over standard errors are about one, together."""
    ratios = []
    for seed in range(8):
        earlier = write_cloud(tmp_path / "a.las", scattered(hills, seed=2 * seed))
        points = scattered(hills, seed=2 * seed + 1)
        known = Known((0.1, -0.2, 0.15), (0, 0, 0.05) if allow == "rigid" else (0, 0, 0), (60, 60, 100))
        later = write_cloud(tmp_path / "b.las", known(points))
        told = machine(later, "--to", earlier, "--allow", allow)["clouds"][0]
        known.centre += (EAST, NORTH, 0)
        left, turned = remains(known, told)
        ratios.append(left / told["shift_standard_error"])
        if allow == "rigid":
            ratios.append(turned / told["turn_standard_error_degrees"])
    # chi-square of some 24 to 48 values, 99.9 % either way (SciPy)
    assert 0.55 < np.sqrt(np.mean(np.square(ratios))) < 1.5


def test_vertical_works_on_level_ground(tmp_path):
    earlier = write_cloud(tmp_path / "a.las", scattered(level, seed=1))
    later = write_cloud(tmp_path / "b.las", scattered(level, seed=2, away=(0, 0, 0.137)))
    report = machine(later, "--to", earlier, "--allow", "vertical")
    told = report["clouds"][0]
    assert told["shift"][:2] == [0, 0]
    assert told["shift"][2] == pytest.approx(-0.137, abs=0.001)
    assert told["shift_standard_error"][:2] == [None, None]
    assert told["shift_standard_error"][2] < 0.001
    assert report["pairs"][0]["height_error_95"] < 0.002


@pytest.mark.parametrize("allow", ["vertical", "shift", RIGID])
def test_a_terrain_raster_can_be_the_reference(tmp_path, allow):
    terrain = write_raster(tmp_path / "terrain.tif", surface(hills, 120, 0.5), 0.5)
    shift = (0.3, -0.25, 0.2) if allow != "vertical" else (0, 0, 0.2)
    known = Known(shift, (0.03, 0.05, -0.1) if allow == "rigid" else (0, 0, 0), (60, 60, 100))
    later = write_cloud(tmp_path / "b.las", known(scattered(hills, count=120_000, seed=3)))
    report = machine(later, "--to", terrain, "--allow", allow)
    known.centre += (EAST, NORTH, 0)
    judge(known, report)


def test_stable_areas_tell_where_most_has_changed(tmp_path):
    """Three quarters are raised by 0.4 m: only what is named stable tells the shift."""

    def later(x, y):
        return hills(x, y) + 0.4 * (y > 30)

    earlier = write_cloud(tmp_path / "a.las", scattered(hills, seed=4))
    known = Known((0.1, 0.1, 0.1))
    moved = write_cloud(tmp_path / "b.las", known(scattered(later, seed=5)))
    stable = write_areas(tmp_path / "stable.gpkg", [shapely.box(0, 0, 60, 28), shapely.box(60, 2, 120, 27)])
    wrong = machine(moved, "--to", earlier, "--allow", "vertical")["clouds"][0]["shift"][2]
    assert abs(wrong + 0.1) > 0.2  # what stands still isn't what most do
    report = machine(moved, "--to", earlier, "--stable", stable)
    known.centre += (EAST, NORTH, 0)
    judge(known, report)
    assert report["pairs"][0]["overlap"] < 3500


def test_all_points_of_stable_areas_show_a_shift_on_level_ground(tmp_path):
    """Gabled roofs (class 6) on level ground: ground alone tells no shift, the roofs do."""

    def roofs(x, y):
        u, v = np.mod(x, 30) - 15, np.mod(y, 30) - 15
        house = (np.abs(u) < 9) & (np.abs(v) < 9)
        turned = np.floor(x / 30) % 2 == 0
        return 100 + house * (5 + 0.6 * (9 - np.abs(np.where(turned, u, v)))), house

    def cloud(path, seed, motion):
        points = scattered(level, seed=seed)
        z, house = roofs(points[:, 0], points[:, 1])
        points[:, 2] += z - 100
        return write_cloud(path, motion(points), np.where(house, 6, 2))

    known = Known((0.2, -0.15, 0.1))
    earlier, later = cloud(tmp_path / "a.las", 6, Known()), cloud(tmp_path / "b.las", 7, known)
    stable = write_areas(tmp_path / "stable.gpkg", [shapely.box(-5, -5, 125, 125)])
    report = machine(later, "--to", earlier, "--stable", stable, "--points", "all")
    known.centre += (EAST, NORTH, 0)
    judge(known, report)
    found = CliRunner().invoke(app, ["align", str(later), "--to", str(earlier)])
    assert found.exit_code == 3
    assert "too even" in found.output


def test_several_clouds_of_a_date_move_as_one(tmp_path):
    earlier = write_cloud(tmp_path / "a.las", scattered(hills, seed=8))
    points = scattered(hills, seed=9, away=(0, 0, 0.3))
    west = points[:, 0] < 60
    later = [write_cloud(tmp_path / f"b{i}.las", points[w]) for i, w in enumerate((west, ~west))]
    clouds = machine(*later, "--to", earlier)["clouds"]
    assert len(clouds) == 2
    assert clouds[0]["shift"] == clouds[1]["shift"]
    assert clouds[0]["shift"][2] == pytest.approx(-0.3, abs=0.001)


def test_feet_are_told_in_metres(tmp_path):
    """EPSG:2263 is in US survey feet: a lift of 1 foot is 0.3048 m."""
    foot = 1200 / 3937
    points = scattered(lambda x, y: 10 + 6 * np.sin(x / 40) * np.cos(y / 45), side=400, seed=10)
    other = scattered(lambda x, y: 10 + 6 * np.sin(x / 40) * np.cos(y / 45), side=400, seed=11)
    corner = {"crs": "EPSG:2263", "offsets": (EAST, NORTH, 0.0)}
    earlier = write_cloud(tmp_path / "a.las", points, **corner)
    later = write_cloud(tmp_path / "b.las", other + np.array([0, 0, 1.0]), **corner)
    told = machine(later, "--to", earlier, "--allow", "vertical")["clouds"][0]
    assert told["shift"][2] == pytest.approx(-foot, abs=0.002)


@pytest.mark.parametrize("allow", ["shift", RIGID])
def test_results_are_the_same_again(tmp_path, allow):
    earlier = write_cloud(tmp_path / "a.las", scattered(hills, seed=12))
    later = write_cloud(tmp_path / "b.las", scattered(hills, seed=13, away=(0.2, 0.1, 0.3)))
    first, second = (machine(later, "--to", earlier, "--allow", allow)["clouds"] for _ in range(2))
    assert first == second if allow == "shift" else first[0]["shift"] == second[0]["shift"]
