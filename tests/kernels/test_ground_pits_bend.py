"""Land that goes round a pit is told from roofs of which the data's edge leaves a corner or a strip."""

import numpy as np
import pytest

from cloudprep.kernels.ground_pits import Pit, round_pits

SIZE = 60


def bent(top, *, cell=1.0, turn=0.0, rules=None):
    """Return whether the rim of a patch, given by a function of the place (m), bends as that of a pit."""
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    x, y = (column + 0.5) * cell, (row + 0.5) * cell
    middle = SIZE * cell / 2
    u = middle + np.cos(turn) * (x - middle) + np.sin(turn) * (y - middle)
    v = middle - np.sin(turn) * (x - middle) + np.cos(turn) * (y - middle)
    own = top(u, v)
    label = np.where(own, 0, -1).astype(np.int32)
    z = np.where(own, 9.0, 0.0)
    assert 0.05 < own.mean() < 0.95
    return bool(round_pits(x, y, z, label, np.array([True]), cell=cell, rules=rules)[0])


def pit(u, v):
    """Land outside a circle of 40 m around a corner of the data."""
    return np.hypot(u - 3, v - 3) > 40


def straight(u, v):
    return u + v > 70


def corner(u, v):
    return (u > 25) & (v > 20)


def tower(u, v):
    return np.hypot(u - 60, v - 60) < 45


@pytest.mark.parametrize("turn", np.radians([0, 20, 45, 90, 200]))
def test_pits_bulge_into_the_land(turn):
    assert bent(pit, turn=turn)


@pytest.mark.parametrize("turn", np.radians([0, 20, 45, 90, 200]))
@pytest.mark.parametrize("roof", [straight, corner, tower])
def test_roofs_bulge_outwards_or_run_straight(roof, turn):
    assert not bent(roof, turn=turn)


def test_a_strip_between_two_walls_is_no_land():
    assert not bent(lambda u, v: (u > 20) & (u < 35))


def test_what_bends_little_or_is_short_is_not_judged():
    """By hand: an arc of a circle of 40 m over a chord of 20 m bends by 1.3 m."""
    assert not bent(lambda u, v: pit(u, v) & (u > 48))
    assert bent(lambda u, v: np.hypot(u + 40, v - 30) > 70, rules=Pit(bend=1.0))
    assert not bent(pit, rules=Pit(longest=90.0))


def test_wide_cells_need_a_wider_bend():
    """By hand: of 4 m cells the bend must be 8 m; this one is some 4 m."""

    def shallow(u, v):
        return np.hypot(u - 120, v + 1500) > 1600

    assert not bent(shallow, cell=4.0)
    assert bent(shallow, cell=4.0, rules=Pit(bend=0.5))


def test_only_patches_that_are_asked_for_are_looked_at():
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    label = np.where(pit(column, row), 1, -1).astype(np.int32)
    z = np.where(label == 1, 9.0, 0.0)
    given = column + 0.5, row + 0.5, z, label
    assert round_pits(*given, np.array([False, True]), cell=1.0).tolist() == [False, True]
    assert not round_pits(*given, np.array([False, False]), cell=1.0).any()


def test_gaps_in_the_data_are_no_drop():
    """What has no point is no lower, so that the rim along a gap doesn't count."""
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    own = pit(column, row)
    z = np.where(own, 9.0, np.nan)
    label = np.where(own, 0, -1).astype(np.int32)
    assert not round_pits(column + 0.5, row + 0.5, z, label, np.array([True]), cell=1.0).any()
