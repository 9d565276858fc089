"""Moving points changes coordinates and the bounding box, and no other byte."""

import struct

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from cloudprep.errors import OutputError
from cloudprep.io.las import CoordinatePatch, WriteOptions, open_flight, write_patched
from cloudprep.model.motion import Motion

TURNED = Motion((0.25, -0.125, 0.5), tuple(np.radians([0.2, -0.1, 0.3])), (500_010.0, 4_000_005.0, 102.0))


def parts_of(las, point_format, **more):
    minor = 4 if point_format >= 6 or point_format % 2 == 0 else 3
    return {
        "point_format": point_format,
        "minor": max(minor, las.OLDEST_MINOR[point_format]),
        "records": las.random_records(point_format, 400, extra=7, seed=point_format),
        "vlrs": [las.vlr("made up", 77, b"payload")],
        "evlrs": [las.evlr("made up", 5, b"behind" * 40)] if minor == 4 else [],
        "padding": b"\xdd\xcc padding",
        "user_header": b"users' own bytes",
        **more,
    }


def raw(records):
    return np.ascontiguousarray(records[:, :12]).view("<i4").astype(np.int64)


def moved(las, tmp_path, source, motion, kind="las"):
    flight = open_flight(source)
    patch = CoordinatePatch(flight, motion, 1.0, 1.0)
    write_patched(flight, tmp_path / f"out.{kind}", {}, WriteOptions(format=kind), moving=patch)
    return patch, las.parse(tmp_path / f"out.{kind}")


@pytest.mark.parametrize("compress", [False, True])
@pytest.mark.parametrize("point_format", range(11))
def test_only_coordinates_and_bounding_box_change(las, tmp_path, point_format, compress):
    """Against SciPy's rotations, rounded once."""
    source = las.file("in.las", **parts_of(las, point_format, compress=compress))
    before = las.parse(source)
    patch, after = moved(las, tmp_path, source, TURNED, "laz" if compress else "las")
    flight = open_flight(source)
    places = raw(before.records) * np.array(flight.scales) + flight.offsets
    turn = Rotation.from_rotvec(TURNED.turn)
    wanted = turn.apply(places - TURNED.centre) + TURNED.centre + TURNED.shift
    got = raw(after.records) * np.array(flight.scales) + flight.offsets
    off = np.abs(got - wanted).max(axis=0)
    assert (off <= np.array(flight.scales) / 2 + 1e-9).all()
    assert off == pytest.approx(patch.rounding, abs=1e-9)
    assert patch.moved == 400
    assert np.array_equal(after.records[:, 12:], before.records[:, 12:])
    box = struct.unpack_from("<6d", after.header, 179)
    assert box[::2] == pytest.approx(got.max(axis=0))
    assert box[1::2] == pytest.approx(got.min(axis=0))
    blank = lambda header: header[:179] + header[227:]  # noqa: E731
    if not compress:
        whole, new = source.read_bytes(), (tmp_path / "out.las").read_bytes()
        start = struct.unpack_from("<I", whole, 96)[0]
        assert len(whole) == len(new)
        assert blank(whole[:start]) == blank(new[:start])
        end = start + before.records.size
        assert whole[end:] == new[end:]


def test_a_vertical_shift_leaves_the_plan_to_the_bit(las, tmp_path):
    source = las.file("in.las", **parts_of(las, 6))
    before = raw(las.parse(source).records)
    patch, after = moved(las, tmp_path, source, Motion((0.0, 0.0, 0.1234)))
    step = open_flight(source).scales[2]
    change = raw(after.records) - before
    assert np.array_equal(change[:, :2], np.zeros((400, 2)))
    assert np.array_equal(np.unique(change[:, 2]), [round(0.1234 / step)])
    assert patch.rounding[:2] == [0.0, 0.0]


def test_no_motion_changes_nothing(las, tmp_path):
    source = las.file("in.las", **parts_of(las, 3))
    patch, _ = moved(las, tmp_path, source, Motion())
    assert (tmp_path / "out.las").read_bytes() == source.read_bytes()
    assert patch.moved == 0
    assert patch.rounding == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(("raw_x", "shift"), [(2**31 - 3, 1.0), (-(2**31) + 3, -1.0)])
def test_coordinates_beyond_32_bits_are_told(las, tmp_path, raw_x, shift):
    records = las.random_records(1, 50)
    records[7, :4] = np.frombuffer(struct.pack("<i", raw_x), np.uint8)
    source = las.file("in.las", point_format=1, records=records)
    with pytest.raises(OutputError, match=r"1 points don't fit the 32 bits of the file's x grid"):
        moved(las, tmp_path, source, Motion((shift, 0.0, 0.0)))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in.las"]


def test_units_are_metres_whatever_the_file_has(las, tmp_path):
    source = las.file("in.las", **parts_of(las, 6))
    flight = open_flight(source)
    foot = 0.3048
    patch = CoordinatePatch(flight, Motion((0.0, 0.0, 3.048)), foot, foot)
    write_patched(flight, tmp_path / "out.las", {}, WriteOptions(format="las"), moving=patch)
    change = raw(las.parse(tmp_path / "out.las").records) - raw(las.parse(source).records)
    assert np.unique(change[:, 2] * flight.scales[2]) == pytest.approx(10.0)
