"""Volumes in the terrain's own feet, against values reckoned by hand and printed ones.

A foot is 0.3048 m, a US survey foot 1200 / 3937 m (NIST Special Publication 811, B.6); 27 ft3 are a yd3.
Printed: corners 75.4, 77.5, 74.6, 80.5 ft of 2,000 ft2, to be brought to 83 ft (a field calculator's guide;
their mean is 77.0: 12,000 ft3, 444.444 yd3); corners 87.6, 87.6, 87.6, 88.6 ft of 50 x 50 ft, to be brought
to 90 ft (an exam's solution: 199 yd3; 5,375 ft3).
"""

import csv
import json
from fractions import Fraction

import numpy as np
import pyogrio
import pytest
import shapely
from measured_bodies import write_areas, write_raster
from typer.testing import CliRunner

from cloudprep.cli.main import app

US_FEET = {"crs": "EPSG:2225", "corner": (6e6, 2e6)}  # California zone 1, US survey feet
FEET = {"crs": "EPSG:2256", "corner": (1e6, 5e5)}  # Montana, international feet
US_FOOT, FOOT = Fraction(1200, 3937), Fraction(3048, 10_000)


def run(*arguments):
    found = CliRunner().invoke(app, ["volume", *map(str, arguments)])
    assert found.exit_code == 0, found.output
    return found.stdout


def between(corners, wide, high):
    """Heights between four corners, a foot a cell: their mean is that of the corners."""
    a, b, c, d = corners
    u, v = np.meshgrid((np.arange(wide) + 0.5) / wide, (np.arange(high) + 0.5) / high)
    return a + (b - a) * u + (c - a) * v + (a - b - c + d) * u * v


PRINTED = [
    ((75.4, 77.5, 74.6, 80.5), (40, 50), 83, 12_000, 444.444),
    ((87.6, 87.6, 87.6, 88.6), (50, 50), 90, 5_375, 199.074),
]


@pytest.mark.parametrize(("site", "foot"), [(US_FEET, US_FOOT), (FEET, FOOT)])
@pytest.mark.parametrize(("corners", "sides", "level", "feet", "yards"), PRINTED)
def test_printed_volumes_come_out_in_the_terrain_s_own_feet(
    tmp_path, corners, sides, level, feet, yards, site, foot
):
    dtm = write_raster(tmp_path / "dtm.tif", between(corners, *sides), 1.0, **site)
    over = write_areas(tmp_path / "lot.gpkg", [shapely.box(0, 0, *sides)], name=["lot"], **site)
    report = json.loads(run(dtm, "--over", over, "--base", f"level:{level}", "--json"))
    (volume,) = report["volumes"]
    own = volume["in_feet"]
    assert report["foot"] == float(foot)
    assert report["foot_name"] == ("US survey foot" if foot == US_FOOT else "international foot")
    # Site coordinates of millions of feet leave a part in 10^9.
    assert own["fill_ft3"] == pytest.approx(feet, rel=1e-8)
    assert own["fill_yd3"] == pytest.approx(Fraction(feet, 27), rel=1e-8)
    assert own["fill_yd3"] == pytest.approx(yards, abs=6e-4)
    assert own["net_yd3"] == -own["fill_yd3"]
    assert own["area_ft2"] == pytest.approx(sides[0] * sides[1], rel=1e-8)
    assert own["measured_acre"] == pytest.approx(sides[0] * sides[1] / 43_560, rel=1e-8)
    assert own["mean_ft"] == pytest.approx(sum(corners) / 4 - level, rel=1e-8)
    # Metres stay what they were: 6 parts in a million apart for the two feet.
    assert volume["fill"] == pytest.approx(float(feet * foot**3), rel=1e-8)


def test_feet_stand_beside_metres_on_screen_and_in_tables(tmp_path):
    """Two boxes on flat ground at 0: 30 x 30 ft at 3 ft are 100 yd3, 27 x 10 ft at 1 ft are 10."""
    z = np.zeros((40, 80))
    z[:30, :30] = 3.0
    z[:10, 40:67] = 1.0
    dtm = write_raster(tmp_path / "dtm.tif", z, 1.0, **US_FEET)
    boxes = [shapely.box(0, 0, 30, 30), shapely.box(40, 0, 67, 10)]
    over = write_areas(tmp_path / "boxes.gpkg", boxes, name=["large", "small"], **US_FEET)
    table, layer = tmp_path / "volumes.csv", tmp_path / "volumes.gpkg"
    shown = run(dtm, "--over", over, "--base", "level:0", "--random-error", 0.1, "--out", table)
    lines = shown.splitlines()
    start = lines.index("the same by the US survey foot (0.3048006096 m; 27 ft3 are 1 yd3)")
    rows = [line.split() for line in lines[start + 2 : start + 5]]
    # 900 cells of a foot, each off by 0.1 m = 0.328083 ft: 1.96 x 0.328083 x 30 ft3 = 0.71 yd3
    assert rows[0] == ["large", "900.0", "2,700.00", "0.00", "100.00", "0.00", "100.00", "0.71"]
    assert rows[1][:7] == ["small", "270.0", "270.00", "0.00", "10.00", "0.00", "10.00"]
    assert rows[2] == ["all", "2,970.00", "0.00", "110.00", "0.00", "110.00"]
    assert "m3" in shown
    with table.open() as file:
        large, small = csv.DictReader(file)
    assert (large["cut_ft3"], large["net_yd3"], large["measured_ft2"]) == (
        "2700.0000",
        "100.0000",
        "900.0000",
    )
    assert (small["cut_yd3"], small["interval_95_yd3"]) == (
        "10.0000",
        f"{1.96 * 270**0.5 / 3.048006096 / 27:.4f}",
    )
    assert float(large["cut_m3"]) == pytest.approx(float(2700 * US_FOOT**3), abs=1e-4)
    assert large["foot"] == "US survey foot"
    run(dtm, "--over", over, "--base", "level:0", "--out", layer)
    meta, _, _, fields = pyogrio.raw.read(layer)
    values = dict(zip(meta["fields"], fields, strict=True))
    assert values["net_yd3"] == pytest.approx([100, 10], rel=1e-8)
    assert values["foot"].tolist() == ["US survey foot"] * 2


def test_feet_are_given_where_asked_and_only_there(tmp_path):
    metric = write_raster(tmp_path / "metric.tif", np.full((10, 10), 3.048), 3.048)
    over = write_areas(tmp_path / "a.gpkg", [shapely.box(0, 0, 30.48, 30.48)], name=["a"])
    given = (metric, "--over", over, "--base", "level:0", "--json")
    plain = json.loads(run(*given))
    assert plain["foot"] is None
    assert "in_feet" not in plain["volumes"][0]
    asked = json.loads(run(*given, "--unit", "foot"))["volumes"][0]["in_feet"]
    assert asked["cut_ft3"] == pytest.approx(100_000, rel=1e-9)  # 100 x 100 x 10 ft
    us = json.loads(run(*given, "--unit", "us_survey_foot"))["volumes"][0]["in_feet"]
    assert us["cut_ft3"] == pytest.approx(float(100_000 * (FOOT / US_FOOT) ** 3), rel=1e-9)
    assert us["cut_ft3"] == pytest.approx(99_999.4, abs=0.01)  # 6 parts in a million less
    feet = write_raster(tmp_path / "feet.tif", np.full((10, 10), 10.0), 10.0, **FEET)
    lot = write_areas(tmp_path / "b.gpkg", [shapely.box(0, 0, 100, 100)], name=["a"], **FEET)
    shown = run(feet, "--over", lot, "--base", "level:0", "--unit", "metre")
    assert "ft3" not in shown
