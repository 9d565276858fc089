"""Records that are kept since a flight was read give what decompressing it once more gives."""

import laspy
import numpy as np
import pytest

from cloudprep.engine.holding import InMemory
from cloudprep.engine.loading import Units, load_flight
from cloudprep.errors import BadInputError
from cloudprep.io.las import columns, open_flight, write_patched
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


def loaded(path, told=None):
    told = [] if told is None else told
    return load_flight(open_flight(path), Units(1.0, 1.0), NAMES, told.append, keep=True)


def test_delivered_bytes_are_the_same(source, tmp_path):
    one = loaded(source)
    plain = load_flight(one.flight, Units(1.0, 1.0), NAMES, lambda _: None)
    assert one.kept is not None
    assert len(one.kept) == one.flight.count
    assert plain.kept is None
    for name, values in plain.columns.items():
        np.testing.assert_array_equal(one.columns[name], values)
    codes = np.random.default_rng(6).integers(1, 7, one.flight.count).astype(np.uint8)
    labels = {"classification": codes, "height_above_ground": codes.astype(np.float32)}
    again = write_patched(one.flight, tmp_path / "again.laz", labels)
    kept = write_patched(one.flight, tmp_path / "kept.laz", labels, kept=one.kept)
    assert (tmp_path / "again.laz").read_bytes() == (tmp_path / "kept.laz").read_bytes()
    assert (again.sha256, again.box) == (kept.sha256, kept.box)
    assert len(one.kept) == 0  # let go of


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


@pytest.mark.parametrize(("spare", "kept"), [(0, 0), (1.5, 1), (2, 2)])
def test_only_so_many_flights_are_kept_as_there_is_room_for(source, spare, kept):
    flight = open_flight(source)
    size = flight.count * flight.record_length
    holder = InMemory([*NAMES, "x", "y", "z"], spare=int(spare * size))
    seen = [holder.read(flight, Units(1.0, 1.0), lambda _: None) for _ in range(2)]
    assert sum(one.kept is not None for one in seen) == kept
