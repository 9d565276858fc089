"""Principal axes of eight neighbourhoods at once equal those of one, and NumPy's."""

import numpy as np
import pytest

from cloudprep.kernels.neighbours_axes import DEVIATIONS, NORMAL, SIZE, axes_of_lanes, third_of_turn
from cloudprep.kernels.neighbours_shape import deviations_of_groups, principal_axes


def _sums(groups):
    """Return the ten sums of up to eight groups of offsets, each (n, 3)."""
    sums = np.zeros((10, 8))
    for lane, off in enumerate(groups):
        products = [off[:, a] * off[:, b] for a, b in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))]
        sums[:, lane] = [len(off), *off.sum(axis=0), *(p.sum() for p in products)]
    return sums.ravel()


def _corner_cases():
    rng = np.random.default_rng(3)
    line = np.outer(np.arange(9.0), [1.0, 2.0, 0.5])
    flat = np.column_stack([rng.normal(size=(9, 2)), np.zeros(9)])
    cube = np.array([[a, b, c] for a in (-1.0, 1.0) for b in (-1.0, 1.0) for c in (-1.0, 1.0)])
    return [np.empty((0, 3)), np.zeros((1, 3)), rng.normal(size=(2, 3)), np.zeros((5, 3)), line, flat, cube,
            rng.normal(size=(9, 3)) * [3, 1, 0.1]]  # fmt: skip


@pytest.mark.parametrize("seed", range(6))
def test_eight_at_once_equal_one_at_a_time_to_the_bit(seed):
    rng = np.random.default_rng(seed)
    axes = np.zeros(SIZE)
    # Twice with the same room: what is remembered of the first must not show in the second.
    groups = [rng.normal(size=(rng.integers(1, 12), 3)) * rng.uniform(0.01, 2, 3) for _ in range(8)]
    for some in (_corner_cases(), groups, groups[::-1]):
        sums, one = _sums(some), np.empty(9)
        axes_of_lanes(sums, axes)
        for lane in range(8):
            principal_axes(sums, lane, one)
            assert np.array_equal(axes[lane:72:8], one), (lane, len(some[lane]))


def test_axes_equal_numpy():
    rng = np.random.default_rng(8)
    groups = [rng.normal(size=(10, 3)) * [2, 1, 0.2] for _ in range(8)]
    axes = np.zeros(SIZE)
    axes_of_lanes(_sums(groups), axes)
    for lane, off in enumerate(groups):
        # numpy.linalg.eigh is the check.
        values, vectors = np.linalg.eigh(np.cov(off.T, bias=True))
        assert np.allclose(axes[DEVIATIONS + lane : 24 : 8], np.sqrt(values), rtol=1e-9)
        assert abs(axes[NORMAL + lane : 48 : 8] @ vectors[:, 0]) == pytest.approx(1.0, abs=1e-9)


def test_a_third_of_a_turn_equals_numpy():
    near = 10.0 ** np.linspace(-16, 0, 400)
    r = np.concatenate([np.linspace(-1, 1, 2001), -1 + near, 1 - near])
    third = np.array([third_of_turn(value) for value in r])
    # The arc cosine of half an angle keeps digits that its own loses near -1.
    assert np.abs(third - np.cos(2 / 3 * np.arccos(np.sqrt((1 + r) / 2)))).max() <= 5e-16
    assert third_of_turn(1.0) == third_of_turn(1 - 2e-16) == 1.0
    assert third_of_turn(-1.0) == pytest.approx(0.5, abs=2e-16)


def test_deviations_of_groups_count_the_own_group_and_the_point_itself():
    rng = np.random.default_rng(5)
    at = rng.normal(size=(30, 3))
    near = rng.integers(-1, 30, (30, 7))
    group = rng.integers(0, 2, 30)
    thin, wide, count = deviations_of_groups(*at.T.copy(), near, group)
    for i in range(30):
        taken = [j for j in near[i] if j >= 0 and group[j] == group[i]]
        off = np.vstack([np.zeros(3), at[taken] - at[i]])
        values = np.sqrt(np.maximum(np.linalg.eigvalsh(np.cov(off.T, bias=True)), 0))
        assert count[i] == len(taken) + 1
        assert np.allclose([thin[i], wide[i]], values[:2], atol=1e-6)
