"""Change and design in the terrain's own feet, against printed volumes and values reckoned by hand.

A foot is 0.3048 m, a US survey foot 1200 / 3937 m (NIST Special Publication 811, B.6); 27 ft3 are a yd3, and
average end areas give L (A1 + A2) / (2 x 27) yd3 (any surveying handbook; here from memory). Printed: corners
75.4, 77.5, 74.6, 80.5 ft of 2,000 ft2, to be brought to 83 ft (a field calculator's guide: 12,000 ft3,
444.444 yd3).
"""

import csv
import json

import numpy as np
import pyogrio
import pytest
import shapely
from measured_bodies import write_areas, write_raster
from typer.testing import CliRunner

from cloudprep.cli.main import app

US_FEET = {"crs": "EPSG:2225", "corner": (6e6, 2e6)}  # California zone 1, US survey feet
US_FOOT = 1200 / 3937


def run(command, *arguments):
    found = CliRunner().invoke(app, [command, *map(str, arguments)])
    assert found.exit_code == 0, found.output
    return found.stdout


def table(path):
    with path.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def lines_in_feet(shown, count):
    lines = shown.splitlines()
    start = lines.index("the same by the US survey foot (0.3048006096 m; 27 ft3 are 1 yd3)")
    return lines[start + 1].split(), [line.split() for line in lines[start + 2 : start + 2 + count]]


@pytest.fixture
def dates(tmp_path):
    """A box of 30 x 30 ft that grew by 3 ft (100 yd3), and one of 27 x 10 ft that lost 1 ft (10 yd3)."""
    before, after = np.zeros((40, 80)), np.zeros((40, 80))
    after[:30, :30] = 3.0
    before[:10, 40:67] = 1.0
    boxes = [shapely.box(0, 0, 30, 30), shapely.box(40, 0, 67, 10)]
    return (
        write_raster(tmp_path / "before.tif", before, 1.0, **US_FEET),
        write_raster(tmp_path / "after.tif", after, 1.0, **US_FEET),
        "--over",
        write_areas(tmp_path / "boxes.gpkg", boxes, name=["large", "small"], **US_FEET),
        "--random-error",
        0.1,
    )


def test_change_is_told_in_feet_on_screen_in_tables_and_layers(dates, tmp_path):
    out = tmp_path / "out"
    head, rows = lines_in_feet(run("change", *dates, "--out", out), 2)
    assert head[:6] == ["area", "ft2", "raised", "yd3", "lowered", "yd3"]
    # 900 cells of a foot, each off by 0.1 m = 0.328083 ft: 1.96 x 0.328083 x 30 ft3 = 0.71 yd3
    assert rows[0] == ["large", "900.0", "100.00", "0.00", "100.00", "0.71", "100.00", "0.00"]
    assert rows[1] == ["small", "270.0", "0.00", "10.00", "-10.00", "0.39", "0.00", "10.00"]
    large, small = table(out / "change.csv")
    assert (large["raised_ft3"], large["net_yd3"], large["mean_ft"]) == ("2700.0000", "100.0000", "3.0000")
    assert (small["lowered_yd3"], small["measured_ft2"]) == ("10.0000", "270.0000")
    assert float(large["raised_m3"]) == pytest.approx(2700 * US_FOOT**3, abs=1e-4)
    meta, _, _, fields = pyogrio.raw.read(out / "change.gpkg")
    values = dict(zip(meta["fields"], fields, strict=True))
    assert values["net_yd3"] == pytest.approx([100, -10], rel=1e-8)


def test_change_in_feet_for_machines_and_where_asked_only(dates):
    told = json.loads(run("change", *dates, "--json"))
    assert told["foot_name"] == "US survey foot"
    assert told["areas"][0]["in_feet"]["raised_yd3"] == pytest.approx(100, rel=1e-8)
    other = json.loads(run("change", *dates, "--json", "--unit", "foot"))
    assert other["areas"][0]["in_feet"]["raised_ft3"] == pytest.approx(
        2700 * (US_FOOT / 0.3048) ** 3, rel=1e-9
    )
    metres = json.loads(run("change", *dates, "--json", "--unit", "metre"))
    assert "in_feet" not in metres["areas"][0]
    assert "foot_name" not in metres
    assert "yd3" not in run("change", *dates, "--unit", "metre")


def test_printed_fill_to_a_level_comes_out_in_the_terrain_s_own_feet(tmp_path):
    a, b, c, d = 75.4, 77.5, 74.6, 80.5
    u, v = np.meshgrid((np.arange(40) + 0.5) / 40, (np.arange(50) + 0.5) / 50)
    dtm = write_raster(tmp_path / "d.tif", a + (b - a) * u + (c - a) * v + (a - b - c + d) * u * v, **US_FEET)
    design = write_raster(tmp_path / "level.tif", np.full((50, 40), 83.0), **US_FEET)
    given = (dtm, design, "--out", tmp_path / "out", "--tolerance", 0.1)
    (area,) = json.loads(run("design", *given, "--json"))["areas"]
    assert area["in_feet"]["fill_ft3"] == pytest.approx(12_000, rel=1e-8)
    assert area["in_feet"]["fill_yd3"] == pytest.approx(444.444, abs=6e-4)
    _, (row,) = lines_in_feet(run("design", *given), 1)
    assert row[:5] == ["design", "2,000.0", "0.00", "444.44", "-444.44"]
    (row,) = table(tmp_path / "out" / "design.csv")
    assert (row["fill_yd3"], row["below_ft2"], row["mean_ft"]) == ("444.4444", "2000.0000", "-6.0000")


def test_sections_of_a_design_in_feet(tmp_path):
    """A cut 27 ft wide and 2 ft deep along 100 ft: 54 ft2 at both ends are 100 (54 + 54) / 54 = 200 yd3."""
    dtm = write_raster(tmp_path / "dtm.tif", np.full((60, 140), 12.0), **US_FEET)
    z = np.full((60, 140), 12.0)
    z[20:47, :] = 10.0
    design = write_raster(tmp_path / "design.tif", z, **US_FEET)
    line = shapely.LineString([(20, 33.5), (120, 33.5)])
    axis = tmp_path / "axis.gpkg"
    pyogrio.raw.write(
        axis, shapely.to_wkb(np.array([shapely.transform(line, lambda c: c + US_FEET["corner"])], object)),
        field_data=[np.array(["centre"], object)], fields=["name"], crs=US_FEET["crs"],
        geometry_type="LineString", driver="GPKG",
    )  # fmt: skip
    given = (dtm, design, "--out", tmp_path / "out", "--axis", axis)
    # 50 ft and 50 ft in metres, as these options ask.
    lengths = ("--station-step", 50 * US_FOOT, "--corridor-width", 50 * US_FOOT)
    told = json.loads(run("design", *given, *lengths, "--json"))["axes"][0]["in_feet"]
    # Between the centres of two cells heights go straight: what a side loses inside the edge it gains beyond.
    assert told["length_ft"] == pytest.approx(100, rel=1e-8)
    assert told["cut_end_areas_yd3"] == pytest.approx(200, rel=1e-6)
    shown = run("design", *given, *lengths)
    assert "cut end areas yd3" in shown
    stations = table(tmp_path / "out" / "stations.csv")
    assert [row["station_ft"] for row in stations] == ["0.0000", "50.0000", "100.0000"]
    assert [row["cut_area_ft2"] for row in stations] == ["54.0000"] * 3
    assert [row["cut_end_areas_yd3"] for row in stations] == ["", "100.0000", "100.0000"]
