"""Points held in files give the same bits as points in memory, whatever their places, and nothing stays."""

import pickle
from types import SimpleNamespace

import laspy
import numpy as np
import pytest

from cloudprep.engine import holding, scratch
from cloudprep.engine.executor import Crew
from cloudprep.engine.holding import InMemory, OnDisk
from cloudprep.engine.loading import Units
from cloudprep.engine.memory import MemoryPlan
from cloudprep.engine.progress import Silent
from cloudprep.errors import OutputError, UsageError
from cloudprep.io.las import open_flight
from cloudprep.model.bounds import Bounds
from cloudprep.testing import example_cloud

NAMES = ("classification", "withheld", "number_of_returns", "intensity", "point_source_id")
METRES = Units(1.0, 1.0)


def on_disk(folder, paths, *, block_points=300, reading=500, spacing=1.0):
    folder.mkdir(parents=True, exist_ok=True)
    plan = MemoryPlan(10**12, True, block_points, 0, 0, reading)
    holder = OnDisk(NAMES, folder, plan, [], crew=Crew(1, 1), spacing=spacing, block_points=block_points)
    read = [holder.read(open_flight(p), METRES, lambda n: None) for p in paths]
    return *holder.finish(frozenset(NAMES)), read


def in_memory(paths):
    holder = InMemory(NAMES, None)
    read = [holder.read(open_flight(p), METRES, lambda n: None) for p in paths]
    return *holder.finish(frozenset(NAMES)), read


def flat(store, name):
    """Return a column in source order, from blocks, with -1 for stray points."""
    count = len(store)
    values = np.full(count, -1.0)
    for i, flight in enumerate(store.flights):
        first = sum(f.count for f in store.flights[:i])
        for piece in flight.pieces:
            rows = np.empty(piece.length, np.int32)
            store.files.read("row", piece.place, rows)
            place = np.full(count, -1)
            place[piece.place : piece.place + piece.length] = first + piece.row + rows
            for block in store.blocks:
                ranges = store.index.of(store.groups[block.index])
                where = np.concatenate(
                    [np.arange(a, b) for a, b in zip(ranges.start, ranges.stop, strict=True)]
                )
                mine = place[where] >= 0
                values[place[where][mine]] = store.around(block, (name,), 0.0).points[name][mine]
    return values


def with_strays(columns):
    columns = {n: v.copy() for n, v in columns.items()}
    columns["x"][[5, 900]] += 900_000.0
    columns["z"][77] += 50_000.0
    return columns


def uneven(columns):
    """Crowd a third of the points into two metres."""
    columns = {n: v.copy() for n, v in columns.items()}
    some = np.arange(len(columns["x"])) % 3 == 0
    for axis in "xy":
        columns[axis][some] = 20.0 + columns[axis][some] / 25.0
    return columns


@pytest.mark.parametrize("kind", [dict, with_strays, uneven])
def test_every_point_is_in_one_block_with_the_coordinates_that_memory_gives(clouds, tmp_path, kind):
    columns = kind(example_cloud())
    half = len(columns["x"]) // 2
    paths = [
        clouds.write("a.laz", columns, rows=slice(0, half)),
        clouds.write("b.laz", columns, rows=slice(half, None), scale=(0.001, 0.002, 0.01)),
    ]
    theirs, their_site, their_read = in_memory(paths)
    ours, our_site, our_read = on_disk(tmp_path / "s", paths)
    assert our_site == their_site
    assert [r.extent for r in our_read] == [r.extent for r in their_read]
    assert [r.stray_count for r in our_read] == [r.stray_count for r in their_read]
    assert ours.usable_count == theirs.usable_count
    assert ours.stray_codes.tolist() == theirs.stray_codes.tolist()
    assert sum(b.count for b in ours.blocks) == ours.usable_count
    usable = np.ones(len(theirs), bool) if theirs.stray is None else ~theirs.stray
    for name in ("x", "y", "z", "intensity", "classification"):
        assert np.array_equal(flat(ours, name), np.where(usable, theirs.column(name).astype(float), -1.0))
    for i in range(2):
        count = len(ours.label_rows(i, ()))
        for rows in (slice(0, count), slice(3, 700), slice(499, 502)):
            a, b = ours.label_rows(i, ()).stretch(rows), theirs.label_rows(i, ()).stretch(rows)
            assert all(np.array_equal(a[n], b[n]) for n in ("classification", "withheld"))


def test_leaves_are_split_where_points_crowd(clouds, tmp_path):
    columns = uneven(example_cloud())
    store, _, _ = on_disk(tmp_path / "s", [clouds.write("a.laz", columns)], block_points=96, spacing=30.0)
    leaves = store.index.leaves
    assert len(set(leaves.size.tolist())) > 1
    assert leaves.points.max() <= 6  # two leaves' worth: 96 // 32 points each
    assert max(b.count for b in store.blocks) <= 96


def test_points_all_in_one_place_stay_in_one_leaf(clouds, tmp_path):
    columns = example_cloud()
    columns["x"][:] = 7.0
    columns["y"][:] = 9.0
    store, site, _ = on_disk(tmp_path / "s", [clouds.write("a.laz", columns)], block_points=96)
    assert [b.count for b in store.blocks] == [len(columns["x"])]
    assert site == in_memory([clouds.folder / "a.laz"])[1]


@pytest.mark.parametrize(
    "bounds", [Bounds(3, 3, 40, 14), Bounds(-1e9, -1e9, 1e9, 1e9), Bounds(500, 5, 510, 9)]
)
def test_points_within_bounds_equal_those_in_memory(clouds, tmp_path, bounds):
    paths = [clouds.write("a.laz", with_strays(example_cloud()))]
    theirs, _, _ = in_memory(paths)
    ours, _, _ = on_disk(tmp_path / "s", paths)
    a, b = (s.within(bounds, ("x", "intensity")) for s in (ours, theirs))
    assert sorted(zip(a["x"], a["intensity"], strict=True)) == sorted(
        zip(b["x"], b["intensity"], strict=True)
    )


def test_a_store_pickles_and_its_twin_reads_the_same(clouds, tmp_path):
    store, _, _ = on_disk(tmp_path / "s", [clouds.write("a.laz")])
    twin = pickle.loads(pickle.dumps(store))  # noqa: S301 - our own
    for block in store.blocks:
        a, b = (s.around(block, ("x", "z"), 5.0) for s in (store, twin))
        assert np.array_equal(a.points["z"], b.points["z"])
        assert np.array_equal(a.core, b.core)
    assert len(pickle.dumps(store)) < 40 * len(store)


@pytest.mark.parametrize("options", [{"block_points": 400, "workers": 2}, {"block_points": 90, "workers": 1}])
def test_a_run_on_disk_delivers_the_same_bytes(clouds, run, tmp_path, options):
    columns = with_strays(example_cloud())
    a = clouds.write("a.laz", columns, rows=slice(0, 1200))
    b = clouds.write("b.laz", columns, rows=slice(1200, None), point_format=3, version="1.2")
    pipeline = tmp_path / "p.yaml"
    pipeline.write_text(
        "cloudprep: 1\nstages:\n"
        + "".join(
            f"  - stage: {s}\n"
            for s in (
                "isolated_clusters",
                "local_shape",
                "statistical_outliers",
                "buried_points",
                "low_points",
            )
        )
        + "  - stage: fitted_ground\n  - stage: terrain_grid\n    cell: 1.0\n"
    )
    whole, _ = run(a, b, pipeline=pipeline, out="one")
    parts, _ = run(a, b, pipeline=pipeline, out="two", scratch=tmp_path / "fast", **options)
    sums = [[o["sha256"] for o in one.record["outputs"] if o["kind"] != "report"] for one in (whole, parts)]
    assert sums[0] == sums[1]
    assert whole.record["figures"] == parts.record["figures"]
    assert [s["classes"] for s in whole.record["stages"]] == [s["classes"] for s in parts.record["stages"]]
    assert list((tmp_path / "fast").iterdir()) == []


def test_an_input_that_fails_leaves_nothing_in_the_files(clouds, run):
    good, rotten = clouds.write("good.laz"), clouds.write("rotten.laz")
    data = bytearray(rotten.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 400] = bytes(400)
    rotten.write_bytes(data)
    alone, one = run(good, out="one")
    outcome, two = run(rotten, good, out="two", block_points=500)
    assert outcome.exit_code == 1
    assert (one / "clouds/good.laz").read_bytes() == (two / "clouds/good.laz").read_bytes()
    assert alone.record["figures"] == outcome.record["figures"]


def test_too_little_room_is_told_before_anything_is_read(clouds, run, monkeypatch):
    monkeypatch.setattr(scratch.shutil, "disk_usage", lambda path: SimpleNamespace(free=1000))
    with pytest.raises(UsageError, match=r"GB of scratch space, 0\.0 GB are free"):
        run(clouds.write(), block_points=500)


def test_a_full_disk_is_one_clear_line_and_leaves_nothing(clouds, run, tmp_path, monkeypatch):
    real, left = scratch.os.pwritev, [40]

    def full(*args):
        left[0] -= 1
        if left[0] < 0:
            raise OSError(28, "No space left on device")
        return real(*args)

    monkeypatch.setattr(scratch.os, "pwritev", full)
    with pytest.raises(OutputError, match="scratch can't be written: the disk is full"):
        run(clouds.write(), block_points=500, scratch=tmp_path / "fast")
    assert list((tmp_path / "fast").iterdir()) == []
    assert not (tmp_path / "out/run.json").exists()


def test_an_input_that_vanishes_meanwhile_fails_alone(clouds, run):
    good, gone = clouds.write("good.laz"), clouds.write("gone.laz")

    class Removes(Silent):
        def start(self, name, total):
            if name == "terrain_grid":
                gone.unlink()

    outcome, out = run(good, gone, block_points=500, sink=Removes())
    assert outcome.exit_code == 1
    assert [i["reason"] for i in outcome.record["inputs"]] == ["", "vanished while the run was under way"]
    assert (out / "clouds/good.laz").exists()


def test_what_a_killed_run_left_is_removed_by_the_next(clouds, run, tmp_path):
    fast = tmp_path / "fast"
    dead = fast / f"{scratch._PREFIX}{scratch.socket.gethostname()}-999999999-0a"
    elsewhere = fast / f"{scratch._PREFIX}another-host-1-0a"
    for folder in (dead, elsewhere):
        folder.mkdir(parents=True)
        (folder / "X").write_bytes(b"left")
    run(clouds.write(), block_points=500, scratch=fast)
    assert list(fast.iterdir()) == [elsewhere]  # nobody here can tell whether that run goes on


def test_a_scratch_folder_that_can_not_be_made_is_one_clear_line(clouds, run, tmp_path):
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(UsageError, match="file"):
        run(clouds.write(), block_points=500, scratch=tmp_path / "file")


def test_more_points_in_one_place_than_memory_holds_are_one_clear_line(clouds, run, monkeypatch):
    columns = example_cloud()
    columns["x"][:], columns["y"][:] = 7.0, 9.0
    monkeypatch.setattr(holding, "FEWEST_POINTS", 100)
    monkeypatch.setattr(
        holding, "plan_memory", lambda *_, **__: MemoryPlan(10**9, True, 100, 10**9, 10**6, 500, 800)
    )
    with pytest.raises(UsageError, match=r"points lie within 0\.02 x 0\.02 m, more than --memory 1\.00 GB"):
        run(clouds.write("a.laz", columns), block_points=100)


def test_a_flight_far_denser_than_the_others_makes_smaller_blocks_not_fuller_ones(clouds, tmp_path):
    thin = clouds.write("thin.laz", rows=slice(None, None, 20))
    columns = {n: v.copy() for n, v in example_cloud().items()}
    for axis in "xy":
        columns[axis] = columns[axis] / 3  # nine times as dense, and twenty times as many
    dense = clouds.write("dense.laz", columns)
    store, _, _ = on_disk(tmp_path / "s", [thin, dense], block_points=200)
    assert max(b.count for b in store.blocks) <= 200
    sides = [b.bounds.width for b in store.blocks]
    assert max(sides) > 4 * min(sides)


def test_extra_labels_come_back_by_row(clouds, run, tmp_path):
    flight = clouds.write("a.laz")
    pipeline = tmp_path / "p.yaml"
    pipeline.write_text("cloudprep: 1\nstages:\n  - stage: fitted_ground\n")
    _, one = run(flight, pipeline=pipeline, out="one")
    _, two = run(flight, pipeline=pipeline, out="two", block_points=200)
    a, b = (laspy.read(folder / "clouds/a.laz").ground_confidence for folder in (one, two))
    assert np.array_equal(a, b)
    assert len(np.unique(a)) > 3
