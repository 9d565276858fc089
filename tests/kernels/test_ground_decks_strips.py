"""Bridge decks drop on both sides to ground that goes on, and join the ground at both ends.

What a deck is, is common practice, no source; the shapes here are made by hand.
"""

import numpy as np
import pytest

from cloudprep.kernels.ground_decks import decks

SIZE = 70
DEEP = 6.0


def found(height, turn=0.0, missing=None):
    """Return deck flags and places for a height function of metres from the middle, turned by degrees."""
    rng = np.random.default_rng(4)
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    x, y = column + rng.uniform(0.1, 0.9, column.shape), row + rng.uniform(0.1, 0.9, row.shape)
    a = np.radians(turn)
    u, v = x - SIZE / 2, y - SIZE / 2
    u, v = np.cos(a) * u + np.sin(a) * v, np.cos(a) * v - np.sin(a) * u
    z = height(u, v) + rng.normal(0, 0.03, x.shape)
    if missing is not None:
        z[missing(u, v)] = np.nan
    flags = decks(x, y, z, ground=~np.isnan(z), inside=np.ones(z.shape, bool), cell=1.0)
    return flags, u, v


def valley(u, v):
    return np.where(np.abs(v) < 14, 0.0, DEEP)


def bridge(u, v):
    return np.where(np.abs(u) < 5, DEEP, valley(u, v))


@pytest.mark.parametrize("turn", [0.0, 15.0, 30.0, 45.0, 70.0, 90.0])
def test_a_deck_over_a_valley_is_found_and_the_road_is_left(turn):
    flags, u, v = found(bridge, turn)
    inner = (np.abs(u) < 4) & (np.abs(v) < 10)
    assert flags[inner].mean() > 0.95
    assert not flags[np.abs(v) > 15.5].any()
    assert not flags[(np.abs(u) > 5) & (np.abs(v) < 14)].any()


def test_a_deck_over_water_that_sends_nothing_back_in_the_middle_is_found():
    flags, u, v = found(bridge, missing=lambda u, v: (np.abs(u) >= 5) & (np.abs(v) < 7))
    shore = (np.abs(u) < 4) & (np.abs(v) > 8) & (np.abs(v) < 12)
    assert flags[shore].mean() > 0.95


@pytest.mark.parametrize(
    "height",
    [
        pytest.param(lambda u, v: np.maximum(valley(u, v), DEEP - np.abs(u) / 1.5), id="bank"),
        pytest.param(lambda u, v: np.where((np.abs(u) < 5) & (v < 4), DEEP, valley(u, v)), id="spur"),
        pytest.param(lambda u, v: np.where(np.hypot(u, v + 40) < 45, DEEP, 0.0), id="bulge of a bench"),
        pytest.param(lambda u, v: np.where(np.abs(u) < 5, 0.4 * (v + 36), 0.0), id="steep ramp"),
        pytest.param(lambda u, v: np.where(u < 5, DEEP, valley(u, v)), id="terrace"),
        pytest.param(lambda u, v: np.where(np.abs(u) < 5, 1.2, np.where(np.abs(v) < 14, 0, 1.2)), id="low"),
        pytest.param(lambda u, v: np.where(np.abs(u) < 22, DEEP, valley(u, v)), id="too wide"),
    ],
)
def test_what_is_no_deck_is_left(height):
    assert not found(height)[0].any()


def test_a_deck_between_unequal_levels_is_a_shelf():
    # On one side 1 m below it, on the other 9 m: the ground doesn't go on beneath.
    def shelf(u, v):
        return np.where(np.abs(v) >= 14, 9.0, np.where(np.abs(u) < 5, 9.0, np.where(u > 0, 0.0, 6.0)))

    assert not found(shelf)[0].any()


def test_the_raster_may_be_mirrored():
    rng = np.random.default_rng(7)
    row, column = np.mgrid[0:SIZE, 0:SIZE]
    x, y = column + rng.uniform(0.1, 0.9, column.shape), row + rng.uniform(0.1, 0.9, row.shape)
    z = bridge(x - 35 + 0.3 * (y - 35), y - 35)
    every = np.ones(z.shape, bool)
    plain = decks(x, y, z, ground=every, inside=every, cell=1.0)
    swapped = decks(y.T.copy(), x.T.copy(), z.T.copy(), ground=every, inside=every, cell=1.0)
    assert plain.any()
    np.testing.assert_array_equal(plain, swapped.T)
