"""Counts, numbers by return and bounding box: kept where they were right, recomputed where not."""

import hashlib
import struct

import numpy as np
import pytest

from cloudprep.io.las import WriteOptions, fingerprint, open_flight, write_patched

PLAIN = WriteOptions(format="las")


def counts(header):
    """Return the 32-bit count and by-return counts, and the 64-bit ones where there are any."""
    narrow = struct.unpack_from("<6I", header, 107)
    return narrow, struct.unpack_from("<16Q", header, 247) if len(header) >= 375 else None


def box(header):
    return struct.unpack_from("<6d", header, 179)


def deliver(las, path, labels=None, options=PLAIN):
    target = path.with_name("out.las")
    written = write_patched(open_flight(path), target, labels or {}, options)
    return written, las.parse(target)


@pytest.mark.parametrize("minor", [2, 4])
def test_wrong_counts_by_return_are_recomputed(las, minor):
    good = las.parse(las.file("good.las", minor=minor))
    path = las.file("in.las", minor=minor, overrides={111: ("I", 1), 255 if minor == 4 else 115: ("I", 3)})
    written, result = deliver(las, path)
    assert result.data == good.data
    assert any("by return" in words for words in written.warnings)


@pytest.mark.parametrize("place", range(179, 227, 8))
@pytest.mark.parametrize("value", [1e9, -1e9, float("nan"), float("inf"), 0.0])
def test_a_wrong_side_of_the_bounding_box_is_recomputed(las, place, value):
    good = las.parse(las.file("good.las"))
    written, result = deliver(las, las.file("in.las", overrides={place: ("d", value)}))
    assert result.data == good.data
    assert any("bounding box" in words for words in written.warnings)


def test_a_bounding_box_from_before_rounding_is_kept(las):
    good = box(las.parse(las.file("good.las")).header)
    path = las.file("in.las", overrides={179: ("d", good[0] + 0.0049), 203: ("d", good[3] - 0.0049)})
    written, result = deliver(las, path)
    assert result.data == path.read_bytes()
    assert written.warnings == ()


@pytest.mark.parametrize("counted", [True, False])
def test_return_number_0_may_be_counted_as_a_first_return(las, counted):
    records = las.random_records(6, 50)
    records[:, 14] = 0
    path = las.file(
        "photo.las",
        point_format=6,
        minor=4,
        records=records,
        overrides={255: ("Q", 50 if counted else 0)},
    )
    written, result = deliver(las, path)
    assert result.data == path.read_bytes()
    assert written.warnings == ()


def test_count_that_was_only_in_the_32_bit_field_is_put_right(las):
    path = las.file("in.las", minor=4, overrides={247: ("Q", 0)})
    _, result = deliver(las, path)
    assert result.data == las.file("good.las", minor=4).read_bytes()


def test_right_32_bit_counts_of_new_formats_stay_and_wrong_ones_go(las):
    records = las.random_records(6, 80)
    for narrow, expected in ((80, 80), (0, 0)):
        path = las.file(
            "in.las",
            point_format=6,
            minor=4,
            records=records,
            legacy_counts=True,
            overrides={107: ("I", narrow)},
        )
        _, result = deliver(las, path)
        assert counts(result.header)[0][0] == expected
        assert counts(result.header)[1][0] == 80


@pytest.mark.parametrize("point_format", [1, 6])
@pytest.mark.parametrize("compress", [False, True])
def test_dropped_noise_leaves_counts_and_box_of_the_rest(las, tmp_path, point_format, compress):
    minor = 4 if point_format == 6 else 2
    records = las.random_records(point_format, 400)
    path = las.file("in.las", point_format=point_format, minor=minor, records=records)
    codes = np.random.default_rng(1).choice(np.array([2, 7, 18, 5], np.uint8), 400)
    # The outermost points are noise, so that the box must shrink.
    steps = np.ascontiguousarray(records[:, :12]).view("<i4")
    codes[[steps[:, 0].argmax(), steps[:, 1].argmin(), steps[:, 2].argmax()]] = 7, 18, 7
    kept = (codes != 7) & (codes != 18)
    options = WriteOptions(format="laz" if compress else "las", drop_noise=True)
    written = write_patched(open_flight(path), tmp_path / "out.laz", {"classification": codes}, options)
    result = las.parse(tmp_path / "out.laz")
    assert written.count == result.count == kept.sum()
    assert np.array_equal(result.records[:, :14], records[kept, :14])
    returns = records[kept, 14] & (7 if point_format < 6 else 15)
    by_return = np.bincount(returns, minlength=16)[1:].tolist()
    narrow, wide = counts(result.header)
    if point_format == 6:
        assert narrow == (0,) * 6
        assert wide == (int(kept.sum()), *by_return)
    else:
        assert narrow == (int(kept.sum()), *by_return[:5])
    scale, offset = np.array([0.01] * 3), np.array([500_000.0, 4_000_000.0, 100.0])
    high, low = (f(steps[kept], axis=0) * scale + offset for f in (np.max, np.min))
    assert box(result.header) == (high[0], low[0], high[1], low[1], high[2], low[2])
    assert not any("wrong" in words for words in written.warnings)


def test_nothing_left_after_dropping_noise(las):
    path = las.file("in.las")
    options = WriteOptions(format="laz", drop_noise=True)
    written, result = deliver(las, path, {"classification": np.full(60, 7, np.uint8)}, options)
    assert written.count == result.count == 0
    assert box(result.header) == (0.0,) * 6
    assert open_flight(written.path).count == 0


def test_noise_of_the_source_is_dropped_without_labels_too(las):
    records = las.random_records(6, 90)
    records[:30, 16] = 18
    records[30:, 16] = 2
    path = las.file("in.las", point_format=6, minor=4, records=records)
    written, _ = deliver(las, path, options=WriteOptions(format="las", drop_noise=True))
    assert written.count == 60


def test_checksum_and_fingerprint_are_those_of_the_bytes(las):
    path = las.file("in.las")
    written, result = deliver(las, path)
    assert written.sha256 == hashlib.sha256(result.data).hexdigest()
    assert fingerprint(written.path) == {"size": len(result.data), "sha256": written.sha256}
