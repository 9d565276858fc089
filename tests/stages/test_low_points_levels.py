"""low_points keeps ground that is seen through gaps, and takes echoes in the same places."""

import numpy as np
import pytest

from cloudprep.stages.noise.low_points import LowPoints
from cloudprep.testing import run_stage

SIZE = 70.0
# Ground seen between roofs: single places on a grid, far enough apart to be groups of their own.
GAPS = np.array([(x, y) for x in (12.0, 27.0, 42.0, 57.0) for y in (14.0, 29.0, 44.0, 59.0)])


def low_of(x, y, z):
    columns = {
        "x": x,
        "y": y,
        "z": z,
        "classification": np.ones(len(x), np.uint8),
        "withheld": np.zeros(len(x), bool),
    }
    return run_stage(LowPoints(), columns).labels["classification"] == 7


def surface(rng, height):
    x, y = rng.uniform(0, SIZE, (2, int(SIZE**2)))
    return x, y, height(x) + rng.normal(0, 0.03, len(x))


def with_points(base, places, heights):
    x, y, z = base
    columns = np.r_[x, places[:, 0]], np.r_[y, places[:, 1]], np.r_[z, heights]
    return low_of(*columns)[len(x) :]


@pytest.fixture
def roof():
    return surface(np.random.default_rng(1), lambda x: np.full_like(x, 104.0))


def test_what_is_seen_through_gaps_on_one_level_stays(roof):
    heights = 100.0 + np.random.default_rng(2).normal(0, 0.05, len(GAPS))
    assert not with_points(roof, GAPS, heights).any()


def test_echoes_from_all_depths_in_the_same_places_are_low(roof):
    heights = 104.0 - np.linspace(1.0, 33.0, len(GAPS))
    assert with_points(roof, GAPS, heights).mean() > 0.9


@pytest.mark.parametrize(("height", "low"), [(102.0, False), (97.0, True)])
def test_what_lies_between_two_floors_stays_and_below_both_is_low(height, low):
    # A wall along x = 35 parts an upper floor from a lower one.
    floors = surface(np.random.default_rng(3), lambda x: np.where(x < 35.0, 105.0, 100.0))
    shaft = np.array([(26.0, 35.0), (26.4, 35.3), (25.7, 34.8)])
    found = with_points(floors, shaft, np.full(3, height))
    assert (found == low).all()
