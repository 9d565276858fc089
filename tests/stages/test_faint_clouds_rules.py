"""Dust on the ground is told from bushes by its faint echoes, and only where intensity tells anything."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.stages.noise.faint_clouds import FaintClouds, FaintParams
from cloudprep.testing import run_stage

GROUND, BUSH, DUST, WIRE = range(4)


def echoes(rng, middle, spread, count):
    return np.clip(middle * np.exp(rng.normal(0, spread, count)), 1, 65535).astype(np.uint16)


@pytest.fixture
def scene():
    """Level ground, bushes and a cloud of dust of the same shape, and a faint wire through the air."""
    rng = np.random.default_rng(31)
    parts = [(np.c_[rng.uniform(0, 40, (16000, 2)), rng.normal(0, 0.02, 16000)], GROUND, 12000.0)]
    for x, y in ((3, 3), (30, 5), (5, 30), (30, 30)):
        parts.append((rng.uniform([x, y, 0.2], [x + 6, y + 6, 2.5], (500, 3)), BUSH, 9000.0))
    parts.append((rng.uniform([17, 17, 0.2], [23, 23, 2.5], (500, 3)), DUST, 2200.0))
    x = np.linspace(0, 40, 160)
    parts.append((np.c_[x, np.full(160, 14.0), 8 + rng.normal(0, 0.02, 160)], WIRE, 2200.0))
    xyz = np.round(np.concatenate([p[0] for p in parts]), 3)
    kind = np.concatenate([np.full(len(p[0]), p[1]) for p in parts])
    light = np.concatenate([echoes(rng, p[2], 0.2, len(p[0])) for p in parts])
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    return {**columns, "classification": np.ones(len(xyz), np.uint8), "intensity": light}, kind


def run(columns, origin=(0.0, 0.0), **params):
    return run_stage(FaintClouds(FaintParams(**params)), columns, origin=origin)


def test_dust_becomes_noise_and_bushes_wires_and_ground_stay(scene):
    columns, kind = scene
    found = run(columns).labels["classification"] == 18
    assert found[kind == DUST].mean() > 0.85
    assert not found[kind != DUST].any()


def test_the_place_is_told_even_where_nothing_is_labelled(scene):
    columns, _ = scene
    result = run(columns, origin=(412_000.0, 5_654_000.0), label=False)
    assert not (result.labels["classification"] == 18).any()
    (warning,) = result.result.warnings
    assert "E 412010 to 412030, N 5654010 to 5654030" in warning
    assert result.result.figures["noise.faint_cloud_points"] > 425


@pytest.mark.parametrize("change", ["none", "all alike", "one distribution"])
def test_intensities_that_tell_nothing_change_nothing(scene, change):
    columns, _ = scene
    light = columns.pop("intensity")
    if change == "all alike":
        columns["intensity"] = np.full_like(light, 100)
    elif change == "one distribution":
        columns["intensity"] = echoes(np.random.default_rng(1), 9000.0, 0.6, len(light))
    result = run(columns)
    assert not (result.labels["classification"] == 18).any()
    assert not result.result.warnings


def test_the_result_does_not_depend_on_the_blocks(scene):
    columns, _ = scene
    whole = run(columns).labels["classification"]
    cut = run_stage(FaintClouds(), columns, block_edge=7.3, workers=2).labels["classification"]
    assert (whole == 18).sum() > 425
    np.testing.assert_array_equal(whole, cut)
