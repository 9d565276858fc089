"""The cloth's labels don't depend on the order of the points, the blocks, far coordinates or the unit."""

import numpy as np
import pytest

from cloudprep.stages.ground.cloth_simulation import ClothSimulation, ClothSimulationParams
from cloudprep.testing import run_stage

FOOT = 1200 / 3937  # the US survey foot


@pytest.fixture(scope="module")
def columns():
    """Return a slope with a house, a wide hall and bushes, at 1.5 points a square metre."""
    rng = np.random.default_rng(11)
    x, y = rng.uniform(0, 90, (2, 12_000))
    z = 80 + 0.2 * x + 4 * np.sin(y / 12)
    z += np.where((abs(x - 20) < 6) & (abs(y - 20) < 5), 7.0, 0.0)
    z += np.where((abs(x - 60) < 18) & (abs(y - 55) < 15), 5.0, 0.0)
    z += np.where(rng.random(len(x)) < 0.2, rng.uniform(0.3, 5, len(x)), 0.0)
    xyz = np.round(np.c_[x, y, z + rng.normal(0, 0.05, len(x))], 3)
    return dict(zip("xyz", xyz.T.copy(), strict=True), classification=np.zeros(len(x), np.uint8))


def labels(columns, steep_slopes=True, **how):
    stage = ClothSimulation(ClothSimulationParams(steep_slopes=steep_slopes))
    return run_stage(stage, columns, **how).labels["classification"]


@pytest.mark.parametrize("steep_slopes", [False, True])
def test_cloth_simulation_does_not_depend_on_blocks_and_order(columns, steep_slopes):
    whole = labels(columns, steep_slopes)
    assert 0.3 < (whole == 2).mean() < 0.9
    np.testing.assert_array_equal(whole, labels(columns, steep_slopes, block_edge=23.7, workers=2))
    order = np.random.default_rng(2).permutation(len(whole))
    shuffled = {name: values[order] for name, values in columns.items()}
    np.testing.assert_array_equal(whole[order], labels(shuffled, steep_slopes, block_edge=31.0))


def test_cloth_simulation_is_the_same_at_coordinates_of_six_million(columns):
    near, far = (labels(columns, origin=origin) for origin in ((0.0, 0.0), (6_000_000.0, 6_100_000.0)))
    np.testing.assert_array_equal(near, far)
    # Moved by less than a cell it lies otherwise on the lattice.
    assert (labels(columns, origin=(0.4, 0.3)) != near).any()


def test_cloth_simulation_lattice_does_not_start_at_the_cloud(columns):
    # Without its western and southern rim of 5.3 m the inner part is labelled as before, all but a few.
    inner = (columns["x"] > 5.3) & (columns["y"] > 5.3)
    kept = inner & (columns["x"] > 30) & (columns["y"] > 30)
    part = np.zeros(len(inner), np.uint8)
    part[inner] = labels({name: values[inner] for name, values in columns.items()})
    assert (part != labels(columns))[kept].mean() <= 0.002


def test_cloth_simulation_is_the_same_from_feet_and_metres(columns):
    # Feet stored to 0.001, as metres by two ways of rounding the same conversion.
    feet = {name: np.round(columns[name] / FOOT, 3) for name in "xyz"}
    ways = [{n: v * FOOT for n, v in feet.items()}, {n: v / 3937 * 1200 for n, v in feet.items()}]
    assert any((ways[0][name] != ways[1][name]).any() for name in "xyz")
    first, second = (labels({**way, "classification": columns["classification"]}) for way in ways)
    np.testing.assert_array_equal(first, second)
    # And all but a few at the threshold as from metres stored to 0.001.
    assert (first != labels(columns)).mean() <= 0.002
