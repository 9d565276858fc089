"""Smears of matched images hang in the air and hide nothing; lidar, leaves, and real edges are left alone."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.stages.noise.edge_smear import EdgeSmear, EdgeSmearParams
from cloudprep.stages.noise.local_shape import LocalShape
from cloudprep.testing import run_stage

GROUND, ROOF, WALL, SMEAR, CROWN = range(5)


@pytest.fixture
def scene():
    """Level ground, a flat roof with a wall, two smears beyond its edge, and a dome-shaped crown."""
    rng = np.random.default_rng(41)
    x, y = rng.uniform(0, 20, (2, 24000))
    roof = (x > 6) & (x < 13) & (y > 6) & (y < 13)
    away = np.hypot(x - 16.5, y - 4) / 2.5
    dome = np.where(away < 1, 5.0 - 4.0 * away**2, 0.0)
    crown = away < 1
    z = np.where(roof, 4.0, np.where(crown, dome, 0.0)) + rng.normal(0, 0.02, x.size)
    kinds = np.where(roof, ROOF, np.where(crown, CROWN, GROUND))
    wall = np.c_[
        np.full(600, 13.0) + rng.normal(0, 0.02, 600), rng.uniform(6, 13, 600), rng.uniform(0, 4, 600)
    ]
    smears = [rng.normal([14.3, y, 3.0], 0.3, (200, 3)) for y in (8.0, 11.0)]
    xyz = np.round(np.concatenate([np.c_[x, y, z], wall, *smears]), 3)
    kind = np.concatenate([kinds, np.full(600, WALL), np.full(400, SMEAR)])
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    columns["classification"] = np.ones(len(xyz), np.uint8)
    ones = np.ones(len(xyz), np.uint8)
    columns |= {"return_number": ones, "number_of_returns": ones.copy()}
    return painted(columns, np.full(len(xyz), False)), kind


def painted(columns, green):
    """Return the columns with grey colours, green where asked for."""
    grey = np.full(len(green), 30000, np.uint16)
    return {
        **columns,
        "red": grey,
        "blue": grey.copy(),
        "green": np.where(green, 45000, grey).astype(np.uint16),
    }


def run(columns, *, shaped=True, block_edge=None, workers=1, **params):
    if shaped:
        columns = {**columns, **run_stage(LocalShape(), columns).working}
    return run_stage(EdgeSmear(EdgeSmearParams(**params)), columns, block_edge=block_edge, workers=workers)


def noise(result):
    return result.labels["classification"] == 18


def test_smears_are_found_and_all_else_stays(scene):
    columns, kind = scene
    found = noise(run(columns))
    assert found[kind == SMEAR].mean() > 0.85
    assert not found[kind != SMEAR].any()


@pytest.mark.parametrize("sign", ["more returns", "times", "no colours", "black"])
def test_a_scanned_cloud_is_left_alone(scene, sign):
    columns, _ = scene
    if sign == "more returns":
        columns["number_of_returns"][5] = 2
    elif sign == "times":
        columns["gps_time"] = np.arange(len(columns["x"])) * 1e-5
    elif sign == "no colours":
        for name in ("red", "green", "blue"):
            del columns[name]
    else:
        columns |= {name: np.zeros_like(columns[name]) for name in ("red", "green", "blue")}
    assert not noise(run(columns)).any()
    assert noise(run(columns, only_matched=False)).sum() > 300


def test_equal_times_are_no_pulse_times(scene):
    columns, _ = scene
    columns["gps_time"] = np.zeros(len(columns["x"]))
    assert noise(run(columns)).sum() > 300


def test_leaves_are_no_smear(scene):
    columns, kind = scene
    assert not noise(run(painted(columns, kind == SMEAR))).any()


def test_a_smear_below_which_nothing_is_seen_stays(scene):
    columns, kind = scene
    hidden = (kind == GROUND) & (columns["x"] > 13.05) & (columns["x"] < 16) & (columns["y"] > 6)
    left = {name: values[~hidden] for name, values in columns.items()}
    assert not noise(run(left)).any()


def test_a_cloud_full_of_see_through_clumps_is_no_matched_one(scene):
    columns, _ = scene
    rng = np.random.default_rng(42)
    crowns = np.concatenate([rng.normal([x, y, 3], 0.4, (300, 3)) for x in (2, 4) for y in (3, 6, 9, 12, 15)])
    more = {axis: np.r_[columns[axis], crowns[:, i]] for i, axis in enumerate("xyz")}
    more["classification"] = np.ones(len(more["x"]), np.uint8)
    result = run(painted(more, np.zeros(len(more["x"]), bool)))
    assert not noise(result).any()
    (warning,) = result.result.warnings
    assert "too many for noise" in warning


def test_the_result_does_not_depend_on_the_blocks_or_on_an_earlier_stage(scene):
    columns, _ = scene
    whole = noise(run(columns))
    assert whole.sum() > 300
    np.testing.assert_array_equal(noise(run(columns, shaped=False, block_edge=3.7, workers=2)), whole)


def test_what_is_noise_already_has_no_say(scene):
    columns, kind = scene
    columns["classification"][kind == SMEAR] = 7
    assert not noise(run(columns)).any()
