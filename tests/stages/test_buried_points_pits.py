"""Real hollows of the ground, and the ground in gaps of high grass, are not buried."""

import numpy as np

from cloudprep.stages.noise.buried_points import BuriedPoints
from cloudprep.testing import run_stage
from demo_clouds.scenes import scene


def low_of(columns):
    return run_stage(BuriedPoints(), columns).labels["classification"] == 7


def test_ground_in_gaps_of_high_grass_is_kept():
    made = scene("drone_grass", 1)
    # Measured: 0.26 %.
    assert low_of(made.columns())[made.ground].mean() < 0.003


def test_a_real_hollow_is_kept():
    rng = np.random.default_rng(51)
    x, y = rng.uniform(0, 60, (2, 60 * 60 * 4))
    away = np.hypot(x - 30, y - 30)
    z = rng.normal(0, 0.02, len(x)) - np.clip(1.5 * (2.2 - away), 0, 1.2)
    assert not low_of({"x": x, "y": y, "z": z, "classification": np.ones(len(x), np.uint8)}).any()
