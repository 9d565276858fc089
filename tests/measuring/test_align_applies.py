"""Moved clouds: on request only, whole or not at all, and everything but coordinates to the bit."""

import json

import laspy
import numpy as np
import pytest
from aligned_clouds import Known, hills, moved_copy, scattered, write_cloud
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.engine.demo import demo_folder
from cloudprep.io.atomic import sha256_of

TRUTH = demo_folder() / "truth"


def run(*arguments):
    return CliRunner().invoke(app, ["align", *map(str, arguments)])


@pytest.fixture
def dates(tmp_path):
    earlier = write_cloud(tmp_path / "may.las", scattered(hills, seed=1))
    later = write_cloud(tmp_path / "june.las", Known((0.2, -0.1, 0.3))(scattered(hills, seed=2)))
    return earlier, later


def test_nothing_is_moved_unless_asked(dates, tmp_path):
    earlier, later = dates
    sums = [sha256_of(p) for p in dates]
    found = run(later, "--to", earlier)
    assert found.exit_code == 0
    assert "nothing is moved" in found.stdout
    found = run(later, "--to", earlier, "--out", tmp_path / "out")
    assert found.exit_code == 0
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["alignment.json"]
    record = json.loads((tmp_path / "out" / "alignment.json").read_text())
    assert record["applied"] is False
    assert "written" not in record["clouds"][0]
    assert [sha256_of(p) for p in dates] == sums


def test_moved_clouds_lie_on_the_reference(dates, tmp_path):
    earlier, later = dates
    sums = [sha256_of(p) for p in dates]
    assert run(later, "--to", earlier, "--out", tmp_path / "out", "--apply").exit_code == 0
    assert [sha256_of(p) for p in dates] == sums
    record = json.loads((tmp_path / "out" / "alignment.json").read_text())
    written = record["clouds"][0]["written"]
    assert written["sha256"] == sha256_of(tmp_path / "out" / "june.las")
    assert written["points"] == written["moved"] == 30_000
    assert all(0 < r <= 0.5 + 1e-6 for r in written["largest_rounding_mm"])
    before, after = laspy.read(later), laspy.read(tmp_path / "out" / "june.las")
    wanted = np.array(before.xyz) + record["clouds"][0]["shift"]
    off = np.abs(np.array(after.xyz) - wanted).max(axis=0) * 1000
    assert off == pytest.approx(written["largest_rounding_mm"], abs=1e-3)
    again = run(tmp_path / "out" / "june.las", "--to", earlier, "--json")
    told = json.loads(again.stdout)["clouds"][0]
    assert np.abs(told["shift"]).max() < 0.005
    assert any("differs from none" in w for w in json.loads(again.stdout)["warnings"])


def test_compressed_flights_keep_everything_but_coordinates(tmp_path):
    moved = moved_copy(
        TRUTH / "flight2_truth.laz", tmp_path / "later.laz", Known((0.3, 0.2, -0.4)), scale=0.01
    )
    found = run(moved, "--to", TRUTH / "flight1_truth.laz", "--out", tmp_path / "out", "--apply", "--json")
    assert found.exit_code == 0, found.output
    written = json.loads(found.stdout)["clouds"][0]["written"]
    # Steps of a centimetre: a shift is rounded alike for all points, and that is told.
    assert max(written["largest_rounding_mm"]) <= 5.0 + 1e-6
    before, after = laspy.read(moved), laspy.read(tmp_path / "out" / "later.laz")
    assert len(np.unique(after.Z - before.Z)) == 1
    for name in before.point_format.dimension_names:
        if name not in {"X", "Y", "Z"}:
            assert np.array_equal(before[name], after[name]), name
    assert after.header.mins == pytest.approx(np.array(after.xyz).min(axis=0))
    assert after.header.maxs == pytest.approx(np.array(after.xyz).max(axis=0))


def test_an_input_is_never_the_output(dates):
    earlier, later = dates
    sums = [sha256_of(p) for p in dates]
    found = run(later, "--to", earlier, "--out", later.parent, "--apply")
    assert found.exit_code == 1
    assert "this is an input; inputs are never changed" in found.stderr
    assert [sha256_of(p) for p in dates] == sums
    assert sorted(p.name for p in later.parent.iterdir()) == ["june.las", "may.las"]


def test_all_clouds_are_written_or_none(dates, tmp_path):
    """One point of the second cloud sits at the end of what 32 bits hold, and would be pushed over."""
    earlier, _ = dates
    first = write_cloud(tmp_path / "one.las", scattered(hills, seed=3, away=(0, 0, -0.5)))
    second = scattered(hills, seed=4, away=(0, 0, -0.5))
    path = write_cloud(tmp_path / "two.las", second)
    cloud = laspy.read(path)
    cloud.classification[0] = 7
    cloud.Z[0] = 2**31 - 10
    cloud.write(path)
    found = run(first, path, "--to", earlier, "--allow", "vertical", "--out", tmp_path / "out", "--apply")
    assert found.exit_code == 1, found.output
    assert "1 points don't fit the 32 bits of the file's z grid" in found.stderr
    assert list((tmp_path / "out").iterdir()) == []


def test_the_text_says_what_was_found(dates, tmp_path):
    earlier, later = dates
    said = run(later, "--to", earlier, "--out", tmp_path / "out", "--apply").stdout
    told = ("june.las onto may.las", "before", "after", "reliability", "east -0.", "rounded by at most")
    for words in (*told, "need checking by licensed practice"):
        assert words in said


def test_waveforms_whose_directions_a_turn_leaves_are_told(dates, tmp_path):
    """Point format 9 carries waveforms: a rigid motion turns the points and not their directions."""
    earlier, later = dates
    cloud = laspy.read(later)
    waves = laspy.convert(cloud, point_format_id=9, file_version="1.4")
    waves.write(tmp_path / "waves.las")
    for allow, told in (("rigid", True), ("shift", False)):
        found = run(tmp_path / "waves.las", "--to", earlier, "--allow", allow)
        assert found.exit_code == 0, found.output
        assert ("whose directions aren't turned with the points" in found.stderr) is told
