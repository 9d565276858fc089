"""Where the whole cloth comes to rest: planes, posts, pits, and the same in whichever order.

Source of the rules: Zhang et al. 2016, Remote Sensing 8(6), 501, from memory. What a cloth sags by follows
from them: at rest, gravity moves a particle as far down as its neighbours draw it up.
"""

import numpy as np
import pytest

from cloudprep.kernels.cloth import draped

SETTINGS = {"rigidness": 2, "pull": 0.01, "steps": 500, "slope_step": None}


def rough(seed=3, shape=(31, 37)):
    rng = np.random.default_rng(seed)
    ground = np.cumsum(rng.normal(0, 0.4, shape), axis=1) - 3 * (rng.random(shape) < 0.4)
    ground[rng.random(shape) < 0.05] = np.nan
    return ground.astype(np.float32)


@pytest.mark.parametrize("rigidness", [1, 2, 3])
def test_cloth_rests_on_a_plane(rigidness):
    rows, columns = np.mgrid[0:40, 0:50]
    level = np.full((40, 50), 7.0, np.float32)
    np.testing.assert_array_equal(draped(level, **SETTINGS | {"rigidness": rigidness}), level)
    inclined = (0.4 * columns - 0.2 * rows).astype(np.float32)
    np.testing.assert_allclose(draped(inclined, **SETTINGS | {"rigidness": rigidness}), inclined, atol=0.02)


@pytest.mark.parametrize("rigidness", [1, 2, 3])
def test_cloth_between_two_edges_sags_as_the_balance_of_forces_says(rigidness):
    # A ditch of one row. Fallen by the pull p, a particle is drawn half-way to the mean of its neighbours,
    # u -> M u with 1/2 on the diagonal and 1/4 beside it (the edges rest at 0), as often as the rigidness k
    # says: at rest u = M^k (u - p). Solved by numpy.
    n, pull = 9, 0.01
    ditch = np.full((1, n + 2), -50.0, np.float32)
    ditch[0, [0, -1]] = 0.0
    once = 0.5 * np.eye(n) + 0.25 * (np.eye(n, k=1) + np.eye(n, k=-1))
    drawn = np.linalg.matrix_power(once, rigidness)
    rest = np.linalg.solve(np.eye(n) - drawn, -pull * drawn.sum(axis=1))
    found = draped(ditch, rigidness=rigidness, pull=pull, steps=3000, slope_step=None)[0, 1:-1]
    np.testing.assert_allclose(found, rest, rtol=0.02)


def test_cloth_lies_on_one_high_post_and_on_the_ground_around_it():
    ground = np.zeros((41, 41), np.float32)
    ground[20, 20] = 3.0
    cloth = draped(ground, **SETTINGS)
    assert cloth[20, 20] == 3.0
    assert (cloth[[0, -1]] == 0).all()
    # A tent of a few particles, alike on all four sides.
    side = cloth[20, 20:]
    assert 0 < side[2] < side[1] < side[0]
    assert (side[6:] == 0).all()
    for other in (cloth[20, 20::-1], cloth[20:, 20], cloth[20::-1, 20]):
        np.testing.assert_array_equal(side, other)


def test_cloth_over_a_deep_pit_stays_near_its_rim_and_fills_a_shallow_one():
    # In the cloud turned upside down a building is a pit.
    ground = np.zeros((40, 40), np.float32)
    ground[15:25, 15:25] = -20.0
    over = draped(ground, **SETTINGS)
    assert -3 < over[15:25, 15:25].min() < -0.1
    ground[15:25, 15:25] = -0.02
    np.testing.assert_array_equal(draped(ground, **SETTINGS)[17:23, 17:23], np.float32(-0.02))


def test_cloth_sags_less_the_more_rigid_it_is():
    ground = np.zeros((40, 40), np.float32)
    ground[10:30, 10:30] = -20.0
    lowest = [draped(ground, **SETTINGS | {"rigidness": r}).min() for r in (1, 2, 3)]
    assert lowest[0] < 1.3 * lowest[1] < 1.3 * 1.1 * lowest[2] < 0


def test_cloth_is_laid_down_in_a_terraced_pit_only_if_asked_to():
    # Down 0.25 m a column to -5 m, and a wall on the far side.
    down = -0.25 * np.clip(np.arange(60) - 20, 0, 20)
    ground = np.tile(np.where(np.arange(60) >= 50, 0, down), (60, 1)).astype(np.float32)
    taut = SETTINGS | {"pull": 0.0005}
    assert (draped(ground, **taut) - ground).max() > 1.0
    np.testing.assert_array_equal(draped(ground, **taut | {"slope_step": 0.3}), ground)
    assert (draped(ground, **taut | {"slope_step": 0.2}) - ground).max() > 1.0


@pytest.mark.parametrize("slope_step", [None, 0.3])
def test_cloth_of_a_mirrored_or_turned_ground_is_mirrored_or_turned_to_the_bit(slope_step):
    ground = rough()
    cloth = draped(ground, **SETTINGS | {"slope_step": slope_step})
    assert 0.05 < (cloth > ground + 0.1).mean() < 0.95
    for same in (np.flipud, np.fliplr, np.transpose, np.rot90):
        turned = draped(np.ascontiguousarray(same(ground)), **SETTINGS | {"slope_step": slope_step})
        np.testing.assert_array_equal(turned, same(cloth))


def test_cloth_is_never_below_the_ground_and_has_holes_where_it_has():
    ground = rough(seed=5)
    cloth = draped(ground, **SETTINGS)
    np.testing.assert_array_equal(np.isnan(cloth), np.isnan(ground))
    assert (cloth >= ground)[~np.isnan(ground)].all()


def test_cloth_reaches_the_bottom_of_any_relief():
    # 500 steps of this pull fall 1.25 m; the cloth is given those of the free fall on top.
    ground = np.zeros((3, 3), np.float32)
    ground[:, 1:] = np.nan
    ground[1, 2] = -90.0
    assert draped(ground, **SETTINGS | {"pull": 1e-5})[1, 2] == -90.0
