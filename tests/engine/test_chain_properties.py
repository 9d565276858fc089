"""The main job's stages in a row: labels depend on nothing but the points, whatever the cloud."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cloudprep.config import load_pipeline
from cloudprep.testing import run_stage

BARE_EARTH = load_pipeline("bare_earth")


@st.composite
def clouds(draw):
    """Give clouds of patches, lines, heaps of coincident points and lone points, in any proportion."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    step = draw(st.sampled_from([0.001, 0.01, 0.5]))
    parts = []
    for _ in range(draw(st.integers(1, 5))):
        n = draw(st.integers(1, 150))
        centre = rng.uniform(0, 60, 3)
        kind = draw(st.sampled_from(["patch", "line", "heap", "ball", "lone"]))
        if kind == "patch":
            parts.append(np.c_[rng.uniform(0, 40, (n, 2)), rng.normal(centre[2], 0.05, n)])
        elif kind == "line":
            parts.append(centre + np.linspace(0, 1, n)[:, None] * rng.uniform(-30, 30, 3))
        elif kind == "heap":
            parts.append(np.repeat(centre[None], n, axis=0))
        elif kind == "ball":
            parts.append(rng.normal(centre, 1.0, (n, 3)))
        else:
            parts.append(rng.uniform(-20, 90, (1, 3)))
    xyz = np.round(np.concatenate(parts) / step) * step
    n = len(xyz)
    of = rng.integers(0, 4, n).astype(np.uint8)
    return {
        "x": xyz[:, 0].copy(),
        "y": xyz[:, 1].copy(),
        "z": xyz[:, 2].copy(),
        "classification": rng.choice(np.array([0, 1, 2, 5, 7, 9, 18], np.uint8), n),
        "withheld": rng.random(n) < 0.05,
        "return_number": rng.integers(0, 4, n).astype(np.uint8),
        "number_of_returns": of,
    }


def chain(columns, **options):
    grids = {}
    columns = dict(columns)
    for stage in BARE_EARTH.build():
        run = run_stage(stage, columns, **options)
        columns.update(run.labels)
        grids.update({g.name: g.values for g in run.result.grids})
    return columns, grids


@settings(max_examples=25, deadline=None)
@given(clouds(), st.integers(0, 2**32 - 1), st.sampled_from([3.0, 11.0, 25.0]))
@pytest.mark.slow
def test_labels_depend_on_the_points_alone(columns, seed, edge):
    before = {n: v.copy() for n, v in columns.items()}
    labels, grids = chain(columns)
    for name in columns:
        assert np.array_equal(columns[name], before[name])
        assert len(labels[name]) == len(before[name])
    for name in ("x", "y", "z", "return_number", "number_of_returns"):
        assert np.array_equal(labels[name], before[name])

    blocks, block_grids = chain(columns, block_edge=edge, workers=2)
    order = np.random.default_rng(seed).permutation(len(columns["x"]))
    shuffled, shuffled_grids = chain({n: v[order] for n, v in columns.items()})
    for name in ("classification", "withheld"):
        assert np.array_equal(labels[name], blocks[name])
        assert np.array_equal(labels[name][order], shuffled[name])
    for name, values in grids.items():
        floats = values.dtype.kind == "f"
        assert np.array_equal(values, block_grids[name], equal_nan=floats)
        assert np.array_equal(values, shuffled_grids[name], equal_nan=floats)

    # What a pipeline may not touch: noise, withheld points and kept classes (water) are never made ground.
    kept = np.isin(before["classification"], (7, 18, 9)) | before["withheld"]
    assert not (labels["classification"] == 2)[kept & (before["classification"] != 2)].any()
