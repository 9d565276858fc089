"""Noise scenes repeat, are as dense as asked, hold everything they should, and are hard enough."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from cloudprep.kernels.neighbours import mean_neighbour_distance
from cloudprep.model.columns import COLUMNS
from demo_clouds.noise_scenes import (
    DENSITIES,
    KINDS,
    LIDAR_KINDS,
    LIDAR_NOISE,
    PHOTOGRAMMETRIC_KINDS,
    PHOTOGRAMMETRIC_NOISE,
    REAL,
    REPORTING_SEEDS,
    TUNING_SEEDS,
    Label,
    noise_scene,
)
from demo_clouds.noise_scenes.score import Tally

THIN = (
    Label.WIRE,
    Label.GUY,
    Label.POLE,
    Label.PYLON,
    Label.ANTENNA,
    Label.CRANE,
    Label.FENCE,
    Label.CONVEYOR,
)

AIR = (Label.HAZE, Label.RAIN, Label.STRAY_LIGHT, Label.FOG_BANK, Label.DUST)


@cache
def lidar(kind, density=10.0, seed=6):
    return noise_scene(kind, density, seed)


@cache
def photogrammetric(kind, density=60.0, seed=6):
    return noise_scene(kind, density, seed)


@pytest.mark.parametrize("kind", ["lake", "photo_quarry"])
def test_the_same_seed_gives_the_same_scene_and_another_seed_another(kind):
    first, again, other = (noise_scene(kind, 2.0, seed) for seed in (3, 3, 4))
    assert len(first) == len(again)
    for name, values in first.columns().items():
        assert np.array_equal(values, again.columns()[name]), name
    assert np.array_equal(first.label, again.label)
    assert len(first) != len(other) or not np.array_equal(first.z, other.z)


def test_seeds_for_tuning_and_for_reporting_are_apart():
    assert TUNING_SEEDS
    assert REPORTING_SEEDS
    assert not set(TUNING_SEEDS) & set(REPORTING_SEEDS)


@pytest.mark.parametrize(
    ("kind", "density"), [("city", 10.0), ("town", 0.1), ("town", 5000.0), ("town", np.nan)]
)
def test_what_cannot_be_made_is_refused_in_words(kind, density):
    with pytest.raises(ValueError, match=r"no scene kind|density must be"):
        noise_scene(kind, density, 1)


@pytest.mark.parametrize("kind", LIDAR_KINDS)
def test_lidar_is_as_dense_as_asked(kind):
    scene = lidar(kind)
    length, width = scene.site.extent
    first = scene.return_number == 1
    # Water gives few returns back.
    dry = 1.0 if kind != "lake" else 0.7
    assert 0.7 * dry * 10 < first.sum() / (length * width) < 1.35 * 10
    assert 40_000 < len(scene) < 270_000


@pytest.mark.parametrize("density", DENSITIES)
def test_every_density_is_met(density):
    scene = lidar("plant", density)
    length, width = scene.site.extent
    found = (scene.return_number == 1).sum() / (length * width)
    assert 0.75 < found / density < 1.35
    assert 40_000 < len(scene) < 270_000


@pytest.mark.parametrize("kind", PHOTOGRAMMETRIC_KINDS)
def test_photogrammetry_is_as_dense_as_asked(kind):
    scene = photogrammetric(kind)
    length, width = scene.site.extent
    assert 0.75 * 60 < len(scene) / (length * width) < 1.35 * 60
    assert (scene.number_of_returns == 1).all()


def test_every_kind_of_noise_and_of_thin_object_occurs():
    seen = set()
    for kind in LIDAR_KINDS:
        seen |= set(np.unique(lidar(kind).label).tolist())
    assert seen >= set(LIDAR_NOISE)
    assert seen >= set(REAL)
    assert seen >= set(THIN)
    for kind in PHOTOGRAMMETRIC_KINDS:
        labels = set(np.unique(photogrammetric(kind).label).tolist())
        assert labels >= set(PHOTOGRAMMETRIC_NOISE), kind
        assert not labels & set(LIDAR_NOISE)


@pytest.mark.parametrize("kind", ["lake", "photo_quarry"])
def test_columns_are_of_the_table_and_safe_to_change(kind):
    scene = noise_scene(kind, 2.0, 3)
    columns = scene.columns()
    for name, values in columns.items():
        assert values.dtype == COLUMNS[name].dtype, name
        assert len(values) == len(scene)
    columns["z"][:] = 0.0
    columns["return_number"][:] = 9
    assert scene.z.any()
    assert scene.return_number.max() < 9


@pytest.mark.parametrize("kind", LIDAR_KINDS)
def test_returns_are_numbered_within_their_pulses(kind):
    scene = lidar(kind)
    time = scene.attributes["gps_time"]
    assert (np.diff(time) >= 0).all()  # in scan order, line after line
    start = np.flatnonzero(np.r_[True, np.diff(time) > 0])
    count = np.diff(np.r_[start, len(time)])
    place = np.arange(len(time)) - np.repeat(start, count)
    assert np.array_equal(scene.return_number, place + 1)
    assert np.array_equal(scene.number_of_returns, np.repeat(count, count))
    assert scene.number_of_returns.max() > 1


def test_most_lidar_scenes_have_overlapping_lines():
    several = 0
    for kind in LIDAR_KINDS:
        scene = lidar(kind)
        line = scene.attributes["point_source_id"]
        cells = np.floor(np.c_[scene.x, scene.y] / 2.0).astype(np.int64)
        keys = cells[:, 0] * 100_000 + cells[:, 1]
        numbers = np.unique(line)
        assert 1 <= len(numbers) <= 3
        if len(numbers) > 1:
            seen = [set(keys[line == number].tolist()) for number in numbers[:2]]
            assert len(seen[0] & seen[1]) > 0.3 * len(np.unique(keys))
            several += 1
    assert several >= 3


def test_intensity_tells_haze_only_where_it_has_contrast():
    ratios = []
    for contrast in (True, False):
        scene = noise_scene("lake", 2.0, 3, contrast=contrast)
        weather = np.isin(scene.label, AIR)
        bright = scene.attributes["intensity"].astype(float)
        ratios.append(np.median(bright[weather]) / np.median(bright[scene.label == Label.GROUND]))
    assert ratios[0] < 0.3
    assert 0.85 < ratios[1] < 1.15


def test_a_plain_statistical_test_fails_where_it_is_known_to_fail():
    """Dense noise is its own neighbour, thin objects have few: that follows from the test's definition."""
    tally = Tally()
    for kind in LIDAR_KINDS:
        scene = lidar(kind)
        mean, _ = mean_neighbour_distance(scene.x, scene.y, scene.z, 8)
        tally.add(scene, mean > mean.mean() + mean.std())
    assert tally.found([Label.HAZE, Label.RAIN]) > 0.9
    assert tally.found([Label.GHOST_SURFACE]) < 0.6
    assert tally.found([Label.PIT]) < 0.6
    assert tally.found([Label.MIRROR_IMAGE]) < 0.6
    assert tally.lost([Label.GROUND]) < 0.01
    assert tally.lost([Label.WIRE, Label.GUY, Label.POLE, Label.ANTENNA]) > 0.05


def test_a_tally_counts_by_hand():
    scene = lidar("town")
    everything, nothing = Tally(), Tally()
    everything.add(scene, np.ones(len(scene), bool))
    nothing.add(scene, np.zeros(len(scene), bool))
    assert everything.found([Label.RAIN, Label.HAZE, Label.STRAY_LIGHT]) == 1.0
    assert everything.lost([Label.GROUND]) == 1.0
    assert nothing.found_of_all([Label.PIT, Label.LOW_SINGLE]) == 0.0
    assert np.isnan(nothing.lost([Label.EDGE_SMEAR]))
    half = Tally()
    rows = np.flatnonzero(scene.label == Label.GROUND)
    called = np.zeros(len(scene), bool)
    called[rows[: len(rows) // 4]] = True
    half.add(scene, called)
    assert half.lost([Label.GROUND]) == (len(rows) // 4) / len(rows)


def test_scene_kinds_have_names_of_their_own():
    assert len(set(KINDS)) == 8
