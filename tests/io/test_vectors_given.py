"""Vector files that people give: any format, any reference system, or one clear line why not."""

from pathlib import Path

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely

from cloudprep.errors import BadInputError, CrsError
from cloudprep.io.vector_files import MOST_TEXT_BYTES
from cloudprep.io.vectors import read_layer, vector_checksum, write_layers
from cloudprep.io.vectors_read import SHOWN
from cloudprep.model.crs import US_SURVEY_FOOT, CloudCrs
from cloudprep.model.layer import Layer

ORIGIN = (412_000.0, 5_654_000.0)
METRES = CloudCrs(pyproj.CRS.from_epsg(25832).to_wkt(), "EPSG:25832", 1.0, 1.0)
POND = shapely.Polygon([(100, 50, 7), (200, 50, 7), (200, 150, 7), (100, 150, 7)])
KML = """<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>p</name>
<Polygon><outerBoundaryIs><LinearRing><coordinates>9,50,0 9.001,50,0 9.001,50.001,0 9,50,0</coordinates>
</LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>"""


def write(path: Path, polygons, epsg=25832, names=None, driver=None):
    crs = None if epsg is None else f"EPSG:{epsg}"
    fields = {"name": np.array(names or [f"n{i}" for i in range(len(polygons))], object)}
    pyogrio.raw.write(
        path,
        shapely.to_wkb(np.array(polygons, object)),
        field_data=list(fields.values()),
        fields=np.array(list(fields), object),
        geometry_type=polygons[0].geom_type + (" Z" if shapely.has_z(polygons[0]) else ""),
        crs=crs,
        driver=driver,
    )
    return path


def globally(polygon, origin=ORIGIN):
    return shapely.transform(
        polygon, lambda c: c + [*origin, 0][: c.shape[1]], include_z=shapely.has_z(polygon)
    )


@pytest.mark.parametrize("ending", [".gpkg", ".shp", ".geojson"])
@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_every_format_comes_to_the_same_local_metres(tmp_path, ending):
    there = globally(POND)
    epsg = 25832
    if ending == ".geojson":  # always degrees, RFC 7946
        over = pyproj.Transformer.from_crs(25832, 4326, always_xy=True)
        there = shapely.transform(there, lambda c: np.c_[over.transform(c[:, 0], c[:, 1])], include_z=False)
        epsg = 4326
    path = write(tmp_path / f"water{ending}", [there], epsg)
    found = read_layer(path, None, METRES, ORIGIN)
    assert found.kind == "polygon"
    assert len(found) == 1
    assert found.attributes["name"].tolist() == ["n0"]
    assert shapely.hausdorff_distance(found.geometries[0], POND) < 2e-3  # GeoJSON: seven decimals of a degree
    if ending != ".geojson":
        assert set(shapely.get_coordinates(found.geometries, include_z=True)[:, 2]) == {7.0}


def test_what_is_written_comes_back(tmp_path):
    feet = CloudCrs(pyproj.CRS.from_epsg(2263).to_wkt(), "feet", US_SURVEY_FOOT, US_SURVEY_FOOT)
    write_layers([Layer("water", "polygon", np.array([POND], object))], tmp_path / "w.gpkg", feet, (3e5, 6e4))
    found = read_layer(tmp_path / "w.gpkg", "water", feet, (3e5, 6e4))
    there = shapely.get_coordinates(found.geometries, include_z=True)
    np.testing.assert_allclose(there, shapely.get_coordinates(POND, include_z=True), atol=1e-6)


def test_heights_take_the_vertical_unit_that_their_file_states(tmp_path):
    # EPSG:8228 is the height above NAVD88 in international feet: 0.3048 m by definition (EPSG registry).
    path = write(tmp_path / "w.gpkg", [globally(POND)], "25832+8228")
    found = read_layer(path, None, METRES, ORIGIN)
    assert set(shapely.get_coordinates(found.geometries, include_z=True)[:, 2].round(9)) == {
        round(7 * 0.3048, 9)
    }


def test_kml_is_reprojected_like_by_the_general_library(tmp_path):
    (tmp_path / "p.kml").write_text(KML)
    found = read_layer(tmp_path / "p.kml", None, METRES, (0.0, 0.0))
    x, y = pyproj.Transformer.from_crs(4326, 25832, always_xy=True).transform(9.0, 50.0)
    # 9 degrees east is the zone's central meridian: easting 500 000 m by definition of UTM.
    assert x == pytest.approx(500_000.0, abs=1e-3)
    np.testing.assert_allclose(shapely.get_coordinates(found.geometries)[0], [x, y], atol=1e-6)


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("none.gpkg", None, "no such file"),
        ("w.txt", "x", "end in"),
        ("w.gpkg", "x", "is no GeoPackage"),
        ("w.shp", "x", "is no shapefile"),
        ("w.geojson", "", "is empty"),
        ("w.geojson", "[1]", "is no GeoJSON"),
        ("w.geojson", '{"type": "Feature', "can't be read"),
        ("w.kml", "<sources/>", "root isn't <kml>"),
        ("w.kml", "<kml", "is no KML file"),
        (
            "w.kml",
            '<!DOCTYPE kml [<!ENTITY x SYSTEM "file:///etc/hostname">]><kml>&x;</kml>',
            "document type",
        ),
        ("w.kml", '<!DOCTYPE kml SYSTEM "http://localhost/x.dtd"><kml/>', "document type"),
        ("w.kml", "<x:html xmlns:x='y'><kml/></x:html>", "root isn't <kml>"),
    ],
)
def test_a_bad_file_is_one_line(tmp_path, name, text, says):
    if text is not None:
        (tmp_path / name).write_text(text)
    with pytest.raises(BadInputError, match=says) as caught:
        read_layer(tmp_path / name, None, METRES, ORIGIN)
    assert "\n" not in str(caught.value)
    assert str(tmp_path / name) in str(caught.value)


def test_a_text_file_that_is_too_large_is_not_parsed(tmp_path):
    with (tmp_path / "w.geojson").open("wb") as file:
        file.write(b"{")
        file.truncate(MOST_TEXT_BYTES + 1)
    with pytest.raises(BadInputError, match="more than 256 MB: give it as a GeoPackage"):
        read_layer(tmp_path / "w.geojson", None, METRES, ORIGIN)


def test_layers_are_named_where_there_are_several(tmp_path):
    made = [Layer(n, "polygon", np.array([POND], object)) for n in ("ponds", "rivers")]
    write_layers(made, tmp_path / "w.gpkg", METRES, ORIGIN)
    with pytest.raises(BadInputError, match=r"has 2 layers \('ponds', 'rivers'\): name one"):
        read_layer(tmp_path / "w.gpkg", None, METRES, ORIGIN)
    with pytest.raises(BadInputError, match=r"no layer 'lakes' \(there are: 'ponds', 'rivers'\)"):
        read_layer(tmp_path / "w.gpkg", "lakes", METRES, ORIGIN)
    assert read_layer(tmp_path / "w.gpkg", "rivers", METRES, ORIGIN).name == "rivers"


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_a_file_without_reference_system_is_refused_beside_clouds_that_have_one(tmp_path):
    path = write(tmp_path / "w.gpkg", [globally(POND)], None)
    with pytest.raises(CrsError, match="states no reference system"):
        read_layer(path, None, METRES, ORIGIN)


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_without_any_reference_system_coordinates_are_taken_as_they_are_and_that_is_said(tmp_path):
    path = write(tmp_path / "w.gpkg", [POND], None)
    said = []
    found = read_layer(path, None, CloudCrs(), (0.0, 0.0), note=said.append)
    assert shapely.equals(found.geometries[0], POND)
    assert len(said) == 1
    assert "taken to be the same" in said[0]


def test_degrees_need_clouds_with_a_reference_system(tmp_path):
    (tmp_path / "p.kml").write_text(KML)
    with pytest.raises(CrsError, match="degrees"):
        read_layer(tmp_path / "p.kml", None, CloudCrs(), (0.0, 0.0))


def test_metres_in_geojson_are_told_from_degrees(tmp_path):
    (tmp_path / "w.geojson").write_text(shapely.to_geojson(globally(POND)))
    with pytest.raises(CrsError, match="GeoJSON is in degrees by its standard"):
        read_layer(tmp_path / "w.geojson", None, METRES, ORIGIN)


def test_polygons_that_cross_themselves_are_named_with_the_place(tmp_path):
    bow = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    path = write(tmp_path / "w.gpkg", [shapely.box(0, 0, 1, 1), bow], names=["good", "bow"])
    with pytest.raises(BadInputError, match=r"1 polygon crosses itself: feature 2 \('bow'\): .* at 5, 5"):
        read_layer(path, None, METRES, ORIGIN)


def test_a_long_list_of_wrong_features_is_cut(tmp_path):
    bow = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    path = write(tmp_path / "w.gpkg", [bow] * 40)
    with pytest.raises(BadInputError, match=f"40 polygons cross themselves.*and {40 - SHOWN} more") as caught:
        read_layer(path, None, METRES, ORIGIN)
    assert str(caught.value).count("self-intersection") == SHOWN


def test_features_of_another_kind_are_named(tmp_path):
    path = write(tmp_path / "w.gpkg", [shapely.Point(3, 4)], names=["well"])
    with pytest.raises(BadInputError, match=r"polygons are wanted, but feature 1 \('well'\) is a Point"):
        read_layer(path, None, METRES, ORIGIN, kinds=("polygon",))
    mixed = {"type": "GeometryCollection", "geometries": []}
    (tmp_path / "m.geojson").write_text(
        str({"type": "Feature", "properties": {}, "geometry": mixed}).replace("'", '"')
    )
    assert len(read_layer(tmp_path / "m.geojson", None, METRES, ORIGIN)) == 0  # empty: left out


def test_the_checksum_is_that_of_the_bytes(tmp_path):
    # FIPS 180-4's example for "abc"
    (tmp_path / "w.geojson").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert vector_checksum(tmp_path / "w.geojson") == expected


def test_inputs_are_not_changed(tmp_path):
    path = write(tmp_path / "w.gpkg", [globally(POND)])
    before = path.read_bytes()
    read_layer(path, None, METRES, ORIGIN)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["w.gpkg"]
