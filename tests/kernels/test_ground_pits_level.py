"""Land that the data's edge cuts off is as high as other ground; roofs are higher, or steep and even."""

import numpy as np
import pytest

from cloudprep.kernels.ground_pits import Pit, level_with_ground, pitched

SIZE = 80
ROW, COLUMN = np.mgrid[0:SIZE, 0:SIZE]
CORNER = (ROW < 20) & (COLUMN < 20)
X, Y = COLUMN + 0.5, ROW + 0.5
ASKED = np.array([True])


def level(z, *, ground=None, cell=1.0, rules=None):
    """Return whether the corner is level with the ground, by default all the rest."""
    label = np.where(CORNER, 0, -1).astype(np.int32)
    ground = ~CORNER if ground is None else ground
    return bool(level_with_ground(z, label, ground, ASKED, cell=cell, rules=rules)[0])


def test_land_across_a_pit_is_as_high():
    z = np.where(CORNER | (ROW > 45), 12.0, 0.0)
    assert level(z)


def test_what_stands_on_flat_land_is_higher():
    assert not level(np.where(CORNER, 12.0, 0.0))


def test_it_may_lie_a_metre_above_the_ground():
    z = np.where(CORNER, 10.99, np.where(ROW > 45, 10.0, 0.0))
    assert level(z)
    assert not level(np.where(CORNER, 11.01, z))


def test_a_small_mound_or_one_far_away_is_not_enough():
    """By hand: 20 by 19 m are less than 400 m2; 60 m from the corner's edge end at row 79."""
    mound = (ROW > 45) & (ROW <= 65) & (COLUMN < 19)
    assert not level(np.where(CORNER | mound, 12.0, 0.0))
    far = np.where(CORNER | (ROW >= 60), 12.0, 0.0)
    assert level(far)
    assert not level(far, rules=Pit(around=40.0))
    assert not level(far, cell=2.0)


def test_what_is_not_ground_does_not_count_and_only_patches_asked_for_are_looked_at():
    z = np.where(CORNER | (ROW > 45), 12.0, 0.0)
    assert not level(z, ground=(ROW < 45) & ~CORNER)
    label = np.where(CORNER, 1, np.where(ROW > 45, 0, -1)).astype(np.int32)
    asked = np.array([False, True])
    assert level_with_ground(z, label, ~CORNER, asked, cell=1.0).tolist() == [False, True]
    assert not level_with_ground(z, label, ~CORNER, ~asked, cell=1.0)[1]


def roof(z):
    label = np.where(CORNER, 0, -1).astype(np.int32)
    return bool(pitched(X, Y, np.where(CORNER, z, np.nan), label, ASKED)[0])


@pytest.mark.parametrize("turn", np.radians([0, 30, 90, 200]))
def test_a_steep_plane_is_a_roof_and_a_flat_one_is_not(turn):
    along = np.cos(turn) * X + np.sin(turn) * Y
    assert roof(0.6 * along + 300.0)
    assert not roof(0.29 * along + 300.0)


def test_a_rough_slope_is_no_roof():
    rough = np.random.default_rng(1).normal(0.0, 0.5, X.shape)
    assert not roof(0.6 * X + rough)
    assert roof(0.6 * X + 0.2 * rough)
