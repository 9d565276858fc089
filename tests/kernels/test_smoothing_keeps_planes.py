"""Smoothing: planes and holes stay, spikes don't, and no height changes by more than was allowed."""

import numpy as np
import pytest

from cloudprep.kernels.smoothing import smooth_rows


@pytest.fixture
def holed():
    rng = np.random.default_rng(1)
    hole = rng.random((30, 40)) < 0.1
    hole[10:16, 20:28] = True
    return hole


def test_a_plane_stays_beside_holes_and_at_the_rim(holed):
    y, x = np.mgrid[:30, :40]
    plane = np.where(holed, np.nan, 100 + 0.3 * x - 0.7 * y)
    smooth = smooth_rows(plane, 0, 30, 1.5, 10.0)
    assert np.array_equal(np.isnan(smooth), holed)
    assert np.nanmax(np.abs(smooth - plane)) < 1e-12 * 150


def test_noise_gets_less_and_no_height_changes_by_more_than_the_limit(holed):
    rng = np.random.default_rng(2)
    rough = np.where(holed, np.nan, rng.normal(0, 1, holed.shape))
    smooth = smooth_rows(rough, 0, 30, 1.0, 0.4)
    assert np.nanmax(np.abs(smooth - rough)) == pytest.approx(0.4, abs=1e-15)
    free = smooth_rows(rough, 0, 30, 1.0, np.inf)
    assert np.nanstd(free) < 0.5 * np.nanstd(rough)


def test_rows_are_the_same_whichever_are_asked_for(holed):
    rng = np.random.default_rng(3)
    rough = np.where(holed, np.nan, rng.normal(0, 1, holed.shape))
    whole = smooth_rows(rough, 0, 30, 1.3, 0.5)
    for first, beyond in ((0, 1), (7, 19), (29, 30)):
        assert np.array_equal(
            smooth_rows(rough, first, beyond, 1.3, 0.5), whole[first:beyond], equal_nan=True
        )


def test_no_deviation_is_no_smoothing():
    rough = np.random.default_rng(4).normal(0, 1, (5, 5))
    assert np.array_equal(smooth_rows(rough, 0, 5, 0.0, 1.0), rough)
