"""Saddles are where the ground rises to two sides and falls to two others; places keep their distance."""

import numpy as np
import pytest

from cloudprep.kernels.spots import far_apart, saddle_strength


@pytest.mark.parametrize("turned", [0.0, 0.4, 1.1])
def test_a_saddle_is_strongest_in_its_middle(turned):
    y, x = np.mgrid[-20:21, -20:21].astype(float)
    u, v = x * np.cos(turned) + y * np.sin(turned), y * np.cos(turned) - x * np.sin(turned)
    strength = saddle_strength((u * u - v * v) / 50, 5, 0.1)
    assert np.unravel_index(strength.argmax(), strength.shape) == (20, 20)
    # On a circle of 5 cells the ground differs by 25 / 50; the 16 cells of it lie half a cell off at most.
    assert strength.max() == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize("shape", ["hill", "slope", "ridge", "monkey"])
def test_what_is_no_saddle(shape):
    y, x = np.mgrid[-10:11, -10:11].astype(float)
    z = {"hill": -x * x - y * y, "slope": x + 2 * y, "ridge": -x * x + 0 * y, "monkey": x**3 - 3 * x * y * y}
    strength = saddle_strength(z[shape], 4, 0.5)
    assert (strength[10, 10] > 0) == (shape == "monkey")
    if shape != "monkey":
        assert strength.max() == 0


def test_a_saddle_beside_a_hole_is_not_told():
    y, x = np.mgrid[-10:11, -10:11].astype(float)
    z = x * x - y * y
    z[10, 14] = np.nan
    assert saddle_strength(z, 4, 0.5)[10, 10] == 0


def test_places_keep_their_distance_and_none_is_left_out_for_nothing():
    rng = np.random.default_rng(1)
    column, row = rng.integers(0, 200, (2, 3000))
    taken = far_apart(column, row, (200, 200), 7.5)
    apart = np.hypot(column[:, None] - column[taken], row[:, None] - row[taken])
    among = apart[taken]
    np.fill_diagonal(among, np.inf)
    assert among.min() >= 7.5
    # Each of the others lies near one that comes before it.
    before = np.flatnonzero(taken)[None, :] < np.arange(3000)[:, None]
    assert ((apart < 7.5) & before).any(axis=1)[~taken].all()
