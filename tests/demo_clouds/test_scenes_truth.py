"""Every scene: the truth is right, the cloud is like a capture, and it lies askew on any cells."""

from functools import cache

import numpy as np
import pytest

from cloudprep.model.columns import COLUMNS
from demo_clouds.kinds import Kind
from demo_clouds.scenes import SCENES, scene

SEED = 3


@cache
def made(name):
    return scene(name, SEED)


def steepness(of, x, y):
    step = 0.05
    return np.hypot(
        of.terrain(x + step, y) - of.terrain(x - step, y), of.terrain(x, y + step) - of.terrain(x, y - step)
    ) / (2 * step)


@pytest.mark.parametrize("name", SCENES)
def test_ground_lies_on_the_terrain_and_everything_else_off_it(name):
    one = made(name)
    away = one.z - one.terrain(one.x, one.y)
    assert np.array_equal(one.ground, one.kind == Kind.GROUND)
    if one.ground.any():
        smooth = one.ground.copy()
        smooth[one.ground] = steepness(one, one.x[one.ground], one.y[one.ground]) < 0.7
        off = np.abs(away[smooth])
        # Range noise is at most 4 cm; matched images wander by 3 cm more, and blur what is rough.
        assert np.percentile(off, 68) < (0.06 if one.red is not None else 0.045)
        assert np.percentile(off, 99) < (0.25 if one.red is not None else 0.15)
    objects = ~one.ground & ~np.isin(one.kind, (Kind.WATER, Kind.LOW_SINGLE, Kind.LOW_GROUP))
    assert np.median(away[objects]) > 0.1
    assert np.mean(away[objects] > -0.15) > 0.99


@pytest.mark.parametrize("name", SCENES)
def test_a_scene_has_the_columns_of_a_capture_without_its_truth(name):
    columns = made(name).columns()
    assert 20_000 <= len(columns["x"]) <= 400_000
    for column, values in columns.items():
        assert values.dtype == COLUMNS[column].dtype, column
        assert len(values) == len(columns["x"])
    assert not columns["classification"].any()
    assert not columns["withheld"].any()
    assert (columns["return_number"] >= 1).all()
    assert (columns["return_number"] <= columns["number_of_returns"]).all()
    assert ("red" in columns) != ("intensity" in columns)


@pytest.mark.parametrize("name", SCENES)
def test_a_scene_is_turned_against_the_lattice_and_unevenly_dense(name):
    one = made(name)
    cells = np.column_stack([one.x // 2, one.y // 2]).astype(int)
    _, counts = np.unique(cells, axis=0, return_counts=True)
    box = np.ptp(one.x) * np.ptp(one.y)
    assert 4 * len(counts) < 0.9 * box
    full = counts[counts > 0.3 * np.median(counts)]
    assert full.std() > 0.15 * full.mean()


@pytest.mark.parametrize("name", ["rolling", "hall", "building_site"])
def test_the_same_seed_gives_the_same_scene_and_another_one_another(name):
    again, other = scene(name, SEED), scene(name, SEED + 1)
    for column, values in made(name).columns().items():
        assert np.array_equal(values, again.columns()[column]), column
    assert len(other) != len(again) or not np.array_equal(other.z, again.z)


def test_an_unknown_scene_is_refused_by_name():
    with pytest.raises(ValueError, match=r"'moon'.*rolling"):
        scene("moon", 1)
