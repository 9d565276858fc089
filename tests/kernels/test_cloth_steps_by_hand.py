"""One step of the cloth, against numbers worked out by hand.

Source of the rules: W. Zhang et al., "An easy-to-use airborne LiDAR data filtering method based on cloth
simulation", Remote Sensing 8(6), 501, 2016; from memory: X(t + dt) = 2 X(t) - X(t - dt) + G/m dt^2, half of
the height difference to a neighbour, and 1/2, 3/4, 7/8 of it for rigidness 1, 2, 3.
"""

import numpy as np
import pytest

from cloudprep.kernels.cloth import ABSENT, MOVABLE, RESTING, draw_together, fall, hung, set_down


def row_of(*below):
    """Return a cloth of one row of particles."""
    return hung(np.array([below], np.float32))


def inner(values):
    return values[1, 1:-1].tolist()


def test_cloth_hangs_at_the_highest_point_with_holes_and_neighbours_counted():
    cloth = hung(np.array([[1, np.nan, 3], [2, 5, 4]], np.float32))
    assert cloth.height[1:-1, 1:-1].tolist() == [[5, 0, 5], [5, 5, 5]]
    assert cloth.state[1:-1, 1:-1].tolist() == [[MOVABLE, ABSENT, MOVABLE], [MOVABLE] * 3]
    assert cloth.neighbours[1, [1, 3]].tolist() == [1, 1]
    assert inner(cloth.neighbours[1:]) == [2, 2, 2]
    assert not cloth.state[[0, -1]].any()
    assert not cloth.state[:, [0, -1]].any()


def test_cloth_falls_by_1_3_6_10_times_the_pull():
    # From rest Verlet's rule falls pull * n (n + 1) / 2 in n steps.
    cloth = row_of(10.0, 0.0)
    fallen = []
    for _ in range(4):
        fall(cloth.height, cloth.before, cloth.below, cloth.state, 0.25)
        fallen.append(10 - cloth.height[1, 2])
    assert fallen == [0.25, 0.75, 1.5, 2.5]


def test_cloth_rests_for_good_where_it_reaches_what_is_below():
    cloth = row_of(10.0, 9.5, 0.0)
    for _ in range(3):
        fall(cloth.height, cloth.before, cloth.below, cloth.state, 0.25)
    assert inner(cloth.height) == [10.0, 9.5, 8.5]
    assert inner(cloth.state) == [RESTING, RESTING, MOVABLE]


@pytest.mark.parametrize(("rigidness", "share"), [(1, 1 / 2), (2, 3 / 4), (3, 7 / 8)])
def test_cloth_between_resting_neighbours_makes_up_the_share_of_its_rigidness(rigidness, share):
    cloth = row_of(8.0, 0.0, 8.0)
    cloth.state[1, [1, 3]] = RESTING
    height = cloth.height.copy()
    height[1, 2] = 0.0
    for _ in range(rigidness):
        drawn = np.zeros_like(height)
        draw_together(height, cloth.state, cloth.neighbours, drawn)
        height = drawn
    assert inner(height) == [8.0, 8.0 * share, 8.0]


def test_cloth_draws_two_movable_particles_to_their_middle():
    cloth = row_of(4.0, 0.0)
    cloth.height[1, 1:3] = 4.0, 1.0
    drawn = np.zeros_like(cloth.height)
    draw_together(cloth.height, cloth.state, cloth.neighbours, drawn)
    assert inner(drawn) == [2.5, 2.5]


def test_cloth_draws_three_particles_at_once_from_the_heights_they_had():
    # The outer two go half-way to the middle one, the middle one half-way to the mean (4 + 0) / 2 of them.
    cloth = row_of(4.0, 0.0, 0.0)
    cloth.height[1, 1:4] = 4.0, 1.0, 0.0
    drawn = np.zeros_like(cloth.height)
    draw_together(cloth.height, cloth.state, cloth.neighbours, drawn)
    assert inner(drawn) == [2.5, 1.5, 0.5]


def test_cloth_leaves_a_particle_without_neighbours_and_holes_alone():
    cloth = row_of(3.0, np.nan, 1.0)
    drawn = np.full_like(cloth.height, 99.0)
    drawn[:, [0, -1]] = drawn[[0, -1]] = 0
    draw_together(cloth.height, cloth.state, cloth.neighbours, drawn)
    assert inner(drawn) == [3.0, 0.0, 3.0]


def test_cloth_is_laid_down_from_neighbour_to_neighbour_up_to_the_first_high_step():
    # Differences from the resting one: 0.2, 0.2, then 0.4, then 0.1: it ends at the 0.4.
    cloth = row_of(0.0, 0.2, 0.4, 0.8, 0.9)
    cloth.height[1, 1:-1] = 0.0, 5.0, 5.0, 5.0, 5.0
    cloth.state[1, 1] = RESTING
    set_down(cloth.height, cloth.below, cloth.state, 0.3)
    np.testing.assert_allclose(inner(cloth.height), [0.0, 0.2, 0.4, 5.0, 5.0], atol=1e-6)
    assert inner(cloth.state) == [RESTING, RESTING, RESTING, MOVABLE, MOVABLE]
