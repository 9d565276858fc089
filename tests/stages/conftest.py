"""Made-up scenes whose every point is known, for the ground stages."""

import numpy as np
import pytest

from cloudprep.testing import run_stage


@pytest.fixture
def pulses():
    """Return a function that gives a generator, and x and y of 2 pulses a square metre."""

    def make(seed, side):
        rng = np.random.default_rng(seed)
        x, y = rng.uniform(0, side, (2, int(2 * side**2)))
        return rng, x, y

    return make


@pytest.fixture
def found_by():
    """Return a function: which points a ground stage takes for ground, after 6 cm noise."""

    def find(stage_class, x, y, z, rng, **parameters):
        xyz = np.round(np.c_[x, y, z + rng.normal(0, 0.06, len(x))], 3)
        columns = dict(zip("xyz", xyz.T.copy(), strict=True), classification=np.zeros(len(x), np.uint8))
        stage = stage_class(stage_class.Params(**parameters))
        return run_stage(stage, columns).labels["classification"] == 2

    return find
