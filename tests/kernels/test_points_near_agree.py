"""Whether anything lies near positions: the table is only there for speed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import cdist

from cloudprep.kernels.points_near import any_nearer


@pytest.mark.parametrize("farthest", [2.5, 50.0])
def test_all_pairs_say_the_same(farthest):
    rng = np.random.default_rng(5)
    points = rng.uniform(-20, 20, (800, 3))
    points[:50] = np.round(points[:50])
    taken = rng.random(800) < 0.7
    at = np.concatenate([points[:60], rng.uniform(-25, 25, (140, 3))])
    # Some look exactly as far as something lies, some hardly at all, some over everything.
    nearer = np.exp(rng.uniform(-3, 4, 200))
    nearer[:3] = 0.0, np.inf, 1.0
    apart = np.sqrt(((at[:, None] - points[taken]) ** 2).sum(axis=2))
    nearer[100:140] = np.sort(apart[100:140], axis=1)[:, 0]
    found = any_nearer(*points.T.copy(), taken, at.T, nearer, farthest)
    assert np.allclose(apart, cdist(at, points[taken]))
    expected = ((apart > 0) & (apart < nearer[:, None]) & (apart**2 <= farthest**2)).any(axis=1)
    assert found.tolist() == expected.tolist()
    assert found.any()
    assert not found.all()


def test_nothing_taken_and_nobody_asked():
    none = np.zeros(4)
    assert not any_nearer(none, none, none, np.zeros(4, bool), np.ones((3, 2)), np.full(2, 9.0), 9.0).any()
    assert any_nearer(none, none, none, np.ones(4, bool), np.ones((3, 0)), np.empty(0), 9.0).shape == (0,)
