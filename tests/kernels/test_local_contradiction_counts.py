"""Counts of what other lines saw equal a plain search over all pairs of points."""

from __future__ import annotations

import numpy as np

from cloudprep.kernels.columns_sorted import sorted_columns
from cloudprep.kernels.local_contradiction import OVERHEAD, company, seen_past

CLEAR = 0.5


def _cloud():
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 12, (2, 700))
    z = np.where(rng.random(700) < 0.7, rng.normal(0, 0.05, 700), rng.uniform(0, 5, 700))
    return x, y, z, rng.integers(1, 4, 700).astype(np.uint16)


def _sorted(edge):
    x, y, z, line = _cloud()
    columns = sorted_columns(x, y, edge)
    return columns, *(v[columns.order] for v in (x, y, z, line))


def test_seen_past_equals_a_search_over_all_pairs():
    columns, x, y, z, line = _sorted(1.1)
    below, quadrants, gap = seen_past(columns, x, y, z, line, clear=CLEAR, threads=2)
    for i in range(len(x)):
        dx, dy, dz = x - x[i], y - y[i], z - z[i]
        others = (line != line[i]) & (dx**2 + dy**2 <= 1.1**2) & (dz <= OVERHEAD)
        if (dz[others] >= -CLEAR).any():
            assert below[i] == -1
            continue
        assert below[i] == others.sum()
        assert quadrants[i] == len({(a > 0, b > 0) for a, b in zip(dx[others], dy[others], strict=True)})
        assert gap[i] == (np.float32(-dz[others].min()) if others.any() else np.inf)
    assert (below > 0).sum() > 40
    assert (below < 0).sum() > 50


def test_company_equals_a_search_over_all_pairs():
    columns, x, y, z, line = _sorted(1.6)
    rng = np.random.default_rng(8)
    marked, smooth, doubtful = rng.random((3, len(x))) < 0.4
    doubtful &= ~marked
    rows = np.flatnonzero(marked)
    found = company(columns, x, y, z, line, marked, doubtful, smooth, rows, clear=CLEAR, threads=2)
    for k, i in enumerate(rows):
        near = (x - x[i]) ** 2 + (y - y[i]) ** 2 + (z - z[i]) ** 2 <= 1.6**2
        mine, level = line == line[i], z - z[i] >= -CLEAR
        fellows = near & mine & marked
        assert found.fellows[k] == fellows.sum()
        assert found.smooth[k] == (fellows & smooth).sum()
        assert found.standing[k] == (near & mine & ~marked & ~doubtful & level).sum()
        assert found.others[k] == (near & ~mine & ~marked & level).sum()
        assert found.width[k] == max(np.ptp(x[fellows]), np.ptp(y[fellows]))
        assert found.height[k] == np.ptp(z[fellows])
