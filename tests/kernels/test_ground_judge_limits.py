"""Labels and odds in one pass: against the same thing step by step, and by hand."""

import numpy as np
import pytest

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_confidence import percent_sure
from cloudprep.kernels.ground_judge import Lattice, judge
from cloudprep.kernels.ground_limits import Limits


@pytest.fixture(scope="module")
def place():
    rng = np.random.default_rng(4)
    shape = (30, 40)
    centre = rng.normal(0, 1, shape).astype(np.float32)
    near = rng.uniform(0.05, 0.6, shape).astype(np.float32)
    nothing = np.zeros(shape, np.float32)
    limits = Limits(3, -2, centre - near, centre, centre + near, nothing, nothing, nothing, nothing)
    logits = tuple(rng.normal(1, 1, shape).astype(np.float32) for _ in range(2))
    n = 120_000
    # Beyond the raster's rim as well.
    x, y = rng.uniform(-1, 25, n), rng.uniform(-4, 16, n)
    z = rng.normal(0, 1.2, n)
    return x, y, z, rng.uniform(0, 0.5, n), Lattice(0.5, 0.25, 0.1), limits, logits


def judged(place, *, less=None, threads=1):
    x, y, z, _, lattice, limits, logits = place
    return judge(x, y, z, less=less, lattice=lattice, limits=limits, logits=logits, threads=threads)


@pytest.mark.parametrize("cue", [False, True])
def test_points_between_the_limits_are_ground(place, cue):
    x, y, z, less, lattice, limits, logits = place
    across = (x + lattice.east) / lattice.side - limits.column
    up = (y + lattice.north) / lattice.side - limits.row
    low, centre, high = (bilinear(raster, across, up) for raster in (limits.low, limits.centre, limits.high))
    if cue:
        high -= less * (high - centre)
    row = np.clip(np.floor(up).astype(int), 0, 29)
    column = np.clip(np.floor(across).astype(int), 0, 39)
    ground, sure = judged(place, less=less if cue else None)
    np.testing.assert_array_equal(ground, (z >= low) & (z <= high))
    height = (z - centre) / np.maximum(high - centre, 0.01)
    own = np.where(ground, logits[0][row, column], logits[1][row, column])
    some = np.flatnonzero(np.arange(len(x)) % 20 == 0)
    expected = [percent_sure(height[i], ground[i], own[i]) for i in some]
    # The last bit of a height may turn a half.
    assert np.abs(sure[some].astype(int) - np.array(expected, int)).max() <= 1
    assert np.mean(sure[some] != expected) < 1e-3


def test_threads_dont_matter(place):
    for one, two in zip(judged(place), judged(place, threads=2), strict=True):
        np.testing.assert_array_equal(one, two)


def test_no_points_at_all(place):
    *_, lattice, limits, logits = place
    nothing = np.empty(0)
    ground, sure = judge(nothing, nothing, nothing, less=None, lattice=lattice, limits=limits, logits=logits)
    assert len(ground) == len(sure) == 0
