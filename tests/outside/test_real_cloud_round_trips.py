"""Real clouds go through without a lost bit.

Source of the clouds: the test data of laspy's source distribution 2.7.0 (BSD-2-Clause), among them LAS 1.1
to 1.4, LAZ written by several programs, COPC, extended records, waveforms and extra bytes. Judges: laspy's
reader, and plain slices of the files' bytes.
"""

import struct

import laspy
import numpy as np
import pytest

from cloudprep.errors import BadInputError
from cloudprep.io.las import WriteOptions, open_flight, read_columns, write_patched

pytestmark = pytest.mark.network

# What is in the archive: a file that goes missing from it must not go unnoticed.
NUMBER_OF_CLOUDS = 21
COPC = {"simple.copc.laz", "simple_with_page.copc.laz"}
# Points and units as the producers' own headers and reference systems state them.
FOOT, US_FOOT = 0.3048, 1200 / 3937
FACTS = {
    "autzen_trim.laz": (110_000, FOOT, FOOT, False),
    "file_with_both_wkt_and_geotiff_vlrs.las": (25_408, US_FOOT, US_FOOT, False),
    "append-bug.laz": (37_805, 1.0, 1.0, False),
    "simple.copc.laz": (1_065, 1.0, US_FOOT, False),
    "test1_4.las": (1_000, US_FOOT, US_FOOT, False),
    "plane.laz": (28_185, 1.0, 1.0, False),
    "simple1_4.las": (22_600, None, None, True),
    "simple.las": (1_065, None, None, False),
}


def records_of(path):
    return laspy.read(path, laz_backend=laspy.LazBackend.Lazrs).points.array.tobytes()


def vlrs_of(data):
    """Return the bytes of each record before the points."""
    position, _, count = struct.unpack_from("<HII", data, 94)
    found = []
    for _ in range(count):
        (size,) = struct.unpack_from("<H", data, position + 20)
        found.append(data[position : position + 54 + size])
        position += 54 + size
    return found


def is_laz_record(vlr):
    return vlr[2:16] == b"laszip encoded"


def evlrs_of(data):
    if data[25] < 4:
        return []
    position, count = struct.unpack_from("<QI", data, 235)
    found = []
    for _ in range(count):
        (size,) = struct.unpack_from("<Q", data, position + 20)
        found.append(data[position : position + 60 + size])
        position += 60 + size
    return found


def test_the_archive_is_whole(real_clouds):
    assert len(real_clouds) == NUMBER_OF_CLOUDS


@pytest.mark.parametrize("kind", ["laz", "las"])
def test_unchanged_labels_give_the_same_records(real_clouds, tmp_path, kind):
    for name, path in real_clouds.items():
        flight = open_flight(path)
        target = tmp_path / f"{name}.{kind}"
        read = list(read_columns(flight, ["classification", "withheld"]))
        labels = {key: np.concatenate([piece[key] for piece in read]) for key in read[0]}
        written = write_patched(flight, target, labels, WriteOptions(format=kind))
        assert written.count == flight.count == len(laspy.read(path))
        assert records_of(target) == records_of(path), name
        before, after = path.read_bytes(), target.read_bytes()
        kept = [v for v in vlrs_of(before) if not is_laz_record(v) and v[2:7] != b"copc\0"]
        assert [v for v in vlrs_of(after) if not is_laz_record(v)] == kept, name
        assert evlrs_of(after) == [v for v in evlrs_of(before) if v[2:7] != b"copc\0"], name
        # The header but for version-independent places that move, the box and the counts.
        for start, end in ((0, 94), (105, 107), (131, 179)):
            assert after[start:end] == before[start:end], name
        if name != "simple1_3.las":  # the one whose bounding box is wrong
            assert after[179:227] == before[179:227], name
            assert not any("wrong" in words for words in written.warnings), name
        else:
            assert any("bounding box" in words for words in written.warnings)


def test_the_same_kind_gives_the_same_bytes(real_clouds, tmp_path):
    # Even compressed: whoever wrote the file, the same coder makes the same bytes from the same points.
    for name, path in real_clouds.items():
        if name in COPC or name == "simple1_3.las":
            continue
        target = tmp_path / name
        write_patched(open_flight(path), target, {}, WriteOptions(format=path.suffix[1:]))
        assert target.read_bytes() == path.read_bytes(), name


def test_waveforms_stay_where_the_header_says(real_clouds, tmp_path):
    path = real_clouds["simple1_3.las"]
    target = tmp_path / "out.laz"
    write_patched(open_flight(path), target, {})
    before, after = path.read_bytes(), target.read_bytes()
    (old,), (new,) = struct.unpack_from("<Q", before, 227), struct.unpack_from("<Q", after, 227)
    assert before[old + 18 : old + 20] == b"\xff\xff"  # record id 65535: waveform packets
    assert after[new:] == before[old:]


def test_new_labels_change_nothing_else(real_clouds, tmp_path):
    rng = np.random.default_rng(6)
    for name, path in real_clouds.items():
        flight = open_flight(path)
        labels = {
            "classification": rng.integers(0, 32, flight.count).astype(np.uint8),
            "withheld": rng.random(flight.count) < 0.5,
        }
        written = write_patched(flight, tmp_path / f"{name}.laz", labels)
        old, new = laspy.read(path), laspy.read(written.path)
        assert np.array_equal(np.asarray(new.classification), labels["classification"]), name
        assert np.array_equal(np.asarray(new["withheld"]) != 0, labels["withheld"]), name
        for dimension in old.point_format.dimension_names:
            if dimension not in labels:
                assert np.array_equal(np.asarray(old[dimension]), np.asarray(new[dimension])), (
                    name,
                    dimension,
                )


def test_counts_and_units_are_those_stated(real_clouds):
    for name, (count, horizontal, vertical, geographic) in FACTS.items():
        flight = open_flight(real_clouds[name])
        assert flight.count == count
        assert (flight.crs.horizontal_unit, flight.crs.vertical_unit) == (horizontal, vertical), name
        assert flight.crs.geographic == geographic


def test_copc_becomes_plain(real_clouds, tmp_path):
    for name in COPC:
        flight = open_flight(real_clouds[name])
        assert flight.copc
        written = write_patched(flight, tmp_path / name, {})
        assert not open_flight(written.path).copc
        assert any("COPC" in words for words in written.warnings)


def test_upgraded_clouds_keep_coordinates_and_colours(real_clouds, tmp_path):
    for name, path in real_clouds.items():
        flight = open_flight(path)
        written = write_patched(
            flight, tmp_path / f"{name}.laz", {}, WriteOptions(format="laz", las_version="1.4")
        )
        old, new = laspy.read(path), laspy.read(written.path)
        assert new.header.point_format.id >= 6
        for dimension in ("X", "Y", "Z", "intensity", "return_number", "gps_time", "red", "nir"):
            if dimension in old.point_format.dimension_names:
                assert np.array_equal(np.asarray(old[dimension]), np.asarray(new[dimension])), (
                    name,
                    dimension,
                )
        crs = open_flight(written.path).crs
        assert (crs.horizontal_unit, crs.vertical_unit) == (
            flight.crs.horizontal_unit,
            flight.crs.vertical_unit,
        )


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_cut_clouds_give_one_line(real_clouds, tmp_path, share):
    for name, path in real_clouds.items():
        data = path.read_bytes()
        cut = tmp_path / name
        cut.write_bytes(data[: int(len(data) * share)])
        with pytest.raises(BadInputError) as caught:
            list(read_columns(open_flight(cut), ["X"]))
        assert "\n" not in str(caught.value)
        assert "cut short" in caught.value.reason or "isn't a LAS" in caught.value.reason, name
