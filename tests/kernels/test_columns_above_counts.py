"""Counts of surfaces around points equal a plain search over all pairs."""

from __future__ import annotations

import numpy as np
import pytest

from cloudprep.kernels.columns_above import (
    Surface,
    all_above,
    ceilings,
    level_around,
    seen_around,
    supported,
    under,
    wider_around,
)
from cloudprep.kernels.columns_sorted import sorted_columns, surplus, thinned

EDGE = 1.0
RADIUS = 0.9


def _surface(seed=2, n=900):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 9, (2, n))
    z = 0.3 * x + rng.choice([0.0, 1.5], n, p=[0.6, 0.4]) + rng.normal(0, 0.05, n)
    slope_x, slope_y = (rng.normal(m, 0.1, n).astype(np.float32) for m in (0.3, 0.0))
    columns = sorted_columns(x, y, EDGE)
    order = columns.order
    tolerance = rng.uniform(0.1, 0.3, n).astype(np.float32)
    return Surface(columns, *(v[order] for v in (x, y, z, slope_x, slope_y, tolerance)))


def _plain(s, i, radius, spread):
    """Return which points lie near point i, and which of them above and below it."""
    dx, dy = s.x - s.x[i], s.y - s.y[i]
    d = dx * dx + dy * dy
    near = d <= radius * radius
    rise = s.z - s.z[i] - s.slope_x * dx - s.slope_y * dy
    off = s.tolerance + spread * np.sqrt(d)
    return near, near & (rise > off), near & (rise < -off), rise


def _sides(s, i, up):
    return len({(a > 0, b > 0) for a, b in zip(s.x[up] - s.x[i], s.y[up] - s.y[i], strict=True)})


def test_seen_around_equals_a_search_over_all_pairs():
    s = _surface()
    seen = seen_around(s, s.x, s.y, s.z, RADIUS, threads=2)
    for i in range(len(s.x)):
        near, up, down, rise = _plain(s, i, RADIUS, 0.0)
        assert (seen.above[i], seen.below[i]) == (up.sum(), down.sum())
        assert seen.level[i] == near.sum() - up.sum() - down.sum()
        assert seen.quadrants[i] == _sides(s, i, up)
        assert seen.gap[i] == (np.float32(rise[up].min()) if up.any() else np.inf)
    assert (seen.quadrants == 4).sum() > 20


@pytest.mark.parametrize("radius", [0.9, 2.3])
def test_supported_counts_no_point_twice_and_misses_none(radius):
    s = _surface()
    for least in (1, 3, 9, 24):
        found = supported(s, radius, least, spread=0.05)
        for i in range(len(s.x)):
            dx, dy = s.x - s.x[i], s.y - s.y[i]
            off = np.abs(s.z - s.z[i] - s.slope_x[i] * dx - s.slope_y[i] * dy)
            most = s.tolerance[i] + 0.05 * np.maximum(np.abs(dx), np.abs(dy))
            assert found[i] == (((dx * dx + dy * dy <= radius**2) & (off <= most)).sum() >= least)


def test_wider_around_equals_a_search_over_all_pairs():
    s = _surface()
    radius = np.where(np.arange(len(s.x)) % 2, 2.0, 3.4)
    wider = wider_around(s, s, s.x, s.y, s.z, radius, RADIUS, spread=0.1)
    checked = 0
    for i in range(len(s.x)):
        near, up, _, rise = _plain(s, i, radius[i], 0.1)
        assert (wider.above[i], wider.quadrants[i]) == (up.sum(), _sides(s, i, up))
        if wider.quadrants[i] < 4:
            continue
        dx, dy = s.x - s.x[i], s.y - s.y[i]
        mean = [np.rint(v[up] * 1e6).astype(np.int64).sum() * 1e-6 / up.sum() for v in (s.slope_x, s.slope_y)]
        level = s.z - s.z[i] - mean[0] * dx - mean[1] * dy
        step = 0.3 * rise[up].min()
        assert wider.level[i] == (near & (np.abs(level) <= step)).sum()
        assert wider.below[i] == wider.deeper[i] == (near & (level < -step)).sum()
        assert wider.others[i] == (near & (level <= step)).sum() - 1
        assert wider.over[i] == ((dx * dx + dy * dy <= RADIUS**2) & (level > step)).sum()
        checked += 1
    assert checked > 50


def test_all_above_is_what_has_none_seen_on_its_level_or_below():
    s = _surface()
    z = s.z + np.random.default_rng(3).uniform(-3.0, 1.0, len(s.z))
    seen = seen_around(s, s.x, s.y, z, RADIUS)
    found = all_above(s, s.x, s.y, z, RADIUS, threads=2)
    assert np.array_equal(found, seen.level + seen.below == 0)
    assert 50 < found.sum() < len(found) - 50


def test_level_around_counts_pairs():
    s = _surface()
    chosen = np.random.default_rng(4).random(len(s.x)) < 0.2
    rows = np.arange(0, len(s.x), 3)
    some, every = level_around(s.columns, s.x, s.y, s.z, chosen, rows, RADIUS, 0.2)
    for k, i in enumerate(rows):
        dx, dy = s.x - s.x[i], s.y - s.y[i]
        level = (dx * dx + dy * dy <= RADIUS**2) & (np.abs(s.z - s.z[i]) <= 0.2)
        assert (some[k], every[k]) == ((level & chosen).sum(), level.sum())


def test_ceilings_of_a_strip_askew_are_those_around_its_points():
    # Its rectangle is mostly empty: rows hold only columns around the points.
    rng = np.random.default_rng(5)
    x = rng.uniform(0, 60, 2000)
    y = 2.0 * x + rng.uniform(0, 4, 2000)
    columns = sorted_columns(x, y, EDGE)
    x, y = x[columns.order], y[columns.order]
    z = rng.uniform(0, 1, 2000)
    none = np.zeros(2000, np.float32)
    s = Surface(columns, x, y, z, none, none, none)
    limits = ceilings(s, (1.0, 3.0))
    assert limits.limits.shape[2] < columns.width // 2
    cx, cy = np.floor(x / EDGE).astype(int), np.floor(y / EDGE).astype(int)
    for radius, reach in ((0, 1), (1, 3)):
        for row in range(columns.height):
            for place in range(limits.first[row, 1] - limits.first[row, 0]):
                dx = cx - columns.first_x - limits.first[row, 0] - place
                dy = cy - columns.first_y - row
                near = (np.abs(dx) <= reach) & (np.abs(dy) <= reach)
                sides = [near & (dx * east >= 0) & (dy * north >= 0) for east in (-1, 1) for north in (-1, 1)]
                lowest = min(z[side].max(initial=-np.inf) for side in sides)
                assert limits.limits[radius, row, place] == lowest


def test_points_far_off_count_as_little_as_points_that_are_gone():
    s = _surface()
    gone = np.random.default_rng(0).random(len(s.x)) < 0.3
    far, few = s.far_off(gone), s.take(~gone)
    for a, b in zip(
        seen_around(far, s.x, s.y, s.z, RADIUS), seen_around(few, s.x, s.y, s.z, RADIUS), strict=True
    ):
        assert np.array_equal(a, b)
    for a, b in zip(ceilings(far, (0.9, 3.0)), ceilings(few, (0.9, 3.0)), strict=True):
        assert np.array_equal(a, b)


def test_under_a_ceiling_is_what_may_have_surface_above_on_all_sides():
    s = _surface()
    raised = np.arange(len(s.x)) % 2 == 1
    near, wide, nearly = under(s.columns, s.z + 5.0 * raised, 0.1, ceilings(s, (RADIUS, 3.0)))
    for i in np.flatnonzero(~raised):
        _, up, _, _ = _plain(s, i, RADIUS, 0.0)
        assert near[i] or _sides(s, i, up) < 4
    assert not near[raised].any()
    assert wide[near].all()
    assert nearly[near].all()


def test_surplus_leaves_so_many_in_each_column_lowest_first():
    rng = np.random.default_rng(1)
    x, y, z = rng.uniform(0, 3, (3, 400))
    columns = sorted_columns(x, y, EDGE)
    gone = surplus(columns, x, y, z, 20)
    kept = thinned(columns, np.ones(400, np.bool_), x, y, z, 20)
    assert sorted(kept.order) == np.flatnonzero(~gone).tolist()
    for c in range(len(columns.starts) - 1):
        run = columns.order[columns.starts[c] : columns.starts[c + 1]]
        assert (~gone[run]).sum() == min(len(run), 20)
        if len(run):
            assert not gone[run[np.argmin(z[run])]]
