"""Reference systems and units from WKT and GeoTIFF keys, whole, odd and contradictory.

Sources: LAS 1.4-R15 (records, bit 4), OGC GeoTIFF 1.1 19-008r4 (keys), the EPSG registry as pyproj carries it
(codes), NGS (the feet: 0.3048 m exactly; 1200/3937 m).
"""

import struct

import numpy as np
import pytest
from pyproj import CRS, Transformer

from cloudprep.errors import CrsError
from cloudprep.io.las import assumed_crs, assumed_units, open_flight
from cloudprep.model.crs import CloudCrs

FOOT, US_FOOT = 0.3048, 1200 / 3937
METRES = (1.0, 1.0)
DEGREES_MODEL, MAP_MODEL = (1024, 0, 1, 2), (1024, 0, 1, 1)


def text_record(las, code, user="LASF_Projection", dialect="WKT1_GDAL", cut=None):
    text = CRS.from_user_input(code).to_wkt(dialect) if isinstance(code, str | int) else code.decode()
    return las.vlr(user, 2112, text.encode()[:cut] + b"\0rubbish")


def key_record(las, *keys):
    return las.vlr("LASF_Projection", 34735, las.geokeys(*keys))


def on_map(code, east, north):
    """Return map coordinates of a place given in degrees (NAD83)."""
    return Transformer.from_crs("EPSG:4269", code, always_xy=True).transform(east, north)


def crs_of(las, *records, minor=4, encoding=0, evlrs=()):
    return open_flight(
        las.file("a.las", minor=minor, encoding=encoding, vlrs=list(records), evlrs=list(evlrs))
    ).crs


@pytest.mark.parametrize(
    ("code", "horizontal", "vertical", "name"),
    [
        ("EPSG:25832", 1.0, 1.0, "EPSG:25832"),
        ("EPSG:25832+7837", 1.0, 1.0, "EPSG:25832 + EPSG:7837"),
        ("EPSG:2227+6360", US_FOOT, US_FOOT, "EPSG:2227 + EPSG:6360"),
        ("EPSG:2994+8228", FOOT, FOOT, "EPSG:2994 + EPSG:8228"),
        ("EPSG:26910+6360", 1.0, US_FOOT, "EPSG:26910 + EPSG:6360"),
        ("EPSG:2227+5703", US_FOOT, 1.0, "EPSG:2227 + EPSG:5703"),
    ],
)
@pytest.mark.parametrize("dialect", ["WKT1_GDAL", "WKT2_2019"])
def test_texts_tell_both_units(las, code, horizontal, vertical, name, dialect):
    crs = crs_of(las, text_record(las, code, dialect=dialect), encoding=16)
    assert (crs.horizontal_unit, crs.vertical_unit) == (horizontal, vertical)
    assert (crs.name, crs.source, crs.geographic, crs.warnings) == (name, "WKT", False, ())
    assert CRS.from_wkt(crs.wkt).equals(CRS.from_user_input(code))


@pytest.mark.parametrize(
    ("keys", "horizontal", "vertical", "name"),
    [
        ([MAP_MODEL, (3072, 0, 1, 25832)], 1.0, 1.0, "EPSG:25832"),
        ([(3072, 0, 1, 25832)], 1.0, 1.0, "EPSG:25832"),
        ([MAP_MODEL, (3072, 0, 1, 25832), (4096, 0, 1, 7837)], 1.0, 1.0, "EPSG:25832 + EPSG:7837"),
        ([MAP_MODEL, (3072, 0, 1, 2227), (4096, 0, 1, 6360)], US_FOOT, US_FOOT, "EPSG:2227 + EPSG:6360"),
        ([MAP_MODEL, (3072, 0, 1, 26910), (4096, 0, 1, 6360)], 1.0, US_FOOT, "EPSG:26910 + EPSG:6360"),
        ([MAP_MODEL, (3072, 0, 1, 26910), (4099, 0, 1, 9002)], 1.0, FOOT, "EPSG:26910"),
        ([MAP_MODEL, (3072, 0, 1, 25832), (4096, 0, 1, 4979)], 1.0, 1.0, "EPSG:25832 + ellipsoidal heights"),
        ([MAP_MODEL, (3072, 0, 1, 25832), (4096, 0, 1, 5030)], 1.0, 1.0, "EPSG:25832 + ellipsoidal heights"),
    ],
)
def test_keys_tell_both_units(las, keys, horizontal, vertical, name):
    crs = crs_of(las, key_record(las, *keys))
    assert (crs.horizontal_unit, crs.vertical_unit) == (horizontal, vertical)
    assert (crs.name, crs.source, crs.geographic, crs.warnings) == (name, "GeoTIFF keys", False, ())
    assert CRS.from_wkt(crs.wkt).is_compound == ("EPSG" in name.split("+")[-1] and "+" in name)


@pytest.mark.parametrize(("code", "unit"), [(9001, 1.0), (9002, FOOT), (9003, US_FOOT)])
def test_a_unit_key_that_contradicts_the_code_is_used_and_told(las, code, unit):
    # State plane codes in metres with coordinates in feet are common in deliveries.
    crs = crs_of(las, key_record(las, MAP_MODEL, (3072, 0, 1, 26910), (3076, 0, 1, code)))
    assert crs.horizontal_unit == unit
    assert any("the unit is used" in words for words in crs.warnings) == (unit != 1.0)
    axis = CRS.from_wkt(crs.wkt).axis_info[0]
    assert axis.unit_conversion_factor == pytest.approx(unit, rel=1e-12)
    # The same place on Earth: only the unit of the axes changed.
    there = np.array(on_map(crs.wkt, -122.0, 38.0)) * unit
    assert there == pytest.approx(on_map("EPSG:26910", -122.0, 38.0), abs=1e-4)


def test_a_vertical_unit_key_that_contradicts_the_vertical_code(las):
    keys = (MAP_MODEL, (3072, 0, 1, 26910), (4096, 0, 1, 5703), (4099, 0, 1, 9003))
    crs = crs_of(las, key_record(las, *keys))
    assert crs.vertical_unit == US_FOOT
    assert any("EPSG:5703" in words and "the unit is used" in words for words in crs.warnings)
    heights = CRS.from_wkt(crs.wkt).sub_crs_list[1].axis_info[0]
    assert heights.unit_conversion_factor == pytest.approx(US_FOOT, rel=1e-12)


def test_a_projection_given_by_its_parameters_resolves(las):
    # A Lambert projection in US survey feet, spelled out (GeoTIFF method 8, two standard parallels).
    numbers = (37 + 4 / 60, 38 + 26 / 60, -120.5, 36.5, 6561666.667, 1640416.667)
    keys = key_record(
        las,
        *(MAP_MODEL, (2048, 0, 1, 4269), (3072, 0, 1, 32767), (3074, 0, 1, 32767), (3075, 0, 1, 8)),
        (3076, 0, 1, 9003),
        *((key, 34736, 1, n) for n, key in enumerate((3078, 3079, 3084, 3085, 3086, 3087))),
    )
    doubles = las.vlr("LASF_Projection", 34736, struct.pack("<6d", *numbers))
    crs = crs_of(las, keys, doubles)
    assert crs.horizontal_unit == US_FOOT
    # EPSG:2227 is NAD83 / California zone 3 (ftUS), with just these parameters.
    assert on_map(crs.wkt, -121.5, 37.6) == pytest.approx(on_map("EPSG:2227", -121.5, 37.6), abs=0.01)


def test_no_vertical_unit_is_told_only_where_it_matters(las):
    assert crs_of(las, key_record(las, MAP_MODEL, (3072, 0, 1, 25832))).warnings == ()
    crs = crs_of(las, key_record(las, MAP_MODEL, (3072, 0, 1, 2227)))
    assert crs.vertical_unit == US_FOOT
    assert any("heights are taken to be in US survey foot" in words for words in crs.warnings)


@pytest.mark.parametrize("version", [2, 4])
def test_degrees_are_flagged(las, version):
    for record in (
        text_record(las, "EPSG:4326"),
        key_record(las, DEGREES_MODEL, (2048, 0, 1, 4326)),
        key_record(las, DEGREES_MODEL),
        key_record(las, DEGREES_MODEL, (2048, 0, 1, 4326), (4099, 0, 1, 9001)),
    ):
        crs = crs_of(las, record, minor=version)
        assert crs.geographic
        assert crs.horizontal_unit is None


def test_geocentric_coordinates_are_no_map(las):
    crs = crs_of(las, text_record(las, "EPSG:4978"))
    assert crs.geographic
    assert any("geocentric" in words for words in crs.warnings)


@pytest.mark.parametrize("encoding", [0, 16])
def test_a_text_is_read_whatever_the_bit_says(las, encoding):
    crs = crs_of(las, text_record(las, 25832), encoding=encoding)
    assert crs.name == "EPSG:25832"
    assert bool(crs.warnings) == (encoding == 0)


def test_a_text_in_an_extended_record(las):
    text = CRS.from_epsg(25832).to_wkt("WKT1_GDAL").encode() + b"\0"
    crs = crs_of(las, encoding=16, evlrs=[las.evlr("LASF_Projection", 2112, text)])
    assert (crs.name, crs.warnings) == ("EPSG:25832", ())


def test_older_versions_know_no_such_bit(las):
    assert crs_of(las, text_record(las, 25832), minor=2).warnings == ()


@pytest.mark.parametrize(
    "keys",
    [
        [MAP_MODEL, (3072, 0, 1, 25833)],
        [MAP_MODEL, (3072, 0, 1, 32767), (3076, 0, 1, 9003)],
        [MAP_MODEL, (3072, 0, 1, 25832), (4099, 0, 1, 9002)],
        [DEGREES_MODEL, (2048, 0, 1, 4326)],
    ],
)
def test_text_wins_over_contradicting_keys(las, keys):
    crs = crs_of(las, key_record(las, *keys), text_record(las, "EPSG:25832+7837"), encoding=16)
    assert (crs.name, crs.source) == ("EPSG:25832 + EPSG:7837", "WKT")
    assert (crs.horizontal_unit, crs.vertical_unit) == METRES
    assert any("contradict each other" in words for words in crs.warnings)


def test_text_and_keys_that_agree_need_no_words(las):
    crs = crs_of(las, key_record(las, MAP_MODEL, (3072, 0, 1, 25832)), text_record(las, 25832), encoding=16)
    assert crs.warnings == ()


def test_keys_serve_where_the_text_is_unreadable(las):
    keys = key_record(las, MAP_MODEL, (3072, 0, 1, 25832))
    for text in (text_record(las, 25832, cut=100), text_record(las, b""), text_record(las, b"PROJCS[]")):
        crs = crs_of(las, text, keys)
        assert (crs.name, crs.source) == ("EPSG:25832", "GeoTIFF keys")
        assert any("WKT record" in words for words in crs.warnings)


def test_other_peoples_records_are_no_text(las):
    assert crs_of(las, text_record(las, 25832, user="made up")) == CloudCrs()


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "cut short"),
        (bytes(6), "cut short"),
        (bytes(16), "unknown version"),
        (struct.pack("<4H", 1, 1, 0, 0), "empty"),
        (struct.pack("<8H", 1, 1, 0, 9, 1024, 0, 1, 1), "1 of 9"),
        (struct.pack("<8H", 1, 1, 0, 1, 3076, 0, 1, 4242), "4242"),
        (struct.pack("<8H", 1, 1, 0, 1, 3072, 0, 1, 1025), "EPSG:1025"),
        (struct.pack("<8H", 1, 1, 0, 1, 3072, 0, 1, 4326), "EPSG:4326"),
        (struct.pack("<8H", 1, 1, 0, 1, 3072, 34736, 1, 7), "isn't there"),
        (struct.pack("<8H", 1, 1, 0, 1, 3072, 0, 1, 32767), "can't be resolved"),
        (struct.pack("<12H", 1, 1, 0, 2, 1024, 0, 1, 2, 3072, 0, 1, 25832), "degrees are believed"),
        (struct.pack("<12H", 1, 1, 0, 2, 3072, 0, 1, 25832, 3072, 0, 1, 25833), "twice"),
        (struct.pack("<12H", 1, 1, 0, 2, 3072, 0, 1, 25832, 4096, 0, 1, 25833), "25833"),
    ],
)
def test_odd_keys_are_warned_about(las, payload, words):
    crs = crs_of(las, las.vlr("LASF_Projection", 34735, payload))
    assert any(words in warning for warning in crs.warnings)
    assert crs.source in {"none", "GeoTIFF keys"}


def test_random_keys_never_raise(las):
    rng = np.random.default_rng(2)
    common = [1024, 2048, 2054, 3072, 3074, 3075, 3076, 3077, 3078, 4096, 4099, 1026, 0]
    for _ in range(150):
        keys = [
            (
                int(rng.choice(common)),
                int(rng.choice([0, 34736, 34737, 7])),
                1,
                int(rng.choice([1, 2, 3, 9001, 9003, 4326, 25832, 5703, 32767, rng.integers(65536)])),
            )
            for _ in range(rng.integers(0, 12))
        ]
        doubles = las.vlr("LASF_Projection", 34736, rng.bytes(int(rng.integers(0, 60))))
        text = las.vlr("LASF_Projection", 34737, rng.bytes(int(rng.integers(0, 30))))
        crs = crs_of(las, key_record(las, *keys), doubles, text)
        assert crs.horizontal_unit is None or crs.horizontal_unit > 0


def test_no_records_state_nothing(las):
    assert crs_of(las) == CloudCrs()


def test_assumed_systems():
    crs = assumed_crs("EPSG:25832+7837")
    assert (crs.name, crs.source) == ("EPSG:25832 + EPSG:7837", "assumed")
    assert (crs.horizontal_unit, crs.vertical_unit) == METRES
    assert assumed_crs(" epsg:2227 ").horizontal_unit == US_FOOT
    assert assumed_crs("EPSG:2227+EPSG:5703").vertical_unit == 1.0
    assert assumed_crs("EPSG:4326").geographic
    # A code that is compound by itself.
    assert assumed_crs("EPSG:7405").vertical_unit == 1.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("25832", "EPSG:n"),
        ("EPSG:", "EPSG:n"),
        ("EPSG:1", "EPSG:1 isn't a known"),
        ("EPSG:25832+1", "EPSG:1 isn't a known vertical"),
        ("EPSG:25832+25833", "EPSG:25833 isn't a known vertical"),
        ("EPSG:5703", "vertical system"),
    ],
)
def test_assumed_systems_that_are_none(text, words):
    with pytest.raises(CrsError, match=words):
        assumed_crs(text)


def test_assumed_units():
    for name, unit in (("metre", 1.0), ("foot", FOOT), ("us_survey_foot", US_FOOT)):
        crs = assumed_units(name)
        assert (crs.horizontal_unit, crs.vertical_unit, crs.source, crs.wkt) == (unit, unit, "assumed", None)
    with pytest.raises(CrsError, match="furlong"):
        assumed_units("furlong")
