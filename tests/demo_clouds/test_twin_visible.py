"""The photogrammetric twin shows what pictures show, and nothing else."""

from __future__ import annotations

import numpy as np

from demo_clouds import twin as maker
from demo_clouds.kinds import Kind


def test_there_is_one_return_no_time_and_colour(twin):
    las = twin.las
    assert (np.asarray(las.return_number) == 1).all()
    assert (np.asarray(las.number_of_returns) == 1).all()
    assert not np.asarray(las.gps_time).any()
    colours = np.column_stack([las.red, las.green, las.blue]) / 65535.0
    assert colours.max() > 0.7
    trees = colours[twin.of(Kind.TREE)].mean(axis=0)
    assert trees[1] > trees[0]
    assert trees[1] > trees[2]


def test_it_is_denser_than_a_laser_flight_and_sees_only_the_top(twin, flights):
    west, south, east, north = maker.WINDOW
    area = (east - west) * (north - south)
    assert len(twin.x) / area > 7.0
    first = flights["flight1"]
    pulses = np.asarray(first.las.return_number) == 1
    inside = (first.x > 60) & (first.x < 200) & (first.y > 30) & (first.y < 160)
    assert len(twin.x) / area > 1.3 * np.count_nonzero(pulses & inside) / (140 * 130)
    # Under the middle of a crown there is no ground: cells of half a metre hold one height only.
    key = (twin.y / 0.5).astype(np.int64) * 1000 + (twin.x / 0.5).astype(np.int64)
    trees, ground = set(key[twin.of(Kind.TREE)]), set(key[twin.of(Kind.GROUND)])
    assert len(trees & ground) < 0.05 * len(trees)


def test_edges_are_smeared(twin):
    # The hall's wall would be upright; matched from pictures it leans over half a metre from foot to top.
    wall = (np.abs(twin.y - 71) < 8) & (twin.x > 100) & (twin.x < 112)
    above = twin.z - twin.ground
    between = wall & (above > 2.0) & (above < 8.0) & twin.of(Kind.BUILDING, Kind.SMEAR)
    assert np.count_nonzero(between) > 20
    along = twin.x[between] + (twin.y[between] - 71) * np.tan(np.radians(8.0))
    assert 0.1 < along.std() < 0.3
