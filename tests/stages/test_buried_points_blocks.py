"""Buried points are the same however the site is cut: on a scene with mirror images cut by the blocks."""

import numpy as np
import pytest

from cloudprep.stages.noise.buried_points import BuriedPoints
from cloudprep.testing import run_stage
from demo_clouds.noise_scenes import TUNING_SEEDS, noise_scene


@pytest.fixture(scope="module")
def columns():
    return noise_scene("town", 10.0, TUNING_SEEDS[0]).columns()


def test_what_is_buried_does_not_depend_on_the_blocks(columns):
    whole = run_stage(BuriedPoints(), columns).labels["classification"]
    cut = run_stage(BuriedPoints(), columns, block_edge=23.7, workers=2).labels["classification"]
    assert np.count_nonzero(whole) > 100
    np.testing.assert_array_equal(whole, cut)
