"""Drawings: layers, kinds, heights, closed lines and units as another library reads them."""

import io

import numpy as np
import pytest
import shapely

from cloudprep.errors import CrsError, OutputError
from cloudprep.io import dxf, dxf_entities
from cloudprep.io.dxf import write_drawing
from cloudprep.model.crs import INTERNATIONAL_FOOT, US_SURVEY_FOOT, CloudCrs
from cloudprep.model.layer import Layer

ezdxf = pytest.importorskip("ezdxf")
ORIGIN = (412_000.0, 5_654_000.0)
SQUARE = [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)]


@pytest.fixture
def layers():
    ring = shapely.LineString([(x, y, 12.5) for x, y in SQUARE])
    way = shapely.LineString([(0, 0, 1), (5, 5, 2), (9, 5, 4)])
    lake = shapely.Polygon(SQUARE, [[(2, 2), (4, 2), (4, 4)]])
    return [
        Layer("contours", "line", np.array([ring, way]), {"kind": np.array(["index", "intermediate"])}),
        Layer("spot_heights", "point", np.array([shapely.Point(3, 4, 5.25)])),
        Layer("lakes", "polygon", np.array([lake])),
        Layer("nothing", "line", np.empty(0, object), {"kind": np.empty(0, "U5")}, proposal=True),
    ]


def read(path):
    document = ezdxf.readfile(path)
    assert not document.audit().errors
    found = {}
    for entity in document.modelspace():
        found.setdefault(entity.dxf.layer, []).append(entity)
    return document, found


def vertices(line):
    return [tuple(v.dxf.location) for v in line.vertices]


def test_lines_points_and_areas_come_back(layers, tmp_path):
    write_drawing(layers, tmp_path / "a.dxf", CloudCrs(name="made up"), ORIGIN)
    document, found = read(tmp_path / "a.dxf")
    assert set(found) == {"contours_index", "contours_intermediate", "spot_heights", "lakes"}
    assert set(found) | {"nothing"} <= {layer.dxf.name for layer in document.layers}
    (ring,) = found["contours_index"]
    assert ring.is_3d_polyline
    assert ring.is_closed
    assert vertices(ring) == [(x + ORIGIN[0], y + ORIGIN[1], 12.5) for x, y in SQUARE[:-1]]
    (way,) = found["contours_intermediate"]
    assert not way.is_closed
    assert [v[2] for v in vertices(way)] == [1, 2, 4]
    (spot,) = found["spot_heights"]
    assert tuple(spot.dxf.location) == (412_003, 5_654_004, 5.25)
    assert [(line.is_closed, len(line.vertices)) for line in found["lakes"]] == [(True, 4), (True, 3)]
    assert dict(document.header.custom_vars.properties)["REFERENCE_SYSTEM"] == "made up"
    assert "proposal" in document.layers.get("nothing").description


@pytest.mark.parametrize(
    ("unit", "code", "metric"),
    # Values of $INSUNITS in the open reference of the format, from memory.
    [(1.0, 6, 1), (INTERNATIONAL_FOOT, 2, 0), (US_SURVEY_FOOT, 21, 0), (0.9144, 0, 0)],
)
def test_units_are_those_of_the_cloud(layers, tmp_path, unit, code, metric):
    crs = CloudCrs(horizontal_unit=unit, vertical_unit=INTERNATIONAL_FOOT)
    write_drawing(layers, tmp_path / "a.dxf", crs, ORIGIN)
    document, found = read(tmp_path / "a.dxf")
    assert (document.header["$INSUNITS"], document.header["$MEASUREMENT"]) == (code, metric)
    x, y, z = vertices(found["contours_index"][0])[1]
    assert (x * unit, y * unit, z * 0.3048) == pytest.approx((412_010, 5_654_000, 12.5), abs=1e-8)
    assert dict(document.header.custom_vars.properties)["VERTICAL_UNIT_M"] == "0.3048"


def test_the_same_layers_make_the_same_bytes(layers, tmp_path):
    before = ezdxf.options.write_fixed_meta_data_for_testing
    for name in ("a.dxf", "b.dxf"):
        write_drawing(layers, tmp_path / name, CloudCrs(), ORIGIN)
    assert (tmp_path / "a.dxf").read_bytes() == (tmp_path / "b.dxf").read_bytes()
    assert ezdxf.options.write_fixed_meta_data_for_testing == before


def test_degrees_are_refused_and_nothing_is_left_of_what_fails(layers, tmp_path):
    with pytest.raises(CrsError):
        write_drawing(layers, tmp_path / "a.dxf", CloudCrs(geographic=True), ORIGIN)
    with pytest.raises(OutputError):
        write_drawing(layers, tmp_path / "nowhere" / "a.dxf", CloudCrs(), ORIGIN)
    assert list(tmp_path.iterdir()) == []


def test_without_the_library_one_line_says_what_to_install(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "ezdxf", None)
    with pytest.raises(dxf.UsageError, match=r"pip install 'cloudprep\[dxf\]'"):
        dxf.check_drawings_possible()


# ezdxf, which makes an object of every vertex: another way to the same text.
def test_entities_are_the_text_that_another_library_writes():
    places = np.array([[412_000.1, 5_654_000.0, 1 / 3], [412_001.5, 5_654_002.0, -2.0], [0.1, 1e-7, 5e17]])
    document = ezdxf.new("R2010", setup=False)
    space = document.modelspace()
    entities = dxf_entities.Entities(int(str(document.entitydb.handles), 16), space.layout_key)
    for closed in (False, True):
        space.add_polyline3d(places, close=closed, dxfattribs={"layer": "made up"})
        entities.add_polyline(places, "made up", closed=closed)
    space.add_point(places[0], dxfattribs={"layer": "0"})
    entities.add_point(places[0], "0")
    stream = io.StringIO()
    document.write(stream)
    text = stream.getvalue().partition("  2\nENTITIES\n")[2].partition("  0\nENDSEC\n")[0]
    assert "".join(entities.text) == text
