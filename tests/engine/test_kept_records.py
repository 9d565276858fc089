"""Records that are kept since a flight was read give what decompressing it once more gives."""

import errno
import os
from types import SimpleNamespace

import laspy
import numpy as np
import pytest

from cloudprep.engine.holding import InMemory
from cloudprep.engine.loading import Units, load_flight
from cloudprep.errors import BadInputError, OutputError
from cloudprep.io.las import Shelf, columns, kept, open_flight, write_patched
from cloudprep.io.las.stream import EVERYTHING

NAMES = ("classification", "return_number")


@pytest.fixture(params=[1, 3, 6, 7])
def source(tmp_path, request):
    """A compressed flight of several chunks of 50,000 points, made by a general-purpose library."""
    rng = np.random.default_rng(5)
    header = laspy.LasHeader(point_format=request.param, version="1.4")
    header.scales = (0.01, 0.01, 0.01)
    cloud = laspy.LasData(header)
    for axis in "xyz":
        setattr(cloud, axis, rng.uniform(0, 300, 120_001))
    cloud.intensity = rng.integers(0, 9000, 120_001)
    cloud.gps_time = np.sort(rng.uniform(0, 100, 120_001))
    cloud.return_number[:] = 1
    cloud.write(tmp_path / "flight.laz")
    return tmp_path / "flight.laz"


@pytest.fixture(params=["memory", "file"])
def place(monkeypatch, request):
    """Have records kept in memory, or in a file of several pieces."""
    if request.param == "file":
        monkeypatch.setattr(kept, "HELD_BYTES", 0)
        monkeypatch.setattr(kept, "_PIECE_POINTS", 33_333)


def loaded(path, told=None):
    told = [] if told is None else told
    shelf = Shelf(path.parent)
    return load_flight(open_flight(path), Units(1.0, 1.0), NAMES, told.append, keep=shelf)


@pytest.mark.usefixtures("place")
def test_delivered_bytes_are_the_same(source, tmp_path):
    one = loaded(source)
    assert [path.name for path in tmp_path.iterdir()] == ["flight.laz"]  # no name beside it
    plain = load_flight(one.flight, Units(1.0, 1.0), NAMES, lambda _: None)
    assert one.kept is not None
    assert len(one.kept) == one.flight.count
    assert plain.kept is None
    for name, values in plain.columns.items():
        np.testing.assert_array_equal(one.columns[name], values)
    codes = np.random.default_rng(6).integers(1, 7, one.flight.count).astype(np.uint8)
    labels = {"classification": codes, "height_above_ground": codes.astype(np.float32)}
    again = write_patched(one.flight, tmp_path / "again.laz", labels)
    taken = write_patched(one.flight, tmp_path / "kept.laz", labels, kept=one.kept)
    assert (tmp_path / "again.laz").read_bytes() == (tmp_path / "kept.laz").read_bytes()
    assert (again.sha256, again.box) == (taken.sha256, taken.box)
    assert len(one.kept) == 0  # let go of


@pytest.mark.usefixtures("place")
def test_a_source_that_changed_meanwhile_is_refused(source, tmp_path):
    one = loaded(source)
    with source.open("ab") as file:
        file.write(b"more")
    with pytest.raises(BadInputError, match="changed"):
        write_patched(one.flight, tmp_path / "kept.laz", {}, kept=one.kept)
    assert not (tmp_path / "kept.laz").exists()


def test_plain_flights_are_not_kept(tmp_path):
    cloud = laspy.LasData(laspy.LasHeader(point_format=6, version="1.4"))
    cloud.x, cloud.y, cloud.z = np.random.default_rng(1).uniform(0, 9, (3, 100))
    cloud.write(tmp_path / "plain.las")
    assert loaded(tmp_path / "plain.las").kept is None


def test_damage_where_nobody_asked_leaves_the_flight_in(source, monkeypatch):
    """Formats 6 to 10 keep times apart: where these are damaged, the points can still be worked on."""
    whole = columns.iter_records

    def damaged(flight, batch_points, parts):
        for start, records in whole(flight, 50_000, parts):
            if parts == EVERYTHING and start:
                raise BadInputError(flight.path, "the compressed points 50,001 to 100,000 are damaged")
            yield start, records

    monkeypatch.setattr(columns, "iter_records", damaged)
    told = []
    one = loaded(source, told)
    assert one.kept is None
    assert sum(told) == len(one.columns["X"]) == one.flight.count


def test_so_many_flights_are_in_memory_as_there_is_room_for_and_the_others_in_one_file(source, monkeypatch):
    flight = open_flight(source)
    size = flight.count * flight.record_length
    monkeypatch.setattr(kept, "HELD_BYTES", int(1.5 * size))
    shelf = Shelf(source.parent)
    holder = InMemory([*NAMES, "x", "y", "z"], keep=shelf)
    seen = [holder.read(flight, Units(1.0, 1.0), lambda _: None) for _ in range(3)]
    records = [np.concatenate([piece for _, piece in one.kept.take()]) for one in seen]
    assert shelf.in_memory == size
    assert shelf._end == 2 * size
    assert np.array_equal(records[0], records[1])
    assert np.array_equal(records[0], records[2])


@pytest.mark.parametrize("trouble", ["full", "gone", "little"])
def test_where_no_file_can_be_written_nothing_is_kept_and_all_is_read(source, monkeypatch, trouble):
    monkeypatch.setattr(kept, "HELD_BYTES", 0)
    calls = []

    def full(handle, data, place):
        calls.append(place)
        if len(calls) > 1:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return pwrite(handle, data[:10_001], place)

    def gone(**_):
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))

    pwrite = os.pwrite
    if trouble == "full":
        monkeypatch.setattr(os, "pwrite", full)
    elif trouble == "gone":
        monkeypatch.setattr(kept, "tempfile", SimpleNamespace(TemporaryFile=gone))
    else:
        monkeypatch.setattr(kept, "_SHARE_OF_ROOM", 0.0)
    one = loaded(source)
    assert one.kept is None
    assert len(one.columns["X"]) == one.flight.count


def test_a_kept_file_that_ends_too_early_is_told(source, tmp_path, monkeypatch):
    monkeypatch.setattr(kept, "HELD_BYTES", 0)
    one = loaded(source)
    one.kept._shelf._file.truncate(1000)
    with pytest.raises(OutputError, match="ends too early"):
        write_patched(one.flight, tmp_path / "kept.laz", {}, kept=one.kept)
    assert not (tmp_path / "kept.laz").exists()
