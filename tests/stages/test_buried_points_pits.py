"""Shallow pits of late echoes are buried; a real hollow of the ground is not."""

import numpy as np

from cloudprep.stages.noise.buried_points import BuriedPoints
from cloudprep.testing import run_stage
from demo_clouds.noise_scenes import TUNING_SEEDS, Label, noise_scene


def low_of(columns):
    return run_stage(BuriedPoints(), columns).labels["classification"] == 7


def test_shallow_pits_of_late_echoes_are_buried():
    found, lost = [], []
    for kind, density in (("lake", 2.0), ("forest", 10.0), ("plant", 10.0)):
        scene = noise_scene(kind, density, TUNING_SEEDS[0])
        low = low_of(scene.columns())
        found.append(low[(scene.label == Label.PIT) & scene.clearly_noise])
        lost.append(low[scene.label == Label.GROUND])
    # Measured: 87 %; 69 % before shallow pits had a rule of their own. One or two points of ground are lost.
    assert np.concatenate(found).mean() > 0.85
    assert np.concatenate(lost).sum() <= 2


def test_a_real_hollow_is_kept():
    rng = np.random.default_rng(51)
    x, y = rng.uniform(0, 60, (2, 60 * 60 * 4))
    away = np.hypot(x - 30, y - 30)
    z = rng.normal(0, 0.02, len(x)) - np.clip(1.5 * (2.2 - away), 0, 1.2)
    assert not low_of({"x": x, "y": y, "z": z, "classification": np.ones(len(x), np.uint8)}).any()
