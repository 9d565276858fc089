"""The order of a tree's points: what lies in a plane stays in one piece where other points lie far off it."""

import numpy as np
import pytest

from cloudprep.kernels.compiling import COMPILED
from cloudprep.kernels.neighbours_tree import build_tree


@pytest.mark.skipif(not COMPILED, reason="without compiled code there is no tree of our own")
@pytest.mark.parametrize("seed", range(4))
def test_level_ground_between_far_points_is_not_sliced(seed):
    rng = np.random.default_rng(seed)
    ground = np.c_[rng.uniform(-60, 60, (48_000, 2)), rng.normal(0, 0.1, 48_000)]
    far = rng.uniform(-60, 60, (16_000, 3))
    tree = build_tree(*rng.permutation(np.r_[ground, far]).T.copy())
    runs = tree.z.reshape(-1, 512)
    of_ground = np.abs(runs) < 0.5
    sliced = np.zeros(len(runs), np.bool_)
    for run in np.flatnonzero(of_ground.sum(axis=1) >= 64):
        z = runs[run][of_ground[run]]
        # Half of a normal distribution has its mean at 0.8 deviations.
        sliced[run] = abs(z.mean()) > 0.06
    assert of_ground[sliced].sum() < 0.1 * of_ground.sum()
