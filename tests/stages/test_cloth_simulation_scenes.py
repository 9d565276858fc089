"""The cloth simulation stage on scenes whose every point is known.

2 pulses a square metre, 6 cm noise. Bars were measured on four seeds and lie just beyond the worst of them.
"""

from functools import partial

import numpy as np
import pytest

from cloudprep.stages.ground.cloth_simulation import ClothSimulation
from cloudprep.testing import run_stage

SEEDS = (1, 2)


@pytest.fixture
def found(found_by):
    """Return a function: which points the stage takes for ground."""
    return partial(found_by, ClothSimulation)


@pytest.mark.parametrize("seed", SEEDS)
def test_cloth_simulation_keeps_steep_slopes(seed, pulses, found):
    rng, x, y = pulses(seed, 100)
    assert found(x, y, 200 + 0.4 * x + 0.4 * y, rng).mean() >= 0.999
    assert found(x, y, 200 + 1.0 * x, rng).mean() >= 0.998


@pytest.mark.parametrize("seed", SEEDS)
def test_cloth_simulation_takes_no_house_on_a_slope(seed, pulses, found):
    rng, x, y = pulses(seed, 90)
    z = 300 + 0.25 * x + 0.3 * np.sin(x / 4) * np.sin(y / 3)
    roof = (abs(x - 45) < 6) & (abs(y - 44) < 5)
    z[roof] = 300 + 0.25 * 51 + 3 + 0.6 * (5 - abs(y[roof] - 44))
    for steep_slopes in (False, True):
        ground = found(x, y, z, rng, steep_slopes=steep_slopes)
        assert not ground[roof].any()
        assert ground[~roof].mean() >= 0.999


@pytest.mark.parametrize("seed", SEEDS)
def test_cloth_simulation_is_kept_off_wide_roofs_by_its_rigidness(seed, pulses, found):
    rng, x, y = pulses(seed, 120)
    roof = (abs(x - 60) < 20) & (abs(y - 60) < 15)
    z = np.where(roof, 112.0, 100 + 0.03 * x)
    soft, rigid = (found(x, y, z, rng, rigidness=r) for r in (1, 3))
    assert soft[roof].mean() > 0.2
    assert rigid[roof].mean() <= 0.001
    assert rigid[~roof].mean() >= 0.999


@pytest.mark.parametrize("seed", SEEDS)
def test_cloth_simulation_reaches_the_edge_of_a_cliff_if_laid_down_on_slopes(seed, pulses, found):
    rng, x, y = pulses(seed, 100)
    z = 100 + np.where(x > 50, 8.0, 0.0) + 0.05 * y
    assert found(x, y, z, rng).mean() < 0.92
    assert found(x, y, z, rng, steep_slopes=True).mean() >= 0.99


def test_cloth_simulation_finds_the_ground_below_bushes(pulses, found):
    rng, x, y = pulses(5, 100)
    bare = 100 + 3 * np.sin(x / 25) + 0.05 * y
    bush = rng.random(len(x)) < 0.5
    ground = found(x, y, bare + np.where(bush, rng.uniform(1.0, 6.0, len(x)), 0.0), rng)
    assert ground[bush].mean() <= 0.001
    assert ground[~bush].mean() >= 0.999


def test_cloth_simulation_threshold_is_square_to_the_cloth():
    # 0.5 m on level ground; where it rises by 3 in 4, 0.5 m square to it are 0.5 * 5/4 = 0.625 m up.
    x, y = (v.ravel() + 0.5 for v in np.meshgrid(np.arange(40.0), np.arange(40.0)))
    for rise, limit in ((0.0, 0.5), (0.75, 0.625)):
        for above, expected in ((limit - 0.03, True), (limit + 0.03, False)):
            # A second point over the middle of a cell, from which the lowest one stays.
            xs, ys = np.r_[x, 20.5], np.r_[y, 20.5]
            z = 50 + rise * xs
            z[-1] += above
            columns = {"x": xs, "y": ys, "z": z, "classification": np.zeros(len(xs), np.uint8)}
            stage = ClothSimulation(ClothSimulation.Params(cell=1.0))
            assert (run_stage(stage, columns).labels["classification"][-1] == 2) == expected


def test_cloth_simulation_sags_alike_whatever_the_cell(pulses, found):
    # The same roof of 30 x 24 m, 6 m high: much the same part of it is taken with cells of 0.5, 1 and 2 m.
    rng, x, y = pulses(3, 120)
    roof = (abs(x - 60) < 15) & (abs(y - 60) < 12)
    z = np.where(roof, 106.0, 100 + 0.03 * x)
    parts = [found(x, y, z, rng, cell=cell)[roof].mean() for cell in (0.5, 1.0, 2.0)]
    assert min(parts) > 0.1
    assert max(parts) - min(parts) < 0.1
    # It would not be, were gravity the same.
    assert found(x, y, z, rng, cell=0.5, gravity=0.025)[roof].mean() > max(parts) + 0.1


def test_cloth_simulation_takes_no_point_far_below_the_cloth():
    # Of the four cells around the corner (20, 20) one holds a point 8 m down: there the cloth reads -2 m.
    x, y = (v.ravel() + 0.5 for v in np.meshgrid(np.arange(40.0), np.arange(40.0)))
    for below, expected in ((8.0, 1), (0.3, 2)):
        xs, ys, z = np.r_[x, 20.01], np.r_[y, 20.01], np.r_[np.full(len(x), 50.0), 50.0 - below]
        columns = {"x": xs, "y": ys, "z": z, "classification": np.zeros(len(xs), np.uint8)}
        stage = ClothSimulation(ClothSimulation.Params(cell=1.0))
        assert run_stage(stage, columns).labels["classification"][-1] == expected
