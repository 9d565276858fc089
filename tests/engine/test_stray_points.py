"""Stray points: absurd coordinates are found, real ones are never taken for them."""

import numpy as np
import pytest

from cloudprep.engine.stray import _narrower_band, find_stray, plausible_band


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


def test_the_band_that_is_found_quickly_never_reaches_beyond_the_one_of_the_percentiles():
    rng = np.random.default_rng(8)
    found = 0
    for count in (1, 2, 3, 199, 200, 201, 1_999, 2_000, 30_000):
        for values in (
            rng.normal(0, 40, count),
            np.sort(rng.normal(0, 40, count)),
            rng.standard_cauchy(count) * 30,
            np.round(rng.exponential(90, count)),
            np.full(count, 7.0),
        ):
            for height in (True, False):
                narrow, band = _narrower_band(values, height=height), plausible_band(values, height=height)
                if narrow is not None:
                    assert band.low <= narrow.low <= narrow.high <= band.high
                    found += 1
    assert found > 60


def test_a_point_between_the_quick_band_and_that_of_the_percentiles_is_kept_and_one_beyond_both_is_stray():
    x = np.r_[np.random.default_rng(9).uniform(0, 1_000, 20_000), 0.0]
    narrow, band = _narrower_band(x, height=False), plausible_band(x, height=False)
    assert narrow is not None
    assert narrow.high < band.high
    x[-1] = (narrow.high + band.high) / 2
    assert find_stray(x, np.zeros_like(x), np.zeros_like(x)) is None
    x[-1] = band.high + 10.0
    assert np.flatnonzero(find_stray(x, np.zeros_like(x), np.zeros_like(x))).tolist() == [20_000]
