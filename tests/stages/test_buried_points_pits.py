"""Real hollows of the ground, and the ground in gaps of high grass, are not buried."""

import numpy as np

from cloudprep.stages.noise.buried_points import BuriedPoints
from cloudprep.testing import run_stage
from demo_clouds.noise_scenes import TUNING_SEEDS, Label, noise_scene
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


def test_wide_pits_of_sparse_clouds_are_buried():
    found, lost = [], []
    for kind in ("town", "plant"):
        made = noise_scene(kind, 2.0, TUNING_SEEDS[1])
        low = low_of(made.columns())
        found.append(low[(made.label == Label.PIT) & made.clearly_noise])
        lost.append(low[made.label == Label.GROUND])
    # Measured: 85 %.
    assert np.concatenate(found).mean() > 0.82
    assert np.concatenate(lost).sum() == 0


def test_a_hollow_that_is_open_to_the_sky_is_kept_in_sparse_clouds():
    rng = np.random.default_rng(52)
    x, y = rng.uniform(0, 80, (2, 80 * 80 * 2))
    for reach, deep in ((2.5, 0.9), (4.0, 1.2), (6.0, 1.5)):
        away = np.hypot(x - 40, y - 40)
        z = rng.normal(0, 0.02, len(x)) - np.clip(reach - away, 0, deep)
        classes = np.ones(len(x), np.uint8)
        assert not low_of({"x": x, "y": y, "z": z, "classification": classes}).any()


def test_the_rim_of_a_mirror_image_is_buried_with_it():
    made = noise_scene("town", 10.0, TUNING_SEEDS[0])
    low = low_of(made.columns())
    # Measured: 86 %; 37 % before what is level with a hidden surface counted as hidden.
    assert low[made.label == Label.MIRROR_IMAGE].mean() > 0.8
    assert not low[made.label == Label.GROUND].any()


def test_ditches_are_kept_in_sparse_clouds():
    rng = np.random.default_rng(53)
    x, y = rng.uniform(0, 80, (2, 80 * 80 * 2))
    for wide, deep in ((1.5, 0.8), (2.0, 1.4), (2.8, 2.0)):
        off = np.abs(y - 40 - 4 * np.sin(x / 9))
        z = rng.normal(0, 0.02, len(x)) - np.clip((wide / 2 + 0.35 - off) * 1.2, 0, deep)
        ditch = z < -0.3 * min(deep, 0.6 * wide + 0.42)
        low = low_of({"x": x, "y": y, "z": z, "classification": np.ones(len(x), np.uint8)})
        # Some points of its ends, at the edge of the data, are lost.
        assert low[ditch].mean() < 0.02
        assert not low[~ditch].any()
