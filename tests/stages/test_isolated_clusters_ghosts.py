"""Ghost surfaces hide nothing beneath them, roofs do: told apart from places alone, whatever the blocks."""

import numpy as np
import pytest

from cloudprep.stages.noise.isolated_clusters import IsolatedClusters
from cloudprep.testing import run_stage

SPACING = 0.5


def ground_with_sheet(seed, *, hides):
    """Return columns, and which points hang 9 m up in a square of 10 m: a third of the pulses, or all."""
    rng = np.random.default_rng(seed)
    x, y = (v.ravel() + rng.normal(0, 0.05, v.size) for v in np.mgrid[0:90:SPACING, 0:70:SPACING])
    z = 100 + np.sin(x / 20) + rng.normal(0, 0.03, x.size)
    inside = (np.abs(x - 45) < 5) & (np.abs(y - 35) < 5)
    up = inside if hides else inside & (rng.uniform(size=x.size) < 1 / 3)
    return {"x": x, "y": y, "z": z + 9.0 * up, "classification": np.zeros(x.size, np.uint8)}, up


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sheet_that_hides_nothing_is_noise(seed):
    columns, up = ground_with_sheet(seed, hides=False)
    code = run_stage(IsolatedClusters(), columns).labels["classification"]
    assert (code[up] == 18).mean() >= 0.98
    assert not code[~up].any()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_roof_without_walls_is_kept(seed):
    columns, _ = ground_with_sheet(seed, hides=True)
    assert not run_stage(IsolatedClusters(), columns).labels["classification"].any()


@pytest.mark.parametrize("edge", [7.3, 31.0])
def test_a_ghost_is_found_alike_in_blocks(edge):
    columns, _ = ground_with_sheet(4, hides=False)
    whole = run_stage(IsolatedClusters(), columns).labels["classification"]
    cut = run_stage(IsolatedClusters(), columns, block_edge=edge, workers=2).labels["classification"]
    assert whole.any()
    np.testing.assert_array_equal(whole, cut)
