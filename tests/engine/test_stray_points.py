"""Stray points: absurd coordinates are found, real ones are never taken for them."""

import numpy as np
import pytest

from cloudprep.engine.stray import find_stray


def strip(rng, n=20_000, length=3000.0, width=200.0):
    x, y = rng.uniform(0, length, n), rng.uniform(0, width, n)
    return x, y, 100 + 0.01 * x + rng.normal(0, 0.05, n)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("far", [-2e6, 3e7])
def test_a_far_point_is_found_on_every_axis(axis, far):
    xyz = [v.copy() for v in strip(np.random.default_rng(1))]
    xyz[axis][777] = far
    mask = find_stray(*xyz)
    assert mask is not None
    assert np.flatnonzero(mask).tolist() == [777]


def test_a_far_point_is_found_among_few():
    x, y, z = (v[:40] for v in strip(np.random.default_rng(2), length=50, width=50))
    x = x.copy()
    x[3] = 4e6
    assert np.flatnonzero(find_stray(x, y, z)).tolist() == [3]


def test_birds_masts_and_low_echoes_are_left_to_the_noise_stages():
    x, y, z = strip(np.random.default_rng(3))
    z = z.copy()
    z[:4] = [100 + 400, 100 + 320, 100 - 60, 100 - 200]
    assert find_stray(x, y, z) is None


def test_an_l_shaped_corridor_keeps_its_short_leg():
    rng = np.random.default_rng(4)
    long_leg = strip(rng, 19_000)
    short_leg = [rng.uniform(0, 50, 300), rng.uniform(200, 600, 300), np.full(300, 100.0)]
    assert find_stray(*(np.r_[a, b] for a, b in zip(long_leg, short_leg, strict=True))) is None


def test_no_points_have_no_strays():
    assert find_stray(*(np.empty(0),) * 3) is None


def test_points_in_one_place_have_no_strays():
    assert find_stray(*(np.full(50, 7.0),) * 3) is None
