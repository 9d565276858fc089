"""Large sites tile by tile: tiles cover the raster once, and what is far enough away doesn't show."""

import threading
import time
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.kernels import ground_heights, strips
from cloudprep.kernels.ground_heights import BINS, packed, summed
from cloudprep.stages.ground import fitted_ground
from cloudprep.stages.ground._tiles import MARGIN, SIDE, Span, side_by_side, tiles_of
from cloudprep.stages.ground.fitted_ground import FittedGround
from cloudprep.testing import run_stage
from demo_clouds.scenes import scene


@settings(max_examples=60, deadline=None)
@given(
    column=st.integers(-300, 300),
    row=st.integers(-300, 300),
    columns=st.integers(1, 90),
    rows=st.integers(1, 90),
    side=st.integers(1, 40),
    margin=st.integers(0, 20),
)
def test_tiles_cover_a_raster_once_and_their_margins_stay_within(column, row, columns, rows, side, margin):
    whole = Span(column, row, column + columns, row + rows)
    seen = np.zeros(whole.shape, int)
    for tile in tiles_of(whole, side=side, margin=margin, most=0):
        seen[tile.inner.seen_from(whole)] += 1
        assert max(tile.inner.shape) <= side + 16
        assert tile.outer.cut(whole) == tile.outer
        for i, sign in enumerate((-1, -1, 1, 1)):
            edge = whole[i]
            assert tile.outer[i] == tile.inner[i] + sign * margin or tile.outer[i] == edge
        for edge, ends in zip(
            tile.inner, (whole.column, whole.row, whole.end_column, whole.end_row), strict=True
        ):
            assert edge == ends or edge % 16 == 0  # cells 16 times as wide lie in one tile
    assert (seen == 1).all()


def test_tiles_are_about_as_large_as_each_other():
    # 3464 cells: two tiles a side will do, where edges at multiples of 1920 give three.
    whole = Span(-1900, 37, 1564, 3501)
    shapes = [tile.inner.shape for tile in tiles_of(whole)]
    assert len(shapes) == 4
    assert np.ptp(shapes) <= 16


@pytest.mark.parametrize("at_once", [1, 2, 3])
def test_side_by_side_gives_what_each_tile_gives_in_their_order(at_once):
    tiles = tiles_of(Span(0, 0, 70, 50), side=20, margin=3, most=0)
    threads = set()

    def work(tile):
        threads.add(threading.get_ident())
        time.sleep(0.01)
        return tile.inner

    assert side_by_side(work, tiles, at_once) == [tile.inner for tile in tiles]
    assert len(threads) == at_once


def test_side_by_side_begins_nothing_after_a_failure():
    tiles = tiles_of(Span(0, 0, 200, 50), side=10, margin=3, most=0)
    begun = []

    def work(tile):
        begun.append(tile)
        time.sleep(0.01)
        raise MemoryError(tile.inner.column)

    with pytest.raises(MemoryError):
        side_by_side(work, tiles, 2)
    assert len(begun) <= 2 < len(tiles)


def test_a_small_raster_is_one_tile():
    whole = Span(5, -7, 405, 393)
    assert tiles_of(whole) == [(whole, whole)]
    assert len(tiles_of(Span(0, 0, 4 * SIDE, SIDE))) == 4
    assert MARGIN >= 256  # 128 m where cells are half a metre wide


def labels(columns, **how):
    run = run_stage(FittedGround(), columns, **how)
    return run.labels["classification"], run.labels["ground_confidence"]


@pytest.fixture
def forced(monkeypatch):
    monkeypatch.setattr(fitted_ground, "tiles_of", lambda whole, **_: tiles_of(whole, side=150, most=1))


@pytest.mark.parametrize("name", ["rolling", "drone_plants"])
def test_tiles_with_the_usual_margin_change_hardly_a_label(name, request):
    columns = scene(name, 3).columns()
    whole, _ = labels(columns)
    request.getfixturevalue("forced")
    parts, _ = labels(columns)
    assert np.mean(parts != whole) <= 0.0001


def test_blocks_and_workers_do_not_show_where_a_site_is_fitted_in_tiles(forced):
    columns = scene("rolling", 3).columns()
    for ours, theirs in zip(labels(columns), labels(columns, block_edge=47.0, workers=2), strict=True):
        assert np.array_equal(ours, theirs)


def test_doubts_about_one_tile_are_no_doubts_about_others(forced):
    """Scrub without ground, and rolling land 300 m away: labels are those of either alone."""
    land, scrub = scene("rolling", 3).columns(), scene("thicket_only", 3).columns()
    alone = [labels(columns)[0] for columns in (land, scrub)]
    moved = {**scrub, "x": scrub["x"] + 450.0}
    both = run_stage(FittedGround(), {name: np.concatenate([land[name], moved[name]]) for name in land})
    assert len(both.result.warnings) == 1
    apart = np.split(both.labels["classification"], [len(land["x"])])
    assert np.mean(apart[0] != alone[0]) <= 0.001
    assert np.mean(apart[1] == 2) <= 0.02


def test_counts_of_parts_add_up_and_are_full_at_65535(monkeypatch):
    rng = np.random.default_rng(4)
    counts = rng.integers(0, 3, (6, 9, BINS)).astype(np.uint16)
    other = np.zeros((4, 3, BINS), np.uint16)
    other[1, 2, 7] = 65_535
    counts[3, 6, 7] = 2
    parts = [(10, 20, packed(counts)), (14, 22, packed(other))]
    expected = np.zeros((5, 8, BINS), np.int64)
    expected[:, :] = counts[1:, 1:]
    expected[1:5, 3:6] += other
    wanted = packed(np.minimum(expected, 65_535).astype(np.uint16))
    whole = strips.in_strips
    for cells in (strips.CELLS, 16):  # in one piece, and in strips of two rows
        monkeypatch.setattr(ground_heights, "in_strips", partial(whole, cells=cells))
        added = summed(parts, (11, 21), (5, 8), threads=2)
        assert all(np.array_equal(a, b) for a, b in zip(added, wanted, strict=True))
