"""A label without a field of the standard becomes an extra dimension; nothing else changes by it.

The layout of descriptors is that of ASPRS LAS 1.4-R15, tables 24 and 25, written out here by hand; what is
delivered is also read back with laspy, an open reader.
"""

import itertools
import struct

import laspy
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cloudprep.errors import BadInputError
from cloudprep.io.las import (
    WriteOptions,
    check_room_for_labels,
    open_flight,
    read_columns,
    write,
    write_patched,
)

NAME = "ground_confidence"
SPEC = b"LASF_Spec"
HEADER_MOVED = ((96, 104), (104, 107), (227, 243))


def descriptor(name=b"", kind=1, options=0, *, scale=0.0, offset=0.0, note=b""):
    """Return 192 bytes as table 24 lays them out."""
    head = struct.pack("<2sBB32s4s", b"", kind, options, name, b"")
    ranges = bytes(3 * 24)
    return head + ranges + struct.pack("<3d3d32s", scale, 0, 0, offset, 0, 0, note)


def confidences(count, seed=3):
    return np.random.default_rng(seed).integers(0, 101, count).astype(np.uint8)


def extra_record(parsed):
    """Return the contents of the one extra-bytes record."""
    (found,) = [v for v in parsed.vlrs if v[2:18].split(b"\0")[0] == SPEC and v[18:20] == b"\4\0"]
    assert struct.unpack_from("<H", found, 20)[0] == len(found) - 54
    return found[54:]


def descriptors(payload):
    assert len(payload) % 192 == 0
    return [payload[at : at + 192] for at in range(0, len(payload), 192)]


def told(one):
    """Return type, options and name of a descriptor."""
    return one[2], one[3], one[4:36].split(b"\0")[0].decode()


def without(header, *spans):
    out = bytearray(header)
    for start, end in spans:
        out[start:end] = bytes(end - start)
    return bytes(out)


@pytest.mark.parametrize(
    ("point_format", "compressed_in", "compress"),
    list(itertools.product(range(11), (False, True), (False, True))),
)
def test_every_point_format_gains_a_byte_and_nothing_else(
    las, tmp_path, point_format, compressed_in, compress
):
    minor = max(las.OLDEST_MINOR[point_format], point_format % 5)
    path = las.file(
        "in.laz",
        point_format=point_format,
        minor=minor,
        records=las.random_records(point_format, 300, extra=7),
        vlrs=[
            las.vlr("made up\0rubbish", 77, b"payload", b"text\0\xff\xfe", reserved=0xAABB),
            las.vlr(b"LASF_Spec\0rub", 4, descriptor(b"width", 3), b"own words\0?", reserved=7),
            las.vlr("empty", 1, b""),
        ],
        evlrs=[las.evlr("made up", 5, b"behind" * 40)] if minor == 4 else [],
        padding=b"\xdd\xcc",
        user_header=b"users' own",
        encoding=0b10001 if minor == 4 else 1,
        compress=compressed_in,
    )
    flight = open_flight(path)
    sure = confidences(300)
    target = tmp_path / "out.laz"
    options = WriteOptions(format="laz" if compress else "las")
    written = write_patched(flight, target, {NAME: sure}, options)
    source, result = las.parse(path), las.parse(target)
    assert written.count == result.count == 300
    assert np.array_equal(result.records[:, :-1], source.records)
    assert np.array_equal(result.records[:, -1], sure)
    assert without(result.header, *HEADER_MOVED) == without(source.header, *HEADER_MOVED)
    assert struct.unpack_from("<H", result.header, 105)[0] == source.records.shape[1] + 1
    others = [v for v in source.vlrs if v[2:16] != b"laszip encoded"]
    ours = [v for v in result.vlrs if v[2:16] != b"laszip encoded"]
    assert [ours[0], ours[2]] == [others[0], others[2]]
    head = others[1][:54]
    assert ours[1][:20] == head[:20]
    assert ours[1][22:54] == head[22:]
    assert [told(one) for one in descriptors(extra_record(result))] == [
        (3, 0, "width"),
        (0, 5, "undocumented"),
        (1, 1, NAME),
    ]
    assert (result.padding, result.tail, result.evlrs) == (source.padding, source.tail, source.evlrs)
    assert result.point_format == point_format
    read = laspy.read(target)
    assert np.array_equal(read[NAME], sure)
    assert np.array_equal(read["width"], laspy.read(path)["width"])
    assert np.array_equal(read["undocumented"], source.records[:, -5:])


@pytest.mark.parametrize("minor", range(5))
def test_every_version_without_extra_bytes(las, tmp_path, minor):
    point_format = {0: 1, 1: 0, 2: 3, 3: 1, 4: 2}[minor]
    records = las.random_records(point_format, 50)
    path = las.file("in.las", point_format=point_format, minor=minor, records=records)
    sure = confidences(50)
    target = tmp_path / "out.las"
    write_patched(open_flight(path), target, {NAME: sure}, WriteOptions("las"))
    result = las.parse(target)
    assert np.array_equal(result.records, np.c_[records, sure])
    assert result.header[24:26] == bytes((1, minor))
    (only,) = descriptors(extra_record(result))
    assert only[4:36].rstrip(b"\0") == NAME.encode()
    # Type 1 is an unsigned byte; bit 0 of the options says that "no data" holds: 0, not judged.
    assert only == descriptor(NAME.encode(), 1, 1, note=b"percent sure, 0: not judged")
    assert np.array_equal(laspy.read(target)[NAME], sure)


def test_it_stands_beside_class_and_flag(las, tmp_path):
    records = las.random_records(6, 200)
    path = las.file("in.laz", point_format=6, minor=4, records=records, compress=True)
    rng = np.random.default_rng(9)
    labels = {
        "classification": rng.integers(0, 20, 200).astype(np.uint8),
        "withheld": rng.random(200) < 0.5,
        NAME: confidences(200),
    }
    write_patched(open_flight(path), tmp_path / "out.laz", labels)
    read = laspy.read(tmp_path / "out.laz")
    for name, values in labels.items():
        assert np.array_equal(read[name], values), name
    with pytest.raises(ValueError, match="'ground_confidence' must be uint8"):
        write_patched(open_flight(path), tmp_path / "no.laz", {NAME: labels[NAME].astype("u2")})
    with pytest.raises(ValueError, match="'roughness' is no label"):
        write_patched(open_flight(path), tmp_path / "no.laz", {"roughness": np.zeros(200, "f4")})


def laspy_cloud(path, count=500, *, kind="u1", **more):
    """Write a cloud with several dimensions of its own, one of them of our name."""
    rng = np.random.default_rng(1)
    header = laspy.LasHeader(point_format=7, version="1.4")
    header.scales = np.full(3, 0.01)
    header.add_extra_dims(
        [
            laspy.ExtraBytesParams("before", "f8"),
            laspy.ExtraBytesParams("pair", "2u2"),
            laspy.ExtraBytesParams(NAME, kind, **more),
            laspy.ExtraBytesParams("after", "i4", scales=np.array([0.5]), offsets=np.array([10.0])),
        ]
    )
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = rng.uniform(0, 50, (3, count))
    cloud.before = rng.normal(size=count)
    cloud.pair = rng.integers(0, 60_000, (count, 2))
    cloud[NAME] = rng.integers(1, 90, count)
    cloud.after = rng.integers(0, 90, count)
    cloud.write(path)
    return cloud


@pytest.mark.parametrize("ending", ["las", "laz"])
def test_a_dimension_of_that_name_is_filled_in_place(las, tmp_path, ending):
    path = tmp_path / f"in.{ending}"
    laspy_cloud(path)
    flight = open_flight(path)
    assert NAME in flight.columns
    sure = confidences(500)
    target = tmp_path / f"out.{ending}"
    write_patched(flight, target, {NAME: sure}, WriteOptions(ending))
    before, after = laspy.read(path), laspy.read(target)
    for name in before.point_format.dimension_names:
        expected = sure if name == NAME else before[name]
        assert np.array_equal(after[name], expected), name
    source, result = las.parse(path), las.parse(target)
    assert result.records.shape == source.records.shape
    assert np.count_nonzero((result.records != source.records).any(axis=0)) == 1
    told_before, told_after = (descriptors(extra_record(p)) for p in (source, result))
    # laspy states the range of the old values; the new ones have another.
    assert told_after[2] == descriptor(NAME.encode(), 1, 1, note=b"percent sure, 0: not judged")
    assert told_after[:2] + told_after[3:] == told_before[:2] + told_before[3:]


def test_delivering_a_delivery_again_gives_the_same_bytes(las, tmp_path):
    path = las.file("in.laz", records=las.random_records(1, 90, extra=2), compress=True)
    sure = confidences(90)
    for start, end in (("in", "first"), ("first", "second")):
        flight = open_flight(tmp_path / f"{start}.laz")
        write_patched(flight, tmp_path / f"{end}.laz", {NAME: sure})
    assert path.stat().st_size
    assert (tmp_path / "first.laz").read_bytes() == (tmp_path / "second.laz").read_bytes()


@pytest.mark.parametrize(
    ("kind", "more", "words"),
    [
        ("u2", {}, r"\(uint16\)"),
        ("i1", {}, r"\(int8\)"),
        ("f4", {}, r"\(float32\)"),
        ("u1", {"scales": np.array([0.5]), "offsets": np.array([0.0])}, r"\(uint8, scaled\)"),
    ],
)
def test_a_dimension_of_that_name_and_another_kind_is_refused(tmp_path, kind, more, words):
    path = tmp_path / "in.laz"
    laspy_cloud(path, kind=kind, **more)
    flight = open_flight(path)
    assert NAME not in flight.columns
    with pytest.raises(BadInputError, match=words) as error:
        check_room_for_labels(flight, ["classification", NAME])
    assert "\n" not in str(error.value)
    assert "rename or remove it in the file, or leave out the stage" in str(error.value)
    with pytest.raises(BadInputError, match=words):
        write_patched(flight, tmp_path / "out.laz", {NAME: confidences(500)})
    assert not (tmp_path / "out.laz").exists()
    check_room_for_labels(flight, ["classification"])
    write_patched(flight, tmp_path / "out.laz", {})  # who doesn't write it isn't refused


def test_a_scale_of_one_is_no_scale(las, tmp_path):
    payload = descriptor(NAME.encode(), 1, 0b11000, scale=1.0)
    records = las.random_records(1, 40, extra=1)
    path = las.file("in.las", records=records, vlrs=[las.vlr("LASF_Spec", 4, payload)])
    flight = open_flight(path)
    (found,) = read_columns(flight, [NAME])
    assert np.array_equal(found[NAME], records[:, -1])
    check_room_for_labels(flight, [NAME])


@pytest.mark.parametrize("size", [1, 7, 8, 16, 24, 31, 40, 300])
def test_undocumented_bytes_are_described_so_that_readers_find_what_follows(las, tmp_path, size):
    records = las.random_records(3, 30, extra=size)
    path = las.file("in.las", point_format=3, records=records)
    sure = confidences(30)
    write_patched(open_flight(path), tmp_path / "out.laz", {NAME: sure})
    result = las.parse(tmp_path / "out.laz")
    assert np.array_equal(result.records, np.c_[records, sure])
    *pieces, last = (told(one) for one in descriptors(extra_record(result)))
    assert last == (1, 1, NAME)
    assert sum(piece for _, piece, _ in pieces) == size
    read = laspy.read(tmp_path / "out.laz")
    assert np.array_equal(read[NAME], sure)
    names = [name for _, _, name in pieces]
    assert np.array_equal(np.column_stack([read[name] for name in names]), records[:, -size:])


@pytest.mark.parametrize(
    ("payload", "kept"),
    [
        (descriptor(b"a") + descriptor(b"long", 10), 1),  # 9 bytes described, 3 there
        (descriptor(b"a") + descriptor(b"unknown", 77), 1),
        (descriptor(b"a") + b"half a descriptor", 1),
        (b"too short", 0),
    ],
)
def test_descriptors_of_what_is_not_there_are_left_out_and_told(las, tmp_path, payload, kept):
    records = las.random_records(0, 30, extra=3)
    path = las.file("in.las", point_format=0, records=records, vlrs=[las.vlr("LASF_Spec", 4, payload)])
    sure = confidences(30)
    written = write_patched(open_flight(path), tmp_path / "out.las", {NAME: sure}, WriteOptions("las"))
    assert any("describes more than its points hold" in words for words in written.warnings)
    result = las.parse(tmp_path / "out.las")
    found = descriptors(extra_record(result))
    assert [told(one) for one in found[:kept]] == [(1, 0, "a")] * kept
    assert [told(one) for one in found[kept:]] == [(0, 3 - kept, "undocumented"), (1, 1, NAME)]
    assert np.array_equal(laspy.read(tmp_path / "out.las")[NAME], sure)


def test_rubbish_behind_the_descriptors_stays_if_nothing_is_added(las, tmp_path):
    payload = descriptor(NAME.encode(), 1, 0) + b"half a descriptor"
    records = las.random_records(0, 30, extra=1)
    path = las.file("in.las", point_format=0, records=records, vlrs=[las.vlr("LASF_Spec", 4, payload)])
    sure = confidences(30)
    written = write_patched(open_flight(path), tmp_path / "out.las", {NAME: sure}, WriteOptions("las"))
    result = las.parse(tmp_path / "out.las")
    assert written.warnings == ()
    assert extra_record(result)[192:] == b"half a descriptor"
    assert np.array_equal(result.records[:, -1], sure)


def test_descriptors_behind_the_points_move_before_them(las, tmp_path):
    records = las.random_records(6, 60, extra=3)
    evlrs = [
        las.evlr("a", 1, b"first"),
        las.evlr("LASF_Spec", 4, descriptor(b"two", 3) + descriptor(b"one", 1)),
        las.evlr("b", 2, b"last"),
    ]
    path = las.file("in.las", point_format=6, minor=4, records=records, evlrs=evlrs)
    sure = confidences(60)
    for ending in ("las", "laz"):
        target = tmp_path / f"out.{ending}"
        write_patched(open_flight(path), target, {NAME: sure}, WriteOptions(ending))
        result = las.parse(target)
        assert result.evlrs == [evlrs[0], evlrs[2]]
        assert result.tail == evlrs[0] + evlrs[2]
        found = descriptors(extra_record(result))
        assert [told(one)[2] for one in found] == ["two", "one", NAME]
        read = laspy.read(target)
        assert np.array_equal(read["one"], records[:, -1])
        assert np.array_equal(read[NAME], sure)
        assert [e.record_data for e in read.evlrs] == [b"first", b"last"]


def test_only_the_extended_record_of_descriptors(las, tmp_path):
    records = las.random_records(6, 20, extra=1)
    evlrs = [las.evlr("LASF_Spec", 4, descriptor(b"one"))]
    path = las.file("in.las", point_format=6, minor=4, records=records, evlrs=evlrs)
    write_patched(open_flight(path), tmp_path / "out.las", {NAME: confidences(20)}, WriteOptions("las"))
    result = las.parse(tmp_path / "out.las")
    assert (result.evlr_start, result.evlrs, result.tail) == (0, [], b"")


@pytest.mark.parametrize("extra", [0, 2])
def test_a_copc_file_gains_it_as_a_plain_one(las, tmp_path, extra):
    kept = las.evlr("a", 1, b"first")
    records = las.random_records(7, 400, extra=extra)
    described = [las.vlr("LASF_Spec", 4, descriptor(b"two", 4))] if extra else []
    path = las.file(
        "in.copc.laz",
        point_format=7,
        minor=4,
        records=records,
        vlrs=[las.vlr("copc", 1, bytes(160)), *described],
        evlrs=[kept, las.evlr("copc", 1000, bytes(64))],
        compress=True,
        chunk_points=0,
    )
    sure = confidences(400)
    write_patched(open_flight(path), tmp_path / "out.laz", {NAME: sure})
    result = las.parse(tmp_path / "out.laz")
    assert np.array_equal(result.records, np.c_[records, sure])
    assert result.evlrs == [kept]
    assert not open_flight(tmp_path / "out.laz").copc
    read = laspy.read(tmp_path / "out.laz")
    assert np.array_equal(read[NAME], sure)


@pytest.mark.parametrize("point_format", range(6))
def test_an_upgrade_carries_it_behind_the_wider_fields(las, tmp_path, point_format):
    records = las.random_records(point_format, 80, extra=2)
    minor = las.OLDEST_MINOR[point_format]
    path = las.file("in.las", point_format=point_format, minor=minor, records=records)
    sure = confidences(80)
    options = WriteOptions("laz", las_version="1.4")
    write_patched(open_flight(path), tmp_path / "plain.laz", {}, options)
    write_patched(open_flight(path), tmp_path / "out.laz", {NAME: sure}, options)
    plain, result = las.parse(tmp_path / "plain.laz"), las.parse(tmp_path / "out.laz")
    assert np.array_equal(result.records, np.c_[plain.records, sure])
    assert np.array_equal(laspy.read(tmp_path / "out.laz")[NAME], sure)


@pytest.mark.parametrize("point_format", [1, 6])
def test_chunks_and_batches_of_any_length(las, tmp_path, monkeypatch, point_format):
    count = 120_000  # more than two chunks of 50,000
    monkeypatch.setattr(write, "_BATCH_POINTS", 33_333)
    records = las.random_records(point_format, count, extra=1)
    minor = las.OLDEST_MINOR[point_format]
    sure = confidences(count)
    for name, more in (("plain.las", {}), ("packed.laz", {"compress": True, "chunk_points": 7001})):
        path = las.file(name, point_format=point_format, minor=minor, records=records, **more)
        seen = []
        write_patched(open_flight(path), tmp_path / f"out_{name}.laz", {NAME: sure}, progress=seen.append)
        assert sum(seen) == count
        result = las.parse(tmp_path / f"out_{name}.laz")
        assert np.array_equal(result.records, np.c_[records, sure])
        found = read_columns(open_flight(tmp_path / f"out_{name}.laz"), [NAME, "Z"], 40_000)
        assert np.array_equal(np.concatenate([piece[NAME] for piece in found]), sure)


def test_dropped_noise_takes_its_values_along(las, tmp_path):
    records = las.random_records(6, 300)
    codes = np.random.default_rng(2).choice(np.array([2, 7, 18], np.uint8), 300)
    sure = confidences(300)
    path = las.file("in.laz", point_format=6, minor=4, records=records)
    labels = {"classification": codes, NAME: sure}
    written = write_patched(open_flight(path), tmp_path / "out.laz", labels, WriteOptions(drop_noise=True))
    assert written.count == np.count_nonzero(codes == 2)
    assert np.array_equal(laspy.read(tmp_path / "out.laz")[NAME], sure[codes == 2])


def test_a_full_record_is_refused_in_one_line(las, tmp_path):
    records = np.zeros((1, 65_535), np.uint8)
    records[:, 14] = 1
    flight = open_flight(las.file("in.las", point_format=0, records=records))
    with pytest.raises(BadInputError, match="no room for the extra dimension 'ground_confidence'"):
        check_room_for_labels(flight, [NAME])


def test_a_full_list_of_descriptors_is_refused_in_one_line(las, tmp_path):
    payload = b"".join(descriptor(f"d{i}".encode()) for i in range(341))  # 65,472 of 65,535 bytes
    records = las.random_records(0, 5, extra=341)
    path = las.file("in.las", point_format=0, records=records, vlrs=[las.vlr("LASF_Spec", 4, payload)])
    with pytest.raises(BadInputError, match="no room for the extra dimension"):
        check_room_for_labels(open_flight(path), [NAME])


def test_columns_read_it_beside_the_others(las, tmp_path):
    path = tmp_path / "in.laz"
    cloud = laspy_cloud(path)
    (found,) = read_columns(open_flight(path), ["X", NAME, "classification"])
    assert found[NAME].dtype == np.uint8
    assert np.array_equal(found[NAME], cloud[NAME])
    assert np.array_equal(found["X"], cloud.X)
    (alone,) = read_columns(open_flight(path), [NAME])
    assert np.array_equal(alone[NAME], cloud[NAME])


# Type -> bytes of one value, by table 25; 11 to 20 hold two values, 21 to 30 three; the rest is reserved.
SINGLE = (1, 1, 2, 2, 4, 4, 8, 8, 4, 8)


def size_of(kind, options):
    return options if kind == 0 else SINGLE[(kind - 1) % 10] * ((kind - 1) // 10 + 1)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    told_of=st.lists(st.tuples(st.integers(0, 33), st.integers(0, 40)), max_size=6),
    more=st.integers(-6, 40),
    taken=st.booleans(),
)
def test_its_place_is_the_sum_of_what_is_described_before(las, told_of, more, taken):
    payload = b"".join(
        descriptor(b"undocumented" if taken else f"d{i}".encode(), kind, options)
        for i, (kind, options) in enumerate(told_of)
    )
    known = sum(size_of(kind, options) for kind, options in told_of if kind <= 30)
    records = las.random_records(1, 3, extra=max(0, known + more))
    vlrs = [las.vlr("LASF_Spec", 4, payload)] if payload else []
    path = las.file("in.las", records=records, vlrs=vlrs)
    sure = confidences(3)
    write_patched(open_flight(path), las.folder / "out.las", {NAME: sure}, WriteOptions("las"))
    result = las.parse(las.folder / "out.las")
    assert np.array_equal(result.records, np.c_[records, sure])
    place = las.RECORD_SIZES[1]
    for one in descriptors(extra_record(result)):
        if told(one)[2] == NAME:
            break
        place += size_of(one[2], one[3])
    assert place == result.records.shape[1] - 1
    (found,) = read_columns(open_flight(las.folder / "out.las"), [NAME])
    assert np.array_equal(found[NAME], sure)
