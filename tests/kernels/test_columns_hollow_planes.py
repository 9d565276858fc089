"""Planes continued over points, and what lies on and below them, equal a plain search over all pairs."""

from __future__ import annotations

import numpy as np

from cloudprep.kernels.columns_above import Surface
from cloudprep.kernels.columns_hollow import under_planes
from cloudprep.kernels.columns_sorted import sorted_columns

EDGE, RADIUS, NEAR = 1.0, 2.7, 0.8


def _cloud(seed=4, n=500):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 9, (2, n))
    z = 0.3 * x - rng.choice([0.0, 0.9, 2.0], n, p=[0.7, 0.2, 0.1]) + rng.normal(0, 0.05, n)
    slope_x, slope_y = (rng.normal(m, 0.02, n).astype(np.float32) for m in (0.3, 0.0))
    columns = sorted_columns(x, y, EDGE)
    x, y, z, slope_x, slope_y = (v[columns.order] for v in (x, y, z, slope_x, slope_y))
    return Surface(columns, x, y, z, slope_x, slope_y, np.zeros(n, np.float32))


def _sides(dx, dy):
    return len({(a > 0, b > 0) for a, b in zip(dx, dy, strict=True)})


def test_hollows_equal_a_search_over_all_pairs():
    every = _cloud()
    surface = every.take(np.random.default_rng(5).uniform(size=len(every.x)) < 0.6)
    seen = under_planes(
        surface, every, every.x, every.y, every.z, RADIUS, NEAR, least=30, depths=(0.3, 1.9), threads=2
    )
    deep = 0
    for i in range(len(every.x)):
        dx, dy = surface.x - every.x[i], surface.y - every.y[i]
        inside = dx * dx + dy * dy <= RADIUS * RADIUS
        if inside.sum() < 30:
            assert seen.depth[i] == -np.inf
            continue
        rise = surface.z - every.z[i] - surface.slope_x * dx - surface.slope_y * dy
        depth = np.median(rise[inside])
        if not 0.3 < depth <= 1.9:
            assert seen.depth[i] == -np.inf
            assert (seen.sides[i], seen.on[i], seen.below[i]) == (0, 0, 0)
            continue
        np.testing.assert_allclose(seen.depth[i], depth, rtol=0, atol=1e-12)
        agree = inside & (np.abs(rise - depth) <= 0.3 * depth)
        np.testing.assert_allclose(seen.agreeing[i], agree.sum() / inside.sum())
        assert seen.sides[i] == _sides(dx[agree], dy[agree])
        if seen.sides[i] < 4:
            assert (seen.on[i], seen.below[i], seen.aside[i]) == (0, 0, np.inf)
            continue
        deep += 1
        tilt = surface.slope_x[agree].mean(dtype=float), surface.slope_y[agree].mean(dtype=float)
        ex, ey = every.x - every.x[i], every.y - every.y[i]
        away = ex * ex + ey * ey
        off = every.z - every.z[i] - depth - tilt[0] * ex - tilt[1] * ey
        on = (away <= RADIUS * RADIUS) & (np.abs(off) <= 0.3 * depth)
        low = (away <= RADIUS * RADIUS) & (off < -0.5 * depth)
        assert (seen.on[i], seen.below[i]) == (on.sum(), low.sum() - 1)
        if low.sum() > 1:
            spread = np.sqrt(np.linalg.eigvalsh(np.cov(ex[low], ey[low], bias=True)).clip(0))
            np.testing.assert_allclose([seen.width[i], seen.length[i]], spread, rtol=0, atol=2e-3)
        close = on & (away <= NEAR * NEAR)
        aside = np.hypot(ex[close].mean(), ey[close].mean()) if close.any() else np.inf
        np.testing.assert_allclose(seen.aside[i], aside, rtol=0, atol=2e-6)
    assert deep > 60
