"""Formats 0 to 5 as formats 6 to 10, field by field: laspy's reading of both, and the standard's tables."""

import struct

import laspy
import numpy as np
import pytest
from pyproj import CRS

from cloudprep.io.las import WriteOptions, open_flight, write_patched

# LAS 1.4-R15: which newer format carries the fields of which older one.
NEW_FORMAT = {0: 6, 1: 6, 2: 7, 3: 7, 4: 9, 5: 10}
UPGRADE = WriteOptions(format="las", las_version="1.4")
UNCHANGED = (
    *("X", "Y", "Z", "intensity", "return_number", "number_of_returns", "scan_direction_flag"),
    *("edge_of_flight_line", "synthetic", "withheld", "user_data", "point_source_id"),
)
WAVES = (
    *("wavepacket_index", "wavepacket_offset", "wavepacket_size", "return_point_wave_location"),
    *("x_t", "y_t", "z_t"),
)
GEOKEYS_25832 = ((1024, 0, 1, 1), (3072, 0, 1, 25832), (4096, 0, 1, 7837))


def upgraded(las, path, labels=None, options=UPGRADE):
    target = path.with_name("upgraded.las")
    written = write_patched(open_flight(path), target, labels or {}, options)
    return written, las.parse(target)


def legacy_file(las, point_format, extra=0, **more):
    minor = max(las.OLDEST_MINOR[point_format], more.pop("minor", 0))
    records = las.random_records(point_format, 400, extra=extra, seed=point_format)
    rng = np.random.default_rng(9)
    records[:, 16] = rng.integers(-90, 91, 400).astype(np.int8).view(np.uint8)
    return las.file("old.las", point_format=point_format, minor=minor, records=records, **more)


@pytest.mark.parametrize("point_format", range(6))
@pytest.mark.parametrize("compress", [False, True])
def test_every_field_is_carried(las, point_format, compress):
    path = legacy_file(las, point_format, extra=3, compress=compress)
    options = WriteOptions(format="laz" if compress else "las", las_version="1.4")
    _, result = upgraded(las, path, options=options)
    assert result.point_format == NEW_FORMAT[point_format]
    assert tuple(result.header[24:26]) == (1, 4)
    old, new = laspy.read(path), laspy.read(path.with_name("upgraded.las"))
    names = list(UNCHANGED)
    names += [
        name for name in ("gps_time", "red", "green", "blue") if name in old.point_format.dimension_names
    ]
    names += WAVES if point_format in {4, 5} else []
    for name in names:
        assert np.array_equal(np.asarray(old[name]), np.asarray(new[name]), equal_nan=True), name
    assert np.array_equal(las.parse(path).records[:, -3:], result.records[:, -3:])
    # Whole degrees become steps of 0.006 degrees: half a step is the largest error.
    degrees = np.asarray(old["scan_angle_rank"], float)
    assert np.abs(np.asarray(new["scan_angle"]) * 0.006 - degrees).max() <= 0.003 + 1e-12
    assert not np.asarray(new["scanner_channel"]).any()
    old_codes = np.asarray(old.classification)
    flagged = np.isin(old_codes, (8, 12))
    assert np.array_equal(np.asarray(new.classification), np.where(flagged, 1, old_codes))
    assert np.array_equal(np.asarray(new["overlap"]), old_codes == 12)
    assert np.array_equal(np.asarray(new["key_point"]), np.asarray(old["key_point"]) | (old_codes == 8))


def test_what_the_old_format_lacks_is_zero_and_told(las):
    for point_format, words in ((0, "no GPS time"), (2, "no GPS time"), (5, "no near-infrared")):
        written, _ = upgraded(las, legacy_file(las, point_format))
        assert any(words in warning for warning in written.warnings)
        new = laspy.read(written.path)
        assert not np.asarray(new["nir" if point_format == 5 else "gps_time"]).any()
    assert upgraded(las, legacy_file(las, 3))[0].warnings == ()


def test_labels_speak_the_old_codes(las):
    path = legacy_file(las, 1)
    old = np.asarray(laspy.read(path).classification)
    codes = np.resize(np.array([2, 12, 8, 18, 64], np.uint8), 400)
    withheld = np.arange(400) % 3 == 0
    _, result = upgraded(las, path, {"classification": codes, "withheld": withheld})
    new = laspy.read(path.with_name("upgraded.las"))
    assert np.array_equal(np.asarray(new.classification), np.where(np.isin(codes, (8, 12)), 1, codes))
    # What a point's old code said beyond its class is not lost when it gets another.
    assert np.array_equal(np.asarray(new["overlap"]) != 0, (old == 12) | (codes == 12))
    assert np.array_equal(np.asarray(new["withheld"]) != 0, withheld)
    assert result.count == 400


@pytest.mark.parametrize("minor", [0, 1, 2, 3, 4])
def test_the_header_grows_to_that_of_1_4(las, minor):
    path = legacy_file(
        las,
        1,
        minor=minor,
        padding=b"\xcc\xdd",
        vlrs=[las.vlr("made up", 1, b"kept")],
        user_header=b"own bytes",
    )
    source = las.parse(path)
    _, result = upgraded(las, path)
    assert len(result.header) == 375 + len(b"own bytes")
    assert result.header.endswith(b"own bytes")
    assert struct.unpack_from("<H", result.header, 94)[0] == len(result.header)
    # Names, dates, GUID, scales, offsets and box stay; version, counts, format and places change.
    for start, end in ((0, 6), (8, 24), (26, 94), (131, 227)):
        assert result.header[start:end] == source.header[start:end]
    assert struct.unpack_from("<H", result.header, 6)[0] == 16
    assert struct.unpack_from("<6I", result.header, 107) == (0,) * 6
    by_return = np.bincount(source.records[:, 14] & 7, minlength=16)[1:]
    assert struct.unpack_from("<16Q", result.header, 247) == (400, *by_return.tolist())
    assert struct.unpack_from("<QQI", result.header, 227) == (0, 0, 0)
    assert result.vlrs == source.vlrs
    assert result.padding == source.padding


def test_extended_records_move_along(las):
    path = legacy_file(las, 3, minor=4, evlrs=[las.evlr("made up", 9, b"behind")])
    source = las.parse(path)
    _, result = upgraded(las, path)
    assert result.evlrs == source.evlrs


def test_a_1_3_waveform_record_becomes_an_extended_record(las):
    packets = las.evlr("LASF_Spec", 65535, bytes(500))
    path = legacy_file(las, 4, waveforms=packets, encoding=2)
    _, result = upgraded(las, path)
    assert result.evlrs == [packets]
    assert result.waveform_start == result.evlr_start


def test_geotiff_keys_become_a_text_and_are_superseded(las):
    keys = las.vlr("LASF_Projection", 34735, las.geokeys(*GEOKEYS_25832), b"keys")
    path = legacy_file(las, 1, vlrs=[keys])
    written, result = upgraded(las, path)
    old, text = result.vlrs
    assert old[2:18].rstrip(b"\0") == b"LASF_Spec"
    assert struct.unpack_from("<H", old, 18)[0] == 7
    assert old[20:] == keys[20:]
    assert text[2:18].rstrip(b"\0") == b"LASF_Projection"
    assert struct.unpack_from("<H", text, 18)[0] == 2112
    assert text.endswith(b"\0")
    # OGC 01-009, which the standard asks for, knows these words and no newer ones.
    assert text[54:].startswith(b"COMPD_CS[")
    assert CRS.from_wkt(text[54:-1].decode()).equals(CRS.from_user_input("EPSG:25832+7837"))
    crs = open_flight(written.path).crs
    assert (crs.name, crs.source, crs.warnings) == ("EPSG:25832 + EPSG:7837", "WKT", ())
    assert written.warnings == ()


def test_a_text_that_was_there_is_the_text(las):
    text = las.vlr("LASF_Projection", 2112, CRS.from_epsg(25832).to_wkt("WKT1_GDAL").encode() + b"\0")
    path = legacy_file(las, 1, minor=4, vlrs=[text])
    written, result = upgraded(las, path)
    assert result.vlrs == [text]
    assert open_flight(written.path).crs.warnings == ()


def test_keys_that_do_not_resolve_are_left_and_told(las):
    keys = las.vlr("LASF_Projection", 34735, las.geokeys((1024, 0, 1, 1), (3076, 0, 1, 9003)))
    path = legacy_file(las, 1, vlrs=[keys])
    written, result = upgraded(las, path)
    assert result.vlrs == [keys]
    assert any("can't be turned into the WKT" in words for words in written.warnings)


def test_new_formats_are_left_alone(las):
    path = las.file("new.las", point_format=7, minor=4, records=las.random_records(7, 50))
    written, result = upgraded(las, path)
    assert result.data == path.read_bytes()
    assert written.warnings == ()


def test_noise_is_dropped_from_the_upgraded_too(las):
    path = legacy_file(las, 1)
    codes = np.resize(np.array([7, 2, 18, 1], np.uint8), 400)
    options = WriteOptions(format="laz", drop_noise=True, las_version="1.4")
    written, result = upgraded(las, path, {"classification": codes}, options)
    assert written.count == result.count == 200
    assert set(result.records[:, 16].tolist()) == {1, 2}
