"""What is delivered is the source with new labels and nothing else changed, byte by byte.

Files are taken apart by the tests' own reader; compressed ones by lazrs's sequential decompressor.
"""

import itertools

import numpy as np
import pytest

from cloudprep.io.las import WriteOptions, open_flight, write_patched

WKT_SHAPED = b'LOCAL_CS["made up",UNIT["metre",1]]\0 and rubbish behind the zero'


def rich_parts(las, point_format, *, compress, extra=5, **more):
    """Return parts with everything that is easily lost."""
    minor = max(3, las.OLDEST_MINOR[point_format]) if point_format % 2 else 4
    minor = max(minor, las.OLDEST_MINOR[point_format])
    return {
        "point_format": point_format,
        "minor": minor,
        "records": las.random_records(point_format, 300, extra=extra),
        "vlrs": [
            las.vlr(b"made up\0rubbish", 77, b"payload", b"text\0\xff\xfe rubbish", reserved=0xAABB),
            las.vlr("LASF_Projection", 2112, WKT_SHAPED),
            las.vlr("LASF_Spec", 4, bytes(range(192))),
            las.vlr("empty", 1, b""),
        ],
        "evlrs": [las.evlr("made up", 5, b"behind" * 40), las.evlr("", 0, b"")] if minor == 4 else [],
        "padding": b"\xdd\xcc padding before the points",
        "user_header": b"users' own bytes",
        "encoding": 0b10001 if minor == 4 else 1,
        "compress": compress,
        **more,
    }


def new_labels(count, largest=31):
    rng = np.random.default_rng(4)
    codes = rng.integers(0, largest + 1, count).astype(np.uint8)
    return {"classification": codes, "withheld": rng.random(count) < 0.3}


def expected_records(records, point_format, labels):
    """Return the records with labels put in by the standard's bit tables, one field at a time."""
    out = records.copy()
    codes, withheld = labels["classification"], labels["withheld"]
    if point_format < 6:
        out[:, 15] = (records[:, 15] & 0b0110_0000) | codes | (withheld.astype(np.uint8) << 7)
    else:
        out[:, 16] = codes
        out[:, 15] = (records[:, 15] & 0b1111_1011) | (withheld.astype(np.uint8) << 2)
    return out


def without(header, *spans):
    """Return a header with some byte ranges blanked."""
    out = bytearray(header)
    for start, end in spans:
        out[start:end] = bytes(end - start)
    return bytes(out)


# What must differ when compression is put on or taken off: offset and number of records, the format's bit,
# and where the waveforms and the extended records begin.
MOVED = ((96, 104), (104, 105), (227, 243))


@pytest.mark.parametrize(
    ("point_format", "compressed_in", "compress"),
    list(itertools.product(range(11), (False, True), (False, True))),
)
def test_everything_but_the_labels_is_kept(las, tmp_path, point_format, compressed_in, compress):
    path = las.file("in.laz", **rich_parts(las, point_format, compress=compressed_in))
    flight = open_flight(path)
    labels = new_labels(flight.count)
    target = tmp_path / "out.laz"
    written = write_patched(flight, target, labels, WriteOptions(format="laz" if compress else "las"))
    source, result = las.parse(path), las.parse(target)
    assert written.count == result.count == 300
    assert result.compressed == compress
    assert np.array_equal(result.records, expected_records(source.records, point_format, labels))
    moved = MOVED if source.evlrs else MOVED[:2]
    assert without(result.header, *moved) == without(source.header, *moved)
    assert result.header[104] & 0x7F == point_format
    plain = [vlr for vlr in source.vlrs if vlr[2:16] != b"laszip encoded"]
    if compressed_in == compress:
        assert result.vlrs == source.vlrs
    else:
        assert [vlr for vlr in result.vlrs if vlr[2:16] != b"laszip encoded"] == plain
        assert len(result.vlrs) == len(plain) + compress
    assert result.padding == source.padding
    assert result.tail == source.tail
    assert result.evlrs == source.evlrs


@pytest.mark.parametrize("compress", [False, True])
@pytest.mark.parametrize("point_format", [0, 3, 6, 8])
def test_old_labels_give_the_same_file(las, tmp_path, point_format, compress):
    # Compressed files too: the same coder on the same points gives the same bytes.
    path = las.file("in.laz", **rich_parts(las, point_format, compress=compress))
    target = tmp_path / "out.laz"
    written = write_patched(open_flight(path), target, {}, WriteOptions(format="laz" if compress else "las"))
    assert target.read_bytes() == path.read_bytes()
    assert written.warnings == ()


@pytest.mark.parametrize("chunk_points", [None, 37])
def test_chunks_of_any_length_are_read(las, tmp_path, chunk_points):
    path = las.file("in.laz", **rich_parts(las, 6, compress=True, chunk_points=chunk_points))
    labels = new_labels(300, largest=255)
    write_patched(open_flight(path), tmp_path / "out.laz", labels)
    source, result = las.parse(path), las.parse(tmp_path / "out.laz")
    assert np.array_equal(result.records, expected_records(source.records, 6, labels))


def test_one_label_leaves_the_other_alone(las, tmp_path):
    path = las.file("in.las", records=las.random_records(1, 200))
    source = las.parse(path).records
    labels = new_labels(200)
    kept = {"classification": source[:, 15] & 31, "withheld": source[:, 15] >> 7 == 1}
    for name in labels:
        write_patched(open_flight(path), tmp_path / "out.las", {name: labels[name]}, WriteOptions("las"))
        expected = expected_records(source, 1, {**kept, name: labels[name]})
        assert np.array_equal(las.parse(tmp_path / "out.las").records, expected)


@pytest.mark.parametrize("point_format", [4, 5, 9, 10])
@pytest.mark.parametrize("compress", [False, True])
def test_waveforms_inside_the_file_are_carried_and_found(las, tmp_path, point_format, compress):
    packets = las.evlr("LASF_Spec", 65535, bytes(range(256)) * 3)
    minor = 3 if point_format < 6 else 4
    path = las.file(
        "in.las",
        point_format=point_format,
        minor=minor,
        encoding=2,
        records=las.random_records(point_format, 100),
        waveforms=packets,
        evlrs=[las.evlr("made up", 1, b"more")] if minor == 4 else [],
    )
    flight = open_flight(path)
    assert flight.count == 100
    target = tmp_path / "out.laz"
    write_patched(flight, target, {}, WriteOptions(format="laz" if compress else "las"))
    source, result = las.parse(path), las.parse(target)
    assert np.array_equal(result.records, source.records)
    assert result.tail == source.tail
    assert result.data[result.waveform_start :][: len(packets)] == packets
    assert result.evlrs == source.evlrs


def test_bytes_that_nothing_names_are_kept_and_told(las, tmp_path):
    path = las.file("in.las")
    path.write_bytes(path.read_bytes() + b"left behind")
    written = write_patched(open_flight(path), tmp_path / "out.laz", {})
    assert (tmp_path / "out.laz").read_bytes().endswith(b"left behind")
    assert any("11 bytes behind the points" in words for words in written.warnings)


def test_a_copc_file_becomes_a_plain_one(las, tmp_path):
    kept = [las.vlr("made up", 1, b"kept"), las.vlr("copc", 7, b"not part of the index")]
    path = las.file(
        "in.copc.laz",
        point_format=7,
        minor=4,
        encoding=16,
        records=las.random_records(7, 400),
        vlrs=[las.vlr("copc", 1, bytes(160)), *kept],
        evlrs=[las.evlr("a", 1, b"first"), las.evlr("copc", 1000, bytes(64)), las.evlr("b", 2, b"last")],
        compress=True,
        chunk_points=0,
    )
    flight = open_flight(path)
    assert flight.copc
    written = write_patched(flight, tmp_path / "out.laz", {})
    source, result = las.parse(path), las.parse(tmp_path / "out.laz")
    assert np.array_equal(result.records, source.records)
    assert result.vlrs[:-1] == kept
    assert result.vlrs[-1][2:16] == b"laszip encoded"
    assert result.evlrs == [source.evlrs[0], source.evlrs[2]]
    assert not open_flight(tmp_path / "out.laz").copc
    assert any("COPC" in words for words in written.warnings)


def test_a_copc_file_without_other_extended_records(las, tmp_path):
    path = las.file(
        "in.copc.laz",
        point_format=6,
        minor=4,
        records=las.random_records(6, 50),
        vlrs=[las.vlr("copc", 1, bytes(160))],
        evlrs=[las.evlr("copc", 1000, bytes(64))],
        compress=True,
        chunk_points=0,
    )
    write_patched(open_flight(path), tmp_path / "out.laz", {})
    result = las.parse(tmp_path / "out.laz")
    assert (result.evlr_start, result.evlrs, result.tail) == (0, [], b"")


def test_an_interrupted_or_failed_delivery_leaves_nothing(las, tmp_path):
    flight = open_flight(las.file("in.las", records=las.random_records(1, 100)))
    out = tmp_path / "out"
    out.mkdir()

    def stop(_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_patched(flight, out / "a.laz", {}, progress=stop)
    assert list(out.iterdir()) == []


def test_progress_adds_up(las, tmp_path):
    flight = open_flight(las.file("in.laz", compress=True, chunk_points=10))
    seen = []
    write_patched(flight, tmp_path / "out.laz", {}, progress=seen.append)
    assert sum(seen) == 60
