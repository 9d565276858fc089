"""Heights in another unit: the reference system says it, or says nothing."""

import numpy as np
import pytest
import rasterio
from pyproj import CRS

from cloudprep.io.height_unit import height_reference
from cloudprep.io.raster import write_grid
from cloudprep.model.crs import INTERNATIONAL_FOOT, US_SURVEY_FOOT, CloudCrs
from cloudprep.model.grid import Grid, Lattice, Window

UNITS = {"metre": 1.0, "foot": INTERNATIONAL_FOOT, "us_survey_foot": US_SURVEY_FOOT}


def cloud_crs(code, across=1.0, up=1.0):
    return CloudCrs(CRS.from_user_input(code).to_wkt(), code, across, up)


def grid():
    values = 100 + np.arange(12.0).reshape(3, 4)
    return Grid("dtm", values, Window(Lattice(1.0), 400_000, 5_000_000, 4, 3), "height", "m")


# Codes of the EPSG registry: 5703 NAVD88 height (metre), 8228 (foot), 6360 (US survey foot).
@pytest.mark.parametrize(
    ("code", "unit", "vertical"),
    [
        ("EPSG:26912+5703", "keep", 5703),
        ("EPSG:26912+5703", "foot", 8228),
        ("EPSG:26912+5703", "us_survey_foot", 6360),
        ("EPSG:26912+6360", "metre", 5703),
    ],
)
def test_the_twin_of_the_registry_is_taken(tmp_path, code, unit, vertical):
    up = US_SURVEY_FOOT if code.endswith("6360") else 1.0
    found = height_reference(cloud_crs(code, up=up), unit)
    write_grid(grid(), tmp_path / "dtm.tif", found.crs)
    with rasterio.open(tmp_path / "dtm.tif") as file:
        parts = CRS.from_wkt(file.crs.to_wkt()).sub_crs_list
    assert [part.to_epsg() for part in parts] == [26912, vertical]
    assert found.remark == ""


@pytest.mark.parametrize("unit", list(UNITS))
@pytest.mark.parametrize(
    "code", ["EPSG:25832+7837", "EPSG:5972", "EPSG:26912+5703", "EPSG:2230+6360", "EPSG:25832"]
)
def test_the_file_never_says_another_unit_than_its_heights_have(tmp_path, code, unit):
    crs = cloud_crs(code, *((US_SURVEY_FOOT,) * 2 if "2230" in code else (1.0, 1.0)))
    found = height_reference(crs, unit)
    write_grid(grid(), tmp_path / "dtm.tif", found.crs)
    with rasterio.open(tmp_path / "dtm.tif") as file:
        values, said, units = file.read(1), CRS.from_wkt(file.crs.to_wkt()), file.units
    assert np.array_equal(values[::-1], (grid().values / UNITS[unit]).astype(np.float32))
    assert units == ({"metre": "metre", "foot": "foot", "us_survey_foot": "US survey foot"}[unit],)
    if code == "EPSG:25832":
        assert len(said.axis_info) == 2
        return
    plan, up = said.sub_crs_list
    assert up.axis_info[0].unit_conversion_factor == pytest.approx(UNITS[unit], rel=1e-9)
    assert up.axis_info[0].direction == "up"
    # The datum stays: that is what heights refer to.
    assert up.datum.name == CRS.from_user_input(code).sub_crs_list[1].datum.name
    assert plan.to_epsg() == CRS.from_user_input(code).sub_crs_list[0].to_epsg()


def test_a_vertical_part_that_a_geotiff_would_garble_is_spelled_out_or_left_out(tmp_path):
    parts = CRS.from_user_input("EPSG:25832+7837").to_json_dict()
    heights = parts["components"][1]
    heights["coordinate_system"]["axis"][0]["unit"] = {
        "type": "LinearUnit",
        "name": "foot",
        "conversion_factor": 0.3048,
    }
    heights["name"] = "DHHN2016 height in foot"
    del heights["id"]
    feet = CRS.from_json_dict(parts).to_wkt()
    # Written as it stands, it comes back in metres with an unknown datum: else there were nothing to do.
    write_grid(grid(), tmp_path / "plain.tif", CloudCrs(feet, "x", 1.0, INTERNATIONAL_FOOT))
    with rasterio.open(tmp_path / "plain.tif") as file:
        assert CRS.from_wkt(file.crs.to_wkt()).sub_crs_list[1].axis_info[0].unit_conversion_factor == 1
    crs = height_reference(CloudCrs(feet, "x", 1.0, INTERNATIONAL_FOOT)).crs
    write_grid(grid(), tmp_path / "dtm.tif", crs)
    with rasterio.open(tmp_path / "dtm.tif") as file:
        up = CRS.from_wkt(file.crs.to_wkt()).sub_crs_list[1]
    assert up.axis_info[0].unit_conversion_factor == pytest.approx(0.3048, rel=1e-12)
    assert up.datum.name == "Deutsches Haupthoehennetz 2016"


def test_ellipsoidal_heights_in_feet_have_no_vertical_part_and_a_remark(tmp_path):
    crs = CloudCrs(CRS.from_epsg(25832).to_3d().to_wkt(), "x", 1.0, 1.0)
    assert height_reference(crs).remark == ""
    found = height_reference(crs, "foot")
    assert "ellipsoidal heights of ETRS89 / UTM zone 32N, but in foot" in found.remark
    assert len(CRS.from_wkt(found.crs.wkt).axis_info) == 2


def test_without_a_reference_system_only_the_unit_changes():
    found = height_reference(CloudCrs(None, "none", 1.0, 1.0), "us_survey_foot")
    assert (found.crs.wkt, found.crs.vertical_unit, found.crs.horizontal_unit) == (None, 1200 / 3937, 1.0)
