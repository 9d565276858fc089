"""What a second flight line contradicts: dust and stray points go, what moved stays unless asked for."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.stages.noise.contradicted_points import ContradictedParams, ContradictedPoints
from cloudprep.testing import run_stage

GROUND, DUST, STRAY, CAR, PARKED, LOW_PLANT = range(6)
SIDE = 40.0


def _even(rng, density):
    """Return places over the site, x and y, spread evenly as a scanner's are."""
    edge = 1 / np.sqrt(density)
    x, y = np.meshgrid(np.arange(0, SIDE, edge), np.arange(0, SIDE, edge))
    return np.c_[x.ravel(), y.ravel()] + rng.uniform(0, edge, (x.size, 2))


def _top(rng, x, y, count):
    """Return points on the flat top of a car, 4.4 m by 1.8 m and 1.5 m high."""
    return np.c_[rng.uniform(x, x + 4.4, count), rng.uniform(y, y + 1.8, count), rng.normal(1.5, 0.02, count)]


@pytest.fixture
def scene():
    """Two lines over level ground, 10 points/m2 each; one met dust, stray points and a car on the move."""
    rng = np.random.default_rng(21)
    parts = []
    for line in (11, 12):
        ground = _even(rng, 10)
        parts.append((np.c_[ground, rng.normal(0, 0.02, len(ground))], GROUND, line))
        parts.append((_top(rng, 30, 30, 90), PARKED, line))
    dust = np.c_[rng.uniform(5, 13, (400, 2)), 0.6 + rng.exponential(1.2, 400)]
    parts.append((dust, DUST, 11))
    parts.append((np.array([[25.0, 8.0, 2.0], [33.0, 12.0, 3.5], [20.0, 33.0, 1.2]]), STRAY, 11))
    parts.append((_top(rng, 8, 28, 90), CAR, 12))
    xyz = np.round(np.concatenate([p[0] for p in parts]), 3)
    kind = np.concatenate([np.full(len(p[0]), p[1]) for p in parts])
    line = np.concatenate([np.full(len(p[0]), p[2], np.uint16) for p in parts])
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    return {**columns, "classification": np.ones(len(xyz), np.uint8), "point_source_id": line}, kind


def run(columns, origin=(0.0, 0.0), **params):
    return run_stage(ContradictedPoints(ContradictedParams(**params)), columns, origin=origin)


def noise(columns, **params):
    return run(columns, **params).labels["classification"] == 18


def test_dust_and_stray_points_become_noise_and_all_else_stays(scene):
    columns, kind = scene
    found = noise(columns)
    assert found[kind == DUST].mean() > 0.9
    assert found[kind == STRAY].all()
    assert not found[(kind == GROUND) | (kind == CAR) | (kind == PARKED)].any()


def test_what_moved_is_counted_and_labelled_only_where_asked(scene):
    columns, kind = scene
    result = run(columns).result
    assert 80 <= result.figures["noise.moved_points"] <= 100
    found = noise(columns, moving=True)
    assert found[kind == CAR].mean() > 0.9
    assert not found[(kind == GROUND) | (kind == PARKED)].any()


def test_the_warning_tells_where_the_dust_is(scene):
    columns, _ = scene
    (warning,) = run(columns, origin=(412_000.0, 5_654_000.0)).result.warnings
    assert "dust or rain" in warning
    assert "E 412000 to 412020, N 5654000 to 5654020" in warning


@pytest.mark.parametrize("change", ["no lines", "one line"])
def test_nothing_happens_without_a_second_line(scene, change):
    columns, _ = scene
    lines = columns.pop("point_source_id")
    if change == "one line":
        columns["point_source_id"] = np.zeros_like(lines)
    assert not noise(columns, moving=True).any()


def test_lines_that_do_not_fit_together_are_told_and_nothing_is_labelled(scene):
    columns, _ = scene
    columns["z"] = columns["z"] + 0.8 * (columns["point_source_id"] == 12)
    result = run(columns, moving=True)
    assert not (result.labels["classification"] == 18).any()
    (warning,) = result.result.warnings
    assert "contradict each other" in warning


def test_a_crown_that_both_lines_saw_stays(scene):
    columns, _ = scene
    rng = np.random.default_rng(5)
    for line in (11, 12):
        crown = rng.uniform([18, 18, 5], [24, 24, 10], (2000, 3))
        more = dict(zip("xyz", crown.T, strict=True))
        more |= {"classification": np.ones(2000, np.uint8), "point_source_id": np.full(2000, line, np.uint16)}
        columns = {name: np.r_[values, more[name]] for name, values in columns.items()}
    assert not noise(columns)[-4000:].any()


def test_the_result_does_not_depend_on_the_blocks(scene):
    columns, _ = scene
    cut = run_stage(ContradictedPoints(ContradictedParams(moving=True)), columns, block_edge=7.3, workers=2)
    found = noise(columns, moving=True)
    assert found.sum() > 400
    np.testing.assert_array_equal(cut.labels["classification"] == 18, found)
