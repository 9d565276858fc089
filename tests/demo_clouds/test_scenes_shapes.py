"""Each scene has what its description promises: faces, spans, shares and densities."""

from functools import cache

import numpy as np
import pytest

from demo_clouds.kinds import Kind
from demo_clouds.scenes import scene

SEED = 3


@cache
def made(name):
    return scene(name, SEED)


def above(one, kind=None):
    rows = one.kind == kind if kind is not None else slice(None)
    return one.z[rows] - one.terrain(one.x[rows], one.y[rows])


def slope(one, x, y, step=1.0):
    east = (one.terrain(x + step, y) - one.terrain(x - step, y)) / (2 * step)
    north = (one.terrain(x, y + step) - one.terrain(x, y - step)) / (2 * step)
    return np.hypot(east, north)


def length_of(x, y):
    """Return the longest extent of points over all directions, and that across it."""
    turn = np.radians(np.arange(0, 180, 1.0))
    spread = np.ptp(np.outer(np.cos(turn), x) + np.outer(np.sin(turn), y), axis=1)
    area = spread * np.roll(spread, 90)
    best = int(area.argmin())
    return max(spread[best], spread[best - 90]), min(spread[best], spread[best - 90])


@pytest.mark.parametrize(("name", "highest"), [("quarry", 8.0), ("terraces", 0.9)])
def test_faces_are_upright_and_carry_ground_points(name, highest):
    one = made(name)
    x, y = one.x[one.ground], one.y[one.ground]
    rise = highest / 2 / 0.1
    face = slope(one, x, y, 0.05) > min(rise, 4.0)
    assert np.count_nonzero(face) > 100
    # Within half a metre the ground rises by most of a bench.
    around = np.array([one.terrain(x + dx, y + dy) for dx in (-0.5, 0, 0.5) for dy in (-0.5, 0, 0.5)])
    assert np.percentile(np.ptp(around, axis=0)[face], 75) > highest


def test_piles_stand_at_their_angle_of_repose():
    one = made("stockpiles")
    x, y = one.x[one.ground], one.y[one.ground]
    steep = slope(one, x, y, 0.5)
    flank = (steep > 0.5) & (steep < 1.2)
    assert np.mean(flank) > 0.08
    assert np.degrees(np.arctan(np.median(steep[flank]))) == pytest.approx(36, abs=2)


def test_a_forest_on_thirty_degrees_has_three_per_cent_ground():
    one = made("steep_forest")
    assert np.degrees(np.arctan(np.median(slope(one, one.x, one.y, 5.0)))) == pytest.approx(30, abs=2)
    assert 0.02 < one.ground.mean() < 0.04


@pytest.mark.parametrize("name", ["hall", "hall_on_slope"])
def test_a_hall_measures_120_by_80_metres(name):
    one = made(name)
    high = (one.kind == Kind.BUILDING) & (above(one) > 8.0)
    long, wide = length_of(one.x[high], one.y[high])
    assert long == pytest.approx(120, abs=2)
    assert wide == pytest.approx(82, abs=2)
    # The roof follows the ground: that is the trap.
    assert above(one)[high].std() < 0.6


def test_the_drone_flight_is_dense_and_precise_with_low_plants():
    one = made("drone_plants")
    cells = np.unique(np.column_stack([one.x // 1, one.y // 1]).astype(int), axis=0)
    assert len(one) / len(cells) == pytest.approx(150, rel=0.15)
    assert above(one, Kind.GROUND).std() == pytest.approx(0.02, abs=0.004)
    low, high = np.percentile(above(one, Kind.HERB), [1, 99])
    assert 0.05 < low < 0.12
    assert 0.3 < high < 0.45
    # Ground shows in places: most square metres of the grown part hold some.
    plants = one.kind == Kind.HERB
    cell = (one.x // 1).astype(int) * 1000 + (one.y // 1).astype(int)
    cells, share = np.unique(cell, return_inverse=True)
    ground = np.bincount(share, one.ground) / np.bincount(share)
    grown = np.bincount(share, plants) / np.bincount(share) > 0.3
    assert np.mean(ground[grown] > 0.03) > 0.9


@pytest.mark.parametrize(("name", "lowest"), [("canopy_only", 4.0), ("thicket_only", 0.5)])
def test_tiles_without_ground_have_none(name, lowest):
    one = made(name)
    assert not one.ground.any()
    assert above(one).min() > lowest - 0.2


def test_a_bridge_spans_the_river_and_its_abutments_meet_the_deck():
    one = made("bridge")
    deck = one.kind == Kind.BRIDGE_DECK
    assert np.percentile(above(one)[deck], 60) > 4.0
    top = np.median(one.z[deck & (above(one) > 7.0)])
    near = one.ground & (np.abs(one.z - top) < 0.4)
    assert np.count_nonzero(near) > 500
    assert (one.kind == Kind.WATER).sum() < 400


def test_ground_lies_below_an_overhang():
    one = made("overhang")
    ledge = one.kind == Kind.LEDGE
    assert ledge.sum() > 1000
    assert np.median(above(one)[ledge]) > 8.0


def test_low_echoes_lie_below_the_ground():
    one = made("low_multipath")
    low = np.isin(one.kind, (Kind.LOW_SINGLE, Kind.LOW_GROUP))
    assert 200 < low.sum() < 1500
    assert (above(one)[low] < -0.3).all()


def test_the_lake_sends_nothing_back():
    one = made("water")
    cells = {(int(a), int(b)) for a, b in zip(one.x // 4, one.y // 4, strict=True)}
    columns = np.array(sorted(cells))
    # The longest run of empty cells between filled ones, along rows, is the lake.
    widest = max(
        np.diff(np.sort(columns[columns[:, 1] == row, 0]), prepend=columns[:, 0].min()).max()
        for row in np.unique(columns[:, 1])
    )
    assert widest * 4 > 50


def test_a_photogrammetric_cloud_has_smeared_edges_and_colours():
    one = made("building_site")
    assert (one.number_of_returns == 1).all()
    smear = above(one, Kind.SMEAR)
    assert len(smear) > 1000
    assert ((smear > 0.1) & (smear < 15.0)).mean() > 0.99
    green = one.green.astype(float) / (one.red.astype(float) + 1)
    plants = np.isin(one.kind, (Kind.TREE, Kind.SHRUB))
    assert np.median(green[plants]) > 1.1 > np.median(green[one.ground])


def test_courtyards_hold_ground_inside_closed_blocks():
    one = made("city")
    high = (one.kind == Kind.BUILDING) & (above(one) > 9.0)
    assert 0.3 < high.mean() < 0.6
    assert 0.3 < one.ground.mean() < 0.6
