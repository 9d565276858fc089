"""The simple morphological stage on scenes whose every point is known.

2 pulses a square metre, 6 cm noise. Bars were measured on four seeds and lie just beyond the worst of them.
"""

from functools import partial

import numpy as np
import pytest

from cloudprep.stages.ground.simple_morphological import SimpleMorphological
from cloudprep.testing import run_stage

SEEDS = (1, 2)


@pytest.fixture
def found(found_by):
    """Return a function: which points the stage takes for ground."""
    return partial(found_by, SimpleMorphological)


@pytest.mark.parametrize("seed", SEEDS)
def test_simple_morphological_keeps_steep_slopes_and_cliffs(seed, pulses, found):
    rng, x, y = pulses(seed, 100)
    assert found(x, y, 200 + 0.577 * x, rng).mean() >= 0.97
    assert found(x, y, 100 + np.where(x > 50, 8.0, 0.0) + 0.05 * y, rng).mean() >= 0.999


@pytest.mark.parametrize("seed", SEEDS)
def test_simple_morphological_takes_no_house_on_a_slope(seed, pulses, found):
    rng, x, y = pulses(seed, 90)
    z = 300 + 0.25 * x + 0.3 * np.sin(x / 4) * np.sin(y / 3)
    roof = (abs(x - 45) < 6) & (abs(y - 44) < 5)
    z[roof] = 300 + 0.25 * 51 + 3 + 0.6 * (5 - abs(y[roof] - 44))
    ground = found(x, y, z, rng)
    assert not ground[roof].any()
    assert ground[~roof].mean() >= 0.998


@pytest.mark.parametrize("seed", SEEDS)
def test_simple_morphological_takes_no_roof_that_holds_no_largest_disk(seed, pulses, found):
    # A flat roof of 50 x 40 m holds a disk of 18 m, and none of 22 m.
    rng, x, y = pulses(seed, 120)
    roof = (abs(x - 60) < 25) & (abs(y - 60) < 20)
    z = np.where(roof, 112.0, 100 + 0.03 * x)
    assert found(x, y, z, rng)[roof].mean() > 0.8
    ground = found(x, y, z, rng, largest_radius=22.0)
    assert ground[roof].mean() <= 0.01
    assert ground[~roof].mean() >= 0.99


@pytest.mark.parametrize("seed", SEEDS)
def test_simple_morphological_is_not_drawn_down_by_low_outliers(seed, pulses, found):
    rng, x, y = pulses(seed, 80)
    low = np.isin(np.arange(len(x)), rng.choice(len(x), 12, replace=False))
    ground = found(x, y, 100 + 0.1 * x - np.where(low, 8.0, 0.0), rng)
    assert not ground[low].any()
    assert ground[~low].mean() >= 0.999


def test_simple_morphological_threshold_grows_with_the_terrains_slope():
    # 0.5 m on level terrain; 0.5 + 1.25 * 0.4 = 1 m where it rises by 0.4 (the slope of the paper's rule).
    x, y = (v.ravel() + 0.5 for v in np.meshgrid(np.arange(40.0), np.arange(40.0)))
    for rise, limit in ((0.0, 0.5), (0.4, 1.0)):
        for above, expected in ((limit - 0.02, True), (limit + 0.02, False)):
            # A second point over the middle of a cell, from which the lowest one stays.
            xs, ys = np.r_[x, 20.5], np.r_[y, 20.5]
            z = 50 + rise * xs
            z[-1] += above
            columns = {"x": xs, "y": ys, "z": z, "classification": np.zeros(len(xs), np.uint8)}
            stage = SimpleMorphological(SimpleMorphological.Params(cell=1.0))
            assert (run_stage(stage, columns).labels["classification"][-1] == 2) == expected
