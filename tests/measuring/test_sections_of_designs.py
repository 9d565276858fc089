"""Designs along the lines of sections: planes and ramps that are known."""

import csv
import json
import math

import ezdxf
import numpy as np
import pytest
from design_surfaces import strip_faces, write_landxml
from measured_bodies import EAST, NORTH, surface, write_raster
from PIL import Image
from test_sections import run, table, write_lines

SQUARE = [(10, 10), (50, 10), (50, 50), (10, 50)]
HALVES = np.array([(0, 1, 2), (0, 2, 3)])
FOOT = 0.3048


def ramp(x, y):
    return 100 + 0.1 * x + 0.02 * y


def square(height=ramp):
    return np.array([(x, y, height(x, y)) for x, y in SQUARE], float)


@pytest.fixture
def site(tmp_path):
    dtm = write_raster(tmp_path / "dtm.tif", surface(lambda x, y: 101 + 0 * x, 60, 0.5), 0.5)
    lines = write_lines(tmp_path / "lines.gpkg", [[(0, 30), (40, 30), (40, 58)]], name=["bent"])
    return dtm, lines, tmp_path / "out"


def machine(*arguments):
    found = run(*arguments, "--json")
    assert found.exit_code == 0, found.output
    return json.loads(found.stdout)


def test_section_of_a_designed_ramp_is_exact_and_ends_with_it(site, tmp_path):
    dtm, lines, out = site
    design = write_landxml(tmp_path / "ramp.xml", square(), HALVES)
    report = machine(dtm, design, "--along", lines, "--out", out, "--tolerance", "1e-6")
    terrain, planned = report["sections"][0]["profiles"]
    assert (terrain["designed"], planned["designed"]) == (False, True)
    # It runs from 10 to 40 m eastwards with 10 %, then from 40 to 60 m northwards with 2 %.
    east, north = planned["segments"]
    assert (east["start"], east["end"]) == pytest.approx((10, 40))
    assert east["percent"] == pytest.approx(10)
    assert (north["start"], north["end"]) == pytest.approx((40, 60))
    assert north["percent"] == pytest.approx(2)
    assert planned["slope_length"] == pytest.approx(30 * math.hypot(1, 0.1) + 20 * math.hypot(1, 0.02))
    rows = table(out / "section_bent_stations.csv")
    for row in rows:
        at = float(row["station_m"])
        x, y = (at, 30) if at <= 40 else (40, 30 + at - 40)
        if 10 <= at <= 60:
            assert float(row["ramp.xml_m"]) == pytest.approx(ramp(x, y), abs=6e-4)
        else:
            assert row["ramp.xml_m"] == ""


def test_section_draws_a_design_as_a_line_of_its_own(site, tmp_path):
    """Outside check: ezdxf reads the drawing back."""
    dtm, lines, out = site
    design = write_landxml(tmp_path / "ramp.xml", square(), HALVES)
    assert run(dtm, design, "--along", lines, "--out", out).exit_code == 0
    text = (out / "section_bent.svg").read_text()
    assert "design ramp.xml" in text
    assert 'stroke-dasharray="9 4"' in text
    with Image.open(out / "section_bent.png") as picture:
        pixels = np.asarray(picture.convert("RGB")).astype(int)
    # The second colour of the series is that of the design, the first the terrain's.
    assert (np.abs(pixels - (213, 94, 0)).sum(axis=-1) < 30).sum() > 150
    found = list(ezdxf.readfile(out / "sections.dxf").modelspace())
    assert len(found) == 2
    drawn = next(e for e in found if "ramp" in e.dxf.layer)
    places = np.array([tuple(v.dxf.location) for v in drawn.vertices]) - (EAST, NORTH, 0)
    assert places[0] == pytest.approx((10, 30, ramp(10, 30)), abs=1e-6)
    assert places[-1] == pytest.approx((40, 50, ramp(40, 50)), abs=1e-6)
    assert places[:, 2] == pytest.approx(ramp(places[:, 0], places[:, 1]), abs=1e-6)


def test_section_of_a_design_keeps_its_breaks_between_stations(site, tmp_path):
    """A roof whose ridge lies between two stations, with a gap before a second piece that steps up."""
    dtm, _, out = site
    lines = write_lines(tmp_path / "l.gpkg", [[(0, 30), (60, 30)]])
    roof = [[(x, y, z) for x, z in ((10, 100), (20.123, 105), (30, 100))] for y in (20, 40)]
    vertices, faces = strip_faces(roof)
    step = [(30, 20, 103), (40, 20, 103), (40, 40, 103), (30, 40, 103.0)]
    beyond = [(45, 20, 101), (50, 20, 101), (50, 40, 101), (45, 40, 101.0)]
    vertices = np.concatenate([vertices, step, beyond])
    faces = np.concatenate([faces, HALVES + 6, HALVES + 10])
    design = write_landxml(tmp_path / "roof.xml", vertices, faces)
    report = machine(dtm, design, "--along", lines, "--out", out, "--step", "3")
    segments = report["sections"][0]["profiles"][1]["segments"]
    assert [(s["start"], s["end"]) for s in segments] == [
        pytest.approx(pair, abs=1e-6) for pair in ((10, 20.123), (20.123, 30), (30, 40), (45, 50))
    ]
    assert segments[0]["to_height"] == pytest.approx(105)
    assert segments[2]["from_height"] == pytest.approx(103)


def test_section_designs_as_drawings_and_in_units_that_are_told(site, tmp_path):
    dtm, lines, out = site
    document = ezdxf.new("R2010", units=2)  # feet
    for face in HALVES:
        corners = [square()[k] + (EAST, NORTH, 0) for k in face]
        document.modelspace().add_3dface([c / FOOT for c in corners], dxfattribs={"layer": "FINAL"})
    document.saveas(tmp_path / "ramp.dxf")
    found = run(dtm, tmp_path / "ramp.dxf", "--along", lines, "--out", out)
    assert found.exit_code == 2
    assert "bring them together first, or give --design-unit" in found.stderr
    report = machine(
        dtm, tmp_path / "ramp.dxf", "--along", lines, "--out", out, "--design-unit", "foot", "--surface",
        "FINAL",
    )  # fmt: skip
    assert report["sections"][0]["profiles"][1]["segments"][0]["percent"] == pytest.approx(10)
    assert any("names no reference system: ASSUMED" in a for a in report["assumed"])


def test_section_designs_with_swapped_axes_on_a_cloud(site, tmp_path):
    import laspy

    _, lines, out = site
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = [EAST, NORTH, 0], [0.001] * 3
    las = laspy.LasData(header)
    x, y = np.random.default_rng(0).uniform(0, 60, (2, 4000))
    las.x, las.y, las.z = EAST + x, NORTH + y, ramp(x, y)
    las.classification = np.full(4000, 2)
    las.write(tmp_path / "cloud.laz")
    swapped = square()[:, [1, 0, 2]]
    design = write_landxml(tmp_path / "s.xml", swapped, HALVES, corner=(NORTH, EAST))
    found = run(tmp_path / "cloud.laz", design, "--along", lines, "--out", out)
    assert found.exit_code == 1
    assert "with its axes swapped (--swap-axes)" in found.stderr
    report = machine(tmp_path / "cloud.laz", design, "--along", lines, "--out", out, "--swap-axes")
    section = report["sections"][0]
    assert section["points"]["cloud.laz"] > 20
    assert section["profiles"][0]["segments"][0]["percent"] == pytest.approx(10)


def test_sections_of_two_files_of_one_name_keep_them_apart(tmp_path):
    for k, folder in enumerate(("may", "june")):
        (tmp_path / folder).mkdir()
        write_raster(tmp_path / folder / "dtm.tif", surface(lambda x, y, k=k: 100 + k + 0 * x, 60))
    lines = write_lines(tmp_path / "lines.gpkg", [[(5, 30), (50, 30)]], name=["a"])
    out = tmp_path / "out"
    found = run(tmp_path / "may/dtm.tif", tmp_path / "june/dtm.tif", "--along", lines, "--out", out)
    assert found.exit_code == 0, found.output
    with (out / "section_a_stations.csv").open() as file:
        head = next(csv.reader(file))
    assert head[3:] == ["may/dtm.tif_m", "june/dtm.tif_m"]


def test_section_wrong_designs_are_one_line(site, tmp_path):
    dtm, lines, out = site
    high = write_raster(tmp_path / "high.tif", surface(ramp, 60), crs="EPSG:25832+7837")
    empty = write_landxml(tmp_path / "empty.xml", square(), [])
    ezdxf.new("R2010").saveas(tmp_path / "bare.dxf")
    text = tmp_path / "text.xml"
    text.write_text("<html><body>no surface</body></html>")
    feet = write_landxml(
        tmp_path / "feet.xml", square(), HALVES, unit='<Imperial linearUnit="foot"/>', scale=FOOT, up=FOOT
    )
    zone = write_landxml(
        tmp_path / "zone.xml", square(), HALVES, system='<CoordinateSystem epsgCode="25833"/>'
    )
    datum = write_landxml(
        tmp_path / "datum.xml", square(), HALVES,
        system='<CoordinateSystem epsgCode="25832" verticalCoordinateSystemName="EPSG:5783"/>',
    )  # fmt: skip
    far = write_landxml(tmp_path / "far.xml", square() + np.array([5000, 0, 0]), HALVES)
    good = write_landxml(tmp_path / "good.xml", square(), HALVES)
    cases = {
        "has no faces": (dtm, empty),
        "holds no faces": (dtm, tmp_path / "bare.dxf"),
        "is no LandXML": (dtm, text),
        "is in international foot in plan": (dtm, feet),
        "EPSG:25833": (dtm, zone),
        "heights of datum.xml are on": (high, datum),
        "doesn't overlap dtm.tif": (dtm, far),
        "no such file": (dtm, tmp_path / "none.xml"),
        "needs a terrain or a cloud beside it": (good,),
        "none is given": (dtm, "--swap-axes"),
        "give metre, foot": (dtm, good, "--design-unit", "cubit"),
    }
    for words, arguments in cases.items():
        found = run(*arguments, "--along", lines, "--out", out)
        assert found.exit_code in (1, 2), words
        assert words in found.stderr, found.stderr
        assert len(found.stderr.strip().splitlines()) == 1, found.stderr
    assert not out.exists()


def test_section_beside_a_design_has_no_line_of_it(site, tmp_path):
    dtm, _, out = site
    lines = write_lines(tmp_path / "l.gpkg", [[(1, 2), (58, 3)]], name=["beside"])
    design = write_landxml(tmp_path / "ramp.xml", square(), HALVES)
    report = machine(dtm, design, "--along", lines, "--out", out)
    planned = report["sections"][0]["profiles"][1]
    assert planned["segments"] == []
    assert planned["horizontal"] == 0
    # The legend alone is dashed.
    assert (out / "section_beside.svg").read_text().count('stroke-dasharray="9 4"') == 1
