"""Sections along lines through surfaces that are known."""

import csv
import json
import xml.etree.ElementTree as ET

import laspy
import numpy as np
import pyogrio
import pytest
import shapely
from measured_bodies import EAST, NORTH, surface, write_raster
from PIL import Image
from typer.testing import CliRunner

from cloudprep.cli.main import app
from cloudprep.kernels.profile import beside_line, grade_breaks, stations


def embankment(x, y):
    """A crest 10 m wide and 4 m high, flanks of 1 in 2, along the north."""
    return 100 + np.clip((13 - np.abs(x - 30)) / 2, 0, 4)


def write_lines(path, lines, crs="EPSG:25832", **attributes):
    shapes = [shapely.LineString(np.add(line, (EAST, NORTH))) for line in lines]
    pyogrio.raw.write(
        path, shapely.to_wkb(np.array(shapes, object)), field_data=[np.array(v) for v in attributes.values()],
        fields=list(attributes), crs=crs, geometry_type="LineString", driver="GPKG",
    )  # fmt: skip
    return path


def run(*arguments):
    return CliRunner().invoke(app, ["section", *map(str, arguments)])


@pytest.fixture
def site(tmp_path):
    dtm = write_raster(tmp_path / "dtm.tif", surface(embankment, 60, 0.5), 0.5)
    lines = write_lines(
        tmp_path / "lines.gpkg", [[(5, 30), (55, 30)], [(30, 5), (30, 55)]], name=["across", "crest"]
    )
    return dtm, lines, tmp_path / "out"


def table(path):
    with path.open() as file:
        return list(csv.DictReader(file))


def test_section_tables_hold_the_grades_of_an_embankment(site):
    dtm, lines, out = site
    found = run(dtm, "--along", lines, "--out", out, "--tolerance", "0.15")
    assert found.exit_code == 0, found.output
    grades = [float(r["slope_percent"]) for r in table(out / "section_across_grades.csv")]
    assert grades == pytest.approx([0, 50, 0, -50, 0], abs=3.5)  # straight within 0.15 m
    flank = table(out / "section_across_grades.csv")[1]
    assert float(flank["horizontal_m"]) == pytest.approx(8, abs=0.6)
    assert float(flank["slope_length_m"]) == pytest.approx(8 * np.sqrt(1.25), abs=0.7)
    rows = table(out / "section_across_stations.csv")
    assert float(rows[-1]["station_m"]) == 50
    assert float(rows[0]["easting_m"]) == EAST + 5
    assert float(rows[100]["dtm.tif_m"]) == pytest.approx(104)
    crest = table(out / "section_crest_grades.csv")
    assert len(crest) == 1
    assert float(crest[0]["slope_degrees"]) == 0


def test_section_pictures_are_there_in_both_kinds(site):
    dtm, lines, out = site
    assert run(dtm, "--along", lines, "--out", out).exit_code == 0
    root = ET.parse(out / "section_across.svg").getroot()  # noqa: S314 - our own
    words = " ".join(root.itertext())
    assert "section across, 50.0 m" in words
    # 4 m and its margins on 360 pixels, 50 m on 1000: four times is too much for a round factor.
    assert "heights exaggerated 2 times" in words
    with Image.open(out / "section_across.png") as picture:
        colours = len(picture.convert("RGB").getcolors(1 << 20))
    assert colours > 10


def test_section_of_a_plane_gives_its_slope_and_both_lengths(tmp_path):
    dtm = write_raster(tmp_path / "dtm.tif", surface(lambda x, y: 50 + 0.3 * x + 0.4 * y, 60))
    lines = write_lines(tmp_path / "lines.gpkg", [[(10, 10), (40, 50)]])
    report = json.loads(run(dtm, "--along", lines, "--out", tmp_path / "o", "--json").stdout)
    section = report["sections"][0]
    assert section["length"] == pytest.approx(50)
    (grade,) = section["profiles"][0]["segments"]
    rise = 0.3 * 30 + 0.4 * 40
    assert grade["percent"] == pytest.approx(100 * rise / 50)
    assert grade["slope_length"] == pytest.approx(np.hypot(50, rise))


def test_section_shows_points_of_clouds_within_its_width(site, tmp_path):
    dtm, lines, out = site
    rng = np.random.default_rng(0)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = [EAST, NORTH, 0], [0.001] * 3
    las = laspy.LasData(header)
    x, y = rng.uniform(0, 60, (2, 5000))
    las.x, las.y, las.z = EAST + x, NORTH + y, embankment(x, y)
    las.classification = rng.choice([2, 5, 6], 5000)
    las.write(tmp_path / "cloud.laz")
    report = json.loads(
        run(dtm, tmp_path / "cloud.laz", "--along", lines, "--out", out, "--width", "2", "--json").stdout
    )
    near = ((abs(y - 30) <= 1) & (x >= 5) & (x <= 55)).sum()
    ends = (np.hypot(x - 5, y - 30) <= 1) & (x < 5) | (np.hypot(x - 55, y - 30) <= 1) & (x > 55)
    assert report["sections"][0]["points"]["cloud.laz"] == pytest.approx(near + ends.sum(), abs=2)
    assert "building points" in (out / "section_across.svg").read_text()


def test_section_profiles_are_lines_of_a_drawing(site):
    """Outside check: ezdxf reads them back."""
    ezdxf = pytest.importorskip("ezdxf")
    dtm, lines, out = site
    assert run(dtm, "--along", lines, "--out", out).exit_code == 0
    found = list(ezdxf.readfile(out / "sections.dxf").modelspace())
    assert [e.dxftype() for e in found] == ["POLYLINE", "POLYLINE"]
    places = np.array([tuple(v.dxf.location) for v in found[0].vertices])
    assert places[0][:2] == pytest.approx((EAST + 5, NORTH + 30))
    assert places[:, 2].max() == pytest.approx(104)
    rows = table(out / "section_across_stations.csv")
    assert places[:, 2] == pytest.approx([float(r["dtm.tif_m"]) for r in rows], abs=6e-4)


def test_section_gaps_are_told(site):
    dtm, _, out = site
    lines = write_lines(dtm.with_name("far.gpkg"), [[(50, 30), (70, 30)]])
    found = run(dtm, "--along", lines, "--out", out)
    assert "m without heights" in found.stdout


@pytest.mark.parametrize("name", ["../../evil", "a/b", "", "x" * 300, "<script>"])
def test_section_names_make_safe_files(site, name):
    dtm, _, out = site
    lines = write_lines(
        dtm.with_name("named.gpkg"), [[(5, 30), (55, 30)], [(5, 31), (55, 31)]], name=[name, name]
    )
    assert run(dtm, "--along", lines, "--out", out).exit_code == 0
    files = sorted(out.iterdir())
    assert len(files) == 9
    assert all(f.parent == out and f.name.startswith("section") for f in files)
    assert ET.parse(next(f for f in files if f.suffix == ".svg")) is not None  # noqa: S314 - our own


def test_section_bad_input_is_one_line(site, tmp_path):
    dtm, lines, out = site
    cases = {
        "touches dtm.tif": (dtm, "--along", write_lines(tmp_path / "a.gpkg", [[(500, 500), (600, 600)]])),
        "no such file": (tmp_path / "none.tif", "--along", lines),
        "301,000 stations: give a larger --step": (
            dtm,
            "--along",
            write_lines(tmp_path / "long.gpkg", [[(5, 5), (306, 5)]]),
            "--step",
            "0.001",
        ),
    }
    for words, arguments in cases.items():
        found = run(*arguments, "--out", out)
        assert found.exit_code in (1, 2), words
        assert words in found.stderr
        assert "Traceback" not in found.output
    assert not out.exists()


def test_stations_keep_the_corners():
    found = stations(np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 0.0], [10.0, 7.0]]), 3.0)
    assert found.along.tolist() == [
        0,
        2.5,
        5,
        7.5,
        10,
        pytest.approx(12.3333, abs=1e-4),
        pytest.approx(14.6667, abs=1e-4),
        17,
    ]
    assert (found.x[4], found.y[4]) == (10, 0)


def test_grade_breaks_keep_the_profile_within_the_tolerance():
    rng = np.random.default_rng(1)
    x = np.sort(rng.uniform(0, 100, 400))
    z = 3 * np.sin(x / 9) + 0.1 * x
    kept = grade_breaks(x, z, 0.05)
    assert np.abs(np.interp(x, x[kept], z[kept]) - z).max() <= 0.05
    assert len(kept) < 60


def test_places_beside_a_line_agree_with_shapely():
    """Outside check: shapely's project and distance."""
    line = np.array([[0.0, 0.0], [10.0, 2.0], [14.0, 12.0]])
    shape = shapely.LineString(line)
    x, y = np.random.default_rng(2).uniform(-3, 16, (2, 300))
    along, left = beside_line(line, x, y, 3.0)
    points = shapely.points(x, y)
    distance = shapely.distance(points, shape)
    inside = distance <= 3.0
    assert np.array_equal(~np.isnan(along), inside)
    np.testing.assert_allclose(along[inside], shapely.line_locate_point(shape, points[inside]), atol=1e-9)
    beside = (along > 1e-6) & (along < shape.length - 1e-6)
    np.testing.assert_allclose(np.abs(left[beside]), distance[beside], atol=1e-6)
