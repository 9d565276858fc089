"""LandXML: shaped as the standard has it, exact when read back, whole or not at all; read with distrust."""

import xml.etree.ElementTree as ET

import numpy as np
import pytest
from pyproj import CRS

from cloudprep.errors import BadInputError, CrsError, OutputError
from cloudprep.io.landxml import check_units, write_landxml
from cloudprep.io.landxml_read import read_landxml_tin
from cloudprep.model.crs import INTERNATIONAL_FOOT, US_SURVEY_FOOT, CloudCrs
from cloudprep.model.layer import TinSurface

ORIGIN = (412_000.0, 5_654_000.0)
# Namespace, element and attribute names of LandXML 1.2, from memory of the open schema.
SPACE = "{http://www.landxml.org/schema/LandXML-1.2}"


def system(code, unit, up=None):
    return CloudCrs(CRS.from_user_input(code).to_wkt("WKT1_GDAL"), code, unit, up or unit)


METRIC = system("EPSG:25832+7837", 1.0)
FEET = system("EPSG:2230+6360", US_SURVEY_FOOT)


@pytest.fixture
def surface():
    rng = np.random.default_rng(1)
    vertices = np.c_[rng.uniform(0, 900, (40, 2)), rng.uniform(90, 140, 40)]
    vertices[:4, :2] = [(0, 0), (1000, 0), (1000, 1000), (0, 1000)]
    return TinSurface('made <up> & "so"', vertices, np.array([(0, 1, 2), (0, 2, 3)]), "a square of 1 km")


def test_it_has_the_shape_of_the_standard(surface, tmp_path):
    write_landxml(surface, tmp_path / "a.xml", METRIC, ORIGIN, software=("x", "1"))
    root = ET.parse(tmp_path / "a.xml").getroot()  # noqa: S314 - our own file
    assert root.tag == SPACE + "LandXML"
    assert root.get("version") == "1.2"
    assert {"date", "time"} <= set(root.attrib)
    assert [child.tag.removeprefix(SPACE) for child in root] == [
        "Units",
        "CoordinateSystem",
        "Application",
        "Surfaces",
    ]
    (metric,) = root.find(SPACE + "Units")
    assert metric.tag == SPACE + "Metric"
    assert metric.get("linearUnit") == metric.get("elevationUnit") == "meter"
    needed = {"areaUnit", "linearUnit", "volumeUnit", "temperatureUnit", "pressureUnit"}
    assert needed <= set(metric.attrib)
    assert root.find(SPACE + "CoordinateSystem").get("epsgCode") == "25832"
    (found,) = root.find(SPACE + "Surfaces")
    assert found.get("name") == surface.name
    (definition,) = found
    assert definition.get("surfType") == "TIN"
    assert float(definition.get("area2DSurf")) == 1e6
    assert [part.tag.removeprefix(SPACE) for part in definition] == ["Pnts", "Faces"]
    points, faces = definition
    assert [p.get("id") for p in points] == [str(i) for i in range(1, 41)]
    # Northing, easting, elevation, in this order.
    north, east, up = map(float, points[1].text.split())
    assert (north, east) == (5_654_000.0, 413_000.0)
    assert up == pytest.approx(surface.vertices[1, 2], abs=1e-6)
    assert [f.text.split() for f in faces] == [["1", "2", "3"], ["1", "3", "4"]]


@pytest.mark.parametrize(
    ("crs", "element", "linear", "height"),
    [
        (METRIC, "Metric", "meter", "meter"),
        (FEET, "Imperial", "USSurveyFoot", "feet"),
        (system("EPSG:2222", INTERNATIONAL_FOOT), "Imperial", "foot", "feet"),
        (system("EPSG:25832", 1.0, INTERNATIONAL_FOOT), "Metric", "meter", "feet"),
        (system("EPSG:2230", US_SURVEY_FOOT, 1.0), "Imperial", "USSurveyFoot", "meter"),
        (CloudCrs(), "Metric", "meter", "meter"),
    ],
)
def test_it_comes_back_in_metres_from_any_unit(surface, tmp_path, crs, element, linear, height):
    write_landxml(surface, tmp_path / "a.xml", crs, ORIGIN)
    (unit,) = ET.parse(tmp_path / "a.xml").getroot().find(SPACE + "Units")  # noqa: S314
    assert unit.tag == SPACE + element
    assert (unit.get("linearUnit"), unit.get("elevationUnit")) == (linear, height)
    back = read_landxml_tin(tmp_path / "a.xml", origin=ORIGIN)
    assert back.surface.name == surface.name
    assert np.array_equal(back.surface.faces, surface.faces)
    assert np.abs(back.surface.vertices - surface.vertices).max() < 1e-4
    assert np.abs(back.surface.vertices - surface.vertices)[:, 2].max() < 1e-6


def test_the_same_surface_makes_the_same_bytes(surface, tmp_path):
    for name in "ab":
        write_landxml(surface, tmp_path / name, METRIC, ORIGIN)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_units_without_a_name_and_degrees_are_refused(surface, tmp_path):
    for crs in (CloudCrs(horizontal_unit=0.9144), CloudCrs(vertical_unit=0.9144), CloudCrs(geographic=True)):
        with pytest.raises(CrsError):
            write_landxml(surface, tmp_path / "a.xml", crs, ORIGIN)
    with pytest.raises(CrsError, match=r"0\.9144"):
        check_units(CloudCrs(horizontal_unit=0.9144))
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_of_a_file_that_fails(surface, tmp_path):
    surface.vertices[3, 2] = np.nan
    with pytest.raises(OutputError, match="finite"):
        write_landxml(surface, tmp_path / "a.xml", METRIC, ORIGIN)
    with pytest.raises(OutputError):
        write_landxml(surface, tmp_path / "nowhere" / "a.xml", METRIC, ORIGIN)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_surface_is_written_and_read(tmp_path):
    write_landxml(
        TinSurface("none", np.empty((0, 3)), np.empty((0, 3), int)), tmp_path / "a.xml", METRIC, ORIGIN
    )
    back = read_landxml_tin(tmp_path / "a.xml")
    assert (len(back.surface.vertices), len(back.surface.faces)) == (0, 0)


def document(surfaces, head="", units='<Units><Metric linearUnit="meter"/></Units>', version="1.2"):
    return (
        f'<?xml version="1.0"?>{head}<LandXML xmlns="http://www.landxml.org/schema/LandXML-{version}" '
        f'version="{version}">{units}<Surfaces>{surfaces}</Surfaces></LandXML>'
    )


def one(points="", faces="", name="s", kind="TIN"):
    return (
        f'<Surface name="{name}"><Definition surfType="{kind}"><Pnts>{points}</Pnts><Faces>{faces}</Faces>'
        "</Definition></Surface>"
    )


THREE = '<P id="7">0 0 1</P><P id="5">0 10 2</P><P id="90">10 0 3</P>'


def read(tmp_path, text, **how):
    (tmp_path / "given.xml").write_text(text, encoding="utf-8")
    return read_landxml_tin(tmp_path / "given.xml", **how)


def test_ids_in_any_order_and_faces_either_way_around(tmp_path):
    found = read(tmp_path, document(one(THREE, "<F>7 90 5</F><F i='1'>7 90 5</F>"), version="1.1"))
    assert found.surface.vertices.tolist() == [[0, 0, 1], [10, 0, 2], [0, 10, 3]]
    assert found.surface.faces.tolist() == [[1, 2, 0]] or found.surface.faces.tolist() == [[0, 1, 2]]
    assert found.invisible == 1


def test_one_of_several_surfaces_is_chosen_by_name(tmp_path):
    two = document(one(THREE, "<F>7 5 90</F>", "a") + one(THREE, "", "b"))
    assert len(read(tmp_path, two, name="b").surface.faces) == 0
    assert len(read(tmp_path, two, name="a").surface.faces) == 1
    with pytest.raises(BadInputError, match="'a', 'b'"):
        read(tmp_path, two)
    with pytest.raises(BadInputError, match="no surface called 'c'"):
        read(tmp_path, two, name="c")


BOMB = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
OUTSIDE = '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (document(one("<P id='1'>&b;</P>"), BOMB), "document type"),
        (document(one("<P id='1'>&a;</P>"), OUTSIDE), "document type"),
        (document(one(), '<!DOCTYPE LandXML SYSTEM "http://localhost/x.dtd">'), "document type"),
        (document(one("<P id='1'>&x;</P>")), "well-formed"),
        ("not xml", "well-formed"),
        ("", "well-formed"),
        (document(one(THREE))[:-20], "well-formed"),
        ("<other/>", "no LandXML"),
        ('<LandXML xmlns="http://localhost/other"/>', "no LandXML"),
        (document(""), "no surface"),
        (document(one(THREE), units=""), "in what units"),
        (document(one(THREE), units='<Units><Metric linearUnit="ell"/></Units>'), "'ell'"),
        (document(one(THREE), units='<Units><Metric elevationUnit="ell"/></Units>'), "'ell'"),
        (document(one(THREE, kind="grid")), "'grid'"),
        (document(one("<P id='1'>0 0</P>")), "no northing"),
        (document(one("<P id='1'>0 0 0 0</P>")), "no northing"),
        (document(one("<P>0 0 0</P>")), "no northing"),
        (document(one("<P id='1'>0 0 nan</P>")), "isn't finite"),
        (document(one("<P id='1'>0 0 1e999</P>")), "isn't finite"),
        (document(one("<P id='-1'>0 0 1</P>")), "negative or huge"),
        (document(one(f"<P id='{2**70}'>0 0 1</P>")), "negative or huge"),
        (document(one("<P id='1'>0 0 1</P><P id='1'>0 0 1</P>")), "two points of the id 1"),
        (document(one(THREE, "<F>7 5 6</F>")), "point 6 that isn't there"),
        (document(one("", "<F>7 5 6</F>")), "isn't there"),
        (document(one(THREE, "<F>7 5</F>")), "three ids"),
        (document(one(THREE, "<F>7 5 90 7</F>")), "three ids"),
        (document(one("<P id='1'>" + "0" * 5000 + "</P>")), "characters"),
        (document("<a>" * 5000 + "</a>" * 5000), "deep"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(tmp_path, text, reason):
    with pytest.raises(BadInputError, match=reason) as caught:
        read(tmp_path, text)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_said_in_one_line(tmp_path):
    with pytest.raises(BadInputError, match="can't be read"):
        read_landxml_tin(tmp_path / "none.xml")
