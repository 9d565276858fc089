"""Distances that local_shape worked out stand for a search of the stage's own, and only where wanted."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.stages.noise.local_shape import LocalShape, LocalShapeParams
from cloudprep.stages.noise.statistical_outliers import OutlierParams, StatisticalOutliers
from cloudprep.testing import run_stage


@pytest.fixture
def columns():
    rng = np.random.default_rng(11)
    ground = np.c_[rng.uniform(0, 60, (6000, 2)), rng.normal(0, 0.05, 6000)]
    xyz = np.concatenate([ground, rng.uniform([0, 0, 3], [60, 60, 40], (60, 3))])
    named = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    return {**named, "classification": np.ones(len(xyz), np.uint8)}


def labels(columns, **params):
    return run_stage(StatisticalOutliers(OutlierParams(**params)), columns).labels["classification"]


def shaped(columns, neighbours):
    stage = LocalShape(LocalShapeParams(neighbours=neighbours))
    return {**columns, **run_stage(stage, columns).working}


def test_shared_distances_give_the_same_outliers(columns):
    alone = labels(columns, neighbours=8)
    assert 40 <= (alone == 18).sum() <= 60
    assert np.array_equal(labels(shaped(columns, 8), neighbours=8), alone)


def test_shared_distances_are_left_aside_where_a_search_is_asked_for(columns):
    wrong = {**shaped(columns, 8), "neighbour_distance": np.ones(len(columns["x"]), np.float32)}
    assert not (labels(wrong) == 18).any()
    assert np.array_equal(labels(wrong, neighbours=8, search="own"), labels(columns, neighbours=8))
