"""Every file that can't be used gives one clear line; field cases from the standard and from practice.

Byte offsets are those of the LAS 1.4-R15 header table.
"""

import math
import os
import struct

import numpy as np
import pytest

from cloudprep.errors import BadInputError
from cloudprep.io.las import open_flight, read_columns

SCALES, OFFSETS = 131, 155


def reason(path):
    with pytest.raises(BadInputError) as caught:
        open_flight(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    return caught.value.reason


def test_what_is_no_las_file_is_said_so(tmp_path):
    path = tmp_path / "notes.las"
    path.write_bytes(b"a shopping list, not a point cloud" * 20)
    assert "isn't a LAS or LAZ file" in reason(path)


def test_empty_missing_and_folder(tmp_path):
    empty = tmp_path / "empty.laz"
    empty.touch()
    assert "0 bytes" in reason(empty)
    assert "no such file" in reason(tmp_path / "missing.las")
    folder = tmp_path / "folder.las"
    folder.mkdir()
    assert "folder" in reason(folder)


def test_a_pipe_is_refused_without_waiting(tmp_path):
    pipe = tmp_path / "pipe.las"
    os.mkfifo(pipe)
    assert "regular file" in reason(pipe)


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_unreadable_file(las):
    path = las.file("secret.las")
    path.chmod(0)
    assert "no permission" in reason(path)


@pytest.mark.parametrize("length", [4, 100, 226, 240])
def test_cut_inside_the_header(las, length):
    path = las.file("cut.las", minor=4)
    path.write_bytes(path.read_bytes()[:length])
    assert "cut short inside its header" in reason(path)


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        ({24: ("BB", (2, 0))}, "version 2.0"),
        ({25: ("B", 5)}, "version 1.5"),
        ({94: ("H", 100)}, "100 bytes long"),
        ({96: ("I", 5)}, "inside the header"),
        ({104: ("B", 11)}, "point format 11"),
        ({104: ("B", 0x40 | 1)}, "point format 65"),
        ({105: ("H", 27)}, "27 bytes long"),
        ({SCALES: ("d", 0.0)}, "x scale is 0"),
        ({SCALES + 8: ("d", -0.01)}, "y scale is -0.01"),
        ({SCALES + 16: ("d", math.nan)}, "z scale is nan"),
        ({SCALES: ("d", 1e300)}, "x scale is 1e+300"),
        ({OFFSETS: ("d", math.inf)}, "x offset is inf"),
        ({OFFSETS + 8: ("d", math.nan)}, "y offset is nan"),
        ({OFFSETS + 16: ("d", 1e30)}, "z offset is 1e+30"),
    ],
)
def test_headers_that_make_no_sense(las, overrides, words):
    flat = {
        place + n * struct.calcsize(kind[0]): (kind[0], part)
        for place, (kind, value) in overrides.items()
        for n, part in enumerate(value if isinstance(value, tuple) else (value,))
    }
    assert words in reason(las.file("odd.las", overrides=flat))


def test_a_scale_of_a_billionth_is_fine(las):
    records = las.random_records(1, 50)
    path = las.file("fine.las", records=records, scales=(1e-9,) * 3, offsets=(0.25, -0.5, 0.0))
    flight = open_flight(path)
    assert flight.scales == (1e-9,) * 3
    (piece,) = read_columns(flight, ["X"])
    assert np.array_equal(piece["X"], np.ascontiguousarray(records[:, :4]).view("<i4")[:, 0])


def test_more_points_promised_than_there_says_both_numbers(las):
    path = las.file("cut.las", records=las.random_records(1, 1000))
    path.write_bytes(path.read_bytes()[: 227 + 28 * 640 + 11])
    assert "promises 1,000 points" in reason(path)
    assert "640 are there" in reason(path)


def test_file_that_ends_before_its_points(las):
    path = las.file("cut.las", vlrs=[las.vlr("made up", 1, bytes(500))])
    path.write_bytes(path.read_bytes()[:300])
    assert "promises 60 points" in reason(path)
    assert "0 points are there" in reason(path)


def test_points_that_reach_into_extended_records(las):
    path = las.file(
        "overlap.las",
        point_format=6,
        minor=4,
        records=las.random_records(6, 40),
        evlrs=[las.evlr("made up", 1, bytes(900))],
        overrides={247: ("Q", 50)},
    )
    assert "promises 50 points" in reason(path)
    assert "40 are there" in reason(path)


def test_a_killed_write_is_not_an_empty_cloud(las):
    path = las.file("killed.las", overrides={107: ("I", 0)})
    assert "0 points" in reason(path)
    assert "bytes of 60 follow" in reason(path)
    assert "stopped before it finished" in reason(path)


def test_32_bit_count_filled_and_64_bit_count_zero_is_read(las):
    path = las.file("old_writer.las", minor=4, overrides={247: ("Q", 0)})
    flight = open_flight(path)
    assert flight.count == 60
    assert any("64-bit count 0" in words for words in flight.warnings)


@pytest.mark.parametrize(
    ("narrow", "wide", "used"),
    [
        (60, 55, 60),  # the standard: a 32-bit count that isn't zero is used
        (55, 60, 60),  # but only the other one agrees with the bytes that are there
        (0, 60, 60),
        (60, 2**40, 60),
        (2**31, 60, 60),
    ],
)
def test_counts_that_disagree(las, narrow, wide, used):
    path = las.file("two_counts.las", minor=4, overrides={107: ("I", narrow), 247: ("Q", wide)})
    flight = open_flight(path)
    assert flight.count == used
    assert bool(flight.warnings) == (narrow not in {0, wide})


def test_fewer_points_promised_than_there_is_warned_about(las):
    flight = open_flight(las.file("more.las", overrides={107: ("I", 50)}))
    assert flight.count == 50
    assert any("promises 50" in words and "holds 60" in words for words in flight.warnings)


@pytest.mark.parametrize("compress", [False, True])
def test_no_points_at_all_is_an_empty_flight(las, compress):
    flight = open_flight(las.file("none.laz", records=las.random_records(1, 0), compress=compress))
    assert flight.count == 0
    assert any("no points" in words for words in flight.warnings)
    assert list(read_columns(flight, ["X"])) == []


def test_extended_record_that_reaches_past_the_end(las):
    path = las.file("cut.las", minor=4, evlrs=[las.evlr("made up", 1, bytes(900))])
    path.write_bytes(path.read_bytes()[:-100])
    assert "cut short: extended record 1 of 1" in reason(path)


def test_record_that_does_not_fit_is_warned_about(las):
    path = las.file("odd.las", vlrs=[las.vlr("made up", 1, b"four")], overrides={100: ("I", 3)})
    flight = open_flight(path)
    assert flight.count == 60
    assert any("record 2 of 3" in words for words in flight.warnings)


@pytest.mark.parametrize("compress", [False, True])
def test_ending_and_compression_that_disagree(las, compress):
    right, wrong = ("b.laz", "a.LAS") if compress else ("b.LAS", "a.laz")
    assert open_flight(las.file(right, compress=compress)).warnings == ()
    (words,) = open_flight(las.file(wrong, compress=compress)).warnings
    assert f"read as {'LAZ' if compress else 'LAS'}" in words


def test_names_of_all_kinds(las):
    for name in ("Flug über die Höhe 1.LAZ", "полёт.Laz", "a b\tc.lAs", "飞行"):
        assert open_flight(las.file(name, compress="a" in name.lower())).count == 60


def test_a_file_that_changes_while_it_is_used_is_refused(las):
    path = las.file("changes.las")
    flight = open_flight(path)
    path.write_bytes(path.read_bytes() + b"more")
    with pytest.raises(BadInputError, match="has changed"):
        list(read_columns(flight, ["X"]))


def test_waveforms_in_a_file_of_their_own_are_told(las):
    for point_format, told in ((4, True), (1, False)):
        path = las.file(
            "waves.las",
            point_format=point_format,
            minor=3,
            encoding=4,
            records=las.random_records(point_format, 5),
        )
        assert any(".wdp" in words for words in open_flight(path).warnings) == told


def test_new_formats_in_the_guise_of_old_ones_are_told(las):
    flight = open_flight(las.file("guise.las", vlrs=[las.vlr("lascompatible", 22204, bytes(156))]))
    assert any("stored as an older one" in words for words in flight.warnings)


def test_a_short_header_of_1_4_is_read_like_an_older_one(las):
    path = las.file("short.las", minor=2, overrides={25: ("B", 4)})
    flight = open_flight(path)
    assert flight.count == 60
    assert any("too short" in words for words in flight.warnings)


def test_extended_records_before_the_points_are_left_unread(las):
    flight = open_flight(las.file("odd.las", minor=4, overrides={235: ("Q", 10), 243: ("I", 3)}))
    assert flight.count == 60
    assert any("before the points" in words for words in flight.warnings)
