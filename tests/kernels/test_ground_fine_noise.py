"""The finer surface: bending against its definition, noise as it was made.

Sources: the half-normal distribution, by which what lies below the middle of normal noise
has the mean square of the whole (any textbook of statistics); plane geometry.
"""

import numpy as np
import pytest

from cloudprep.kernels.ground_fine import (
    FineRules,
    bending,
    doubting,
    fine_surface,
)
from cloudprep.kernels.ground_heights import BINS, count_over, packed

RULES = FineRules()


# -- bending -------------------------------------------------------------------------------------------------


def drawn(counts, coarse, *, cell, rules=None):
    return fine_surface(packed(counts), coarse, cell=cell, rules=rules)


def test_bending_of_planes_is_nothing_and_of_paraboloids_by_hand():
    """By hand: second differences of a u^2 + b v^2 + c u v are 2 a, 2 b and, counted twice, c."""
    v, u = np.mgrid[0:8, 0:9].astype(float)
    np.testing.assert_allclose(bending(3 - 2 * u + 0.7 * v), 0, atol=1e-12)
    a, b, c = 0.4, -0.1, 0.3
    bent = bending(a * u**2 + b * v**2 + c * u * v + u - 5)
    np.testing.assert_allclose(bent[1:-1, 1:-1], np.sqrt(4 * a**2 + 4 * b**2 + 2 * c**2))
    # A step of 1 m bends the cells at both its sides, by 1 m.
    step = bending(np.where(u > 4, 1.0, 0.0))
    np.testing.assert_allclose(step[:, 4:6], 1.0)
    assert not step[:, :4].any()
    assert not step[:, 6:].any()


@pytest.mark.parametrize("seed", range(3))
def test_bending_is_that_of_every_cell_by_itself(seed):
    z = np.random.default_rng(seed).normal(0, 1, (7, 9))
    rows, columns = z.shape
    expected = np.zeros(z.shape)
    for r, c in np.ndindex(rows, columns):
        if 0 < c < columns - 1:
            expected[r, c] += (z[r, c - 1] - 2 * z[r, c] + z[r, c + 1]) ** 2
        if 0 < r < rows - 1:
            expected[r, c] += (z[r - 1, c] - 2 * z[r, c] + z[r + 1, c]) ** 2
        if r < rows - 1 and c < columns - 1:
            expected[r, c] += 2 * (z[r, c] - z[r, c + 1] - z[r + 1, c] + z[r + 1, c + 1]) ** 2
    np.testing.assert_allclose(bending(z), np.sqrt(expected))
    np.testing.assert_allclose(bending(z + 100), bending(z), atol=1e-10)


# -- the surface ---------------------------------------------------------------------------------------------


def counted(above, seed, shape=(40, 44), a_cell=12):
    """Return counts of heights that a function gives for positions (m) on cells of one metre."""
    rng = np.random.default_rng(seed)
    y, x = (rng.uniform(0, n, shape[0] * shape[1] * a_cell) for n in shape)
    level, used = np.zeros(shape, np.float32), np.ones(len(x), bool)
    # Every cell holds points, so the counts begin at the first one.
    return count_over(
        x, y, above(rng, x, y), used, lattice=(1.0, 0.0, 0.0), surface=level, corner=(0, 0), side=1
    )[2]


@pytest.mark.parametrize(
    ("noise", "tilt"),
    [
        (0.01, 0.0),
        (0.025, 0.0),
        (0.04, 0.0),
        (0.06, 0.0),
        (0.08, 0.0),
        (0.01, 0.2),
        (0.025, 0.2),
        (0.04, 0.2),
        (0.06, 0.2),
        (0.08, 0.2),
    ],
)
def test_finer_surfaces_find_the_ground_and_its_noise(noise, tilt):
    counts = counted(lambda rng, x, y: rng.normal(0, noise, len(x)), 1)
    coarse = 50 + tilt * (np.arange(44) + 0.5) + np.zeros((40, 1))
    fine = drawn(counts, coarse, cell=1.0)
    inner = np.s_[3:-3, 3:-3]
    # The mean of 12 points a cell has an error of noise / 3.5; the stiff plate halves that at least.
    error = (fine.height - coarse)[inner]
    assert abs(error.mean()) < 0.25 * noise
    assert error.std() < noise / 3.5
    assert np.median(fine.noise) == pytest.approx(noise, rel=0.15)
    assert not fine.steps.any()
    # Three deviations (at least 6 cm), and 0.3 of the slope; a little for the bending of what isn't smooth.
    expected = max(0.06, 3 * noise) + 0.3 * tilt
    assert np.median(fine.tolerance) == pytest.approx(expected, rel=0.25)


def test_finer_surfaces_lie_where_the_ground_is_and_not_the_coarse_surface():
    noise = 0.03
    counts = counted(lambda rng, x, y: 0.2 * np.sin(x / 7) + rng.normal(0, noise, len(x)), 2)
    fine = drawn(counts, np.full((40, 44), 50.0), cell=1.0)
    truth = 50 + 0.2 * np.sin((np.arange(44) + 0.5) / 7) + np.zeros((40, 1))
    assert np.abs(fine.height - truth)[3:-3, 3:-3].max() < 0.04


def test_finer_surfaces_pass_below_low_plants():
    """Nine points in ten of a patch of 16 x 16 m are 0.15 to 0.4 m high plants."""

    def above(rng, x, y):
        z = rng.normal(0, 0.03, len(x))
        plant = (abs(x - 20) < 8) & (abs(y - 20) < 8) & (rng.random(len(x)) < 0.9)
        return z + plant * rng.uniform(0.15, 0.4, len(x))

    fine = drawn(counted(above, 3, a_cell=20), np.full((40, 44), 50.0), cell=1.0)
    inside = np.s_[14:26, 14:26]
    assert np.abs(fine.height - 50)[inside].mean() < 0.06
    assert np.median(fine.tolerance[inside]) < 0.15


def test_finer_surfaces_leave_steps_to_the_coarse_one():
    coarse = np.where(np.arange(44) < 22, 0.0, 2.0) + np.zeros((40, 1))
    counts = counted(lambda rng, x, y: rng.normal(0, 0.03, len(x)), 4)
    fine = drawn(counts, coarse, cell=1.0)
    # The step bends the columns 21 and 22, and their neighbours belong to it.
    assert fine.steps[:, 20:24].all()
    assert not fine.steps[:, :20].any()
    assert not fine.steps[:, 24:].any()


def test_finer_surfaces_pass_over_groups_of_low_points():
    """Groups of 2 x 2 cells, 0.5 m below the ground, are no ground where the cells around aren't."""

    def above(rng, x, y):
        low = (x % 11 < 2) & (y % 10 < 2)
        return np.where(low, -0.5, 0.0) + rng.normal(0, 0.02, len(x))

    fine = drawn(counted(above, 5), np.full((40, 44), 7.0), cell=1.0)
    assert np.abs(fine.height - 7).max() < 0.06


def test_finer_surfaces_of_nothing_are_none():
    assert drawn(np.zeros((5, 6, BINS), np.uint16), np.zeros((5, 6)), cell=1.0) is None
    alone = np.zeros((5, 6, BINS), np.uint16)
    alone[2, 3, 32] = 1
    fine = drawn(alone, np.full((5, 6), 9.0), cell=1.0)
    np.testing.assert_allclose(fine.height, 9.01, atol=0.011)
    # Where noise can't be measured the widest tolerance holds.
    np.testing.assert_allclose(fine.tolerance, RULES.most, atol=0.01)


def test_finer_surfaces_turn_over_and_rise_with_the_land():
    counts = counted(lambda rng, x, y: 0.1 * np.sin(x / 5 + y / 9) + rng.normal(0, 0.03, len(x)), 6)
    coarse = 0.1 * np.arange(44) + np.zeros((40, 1))
    here = drawn(counts, coarse, cell=1.0)
    higher = drawn(counts, coarse + 64.0, cell=1.0)
    over = drawn(counts[:, ::-1].copy(), coarse[:, ::-1].copy(), cell=1.0)
    np.testing.assert_allclose(higher.height - 64, here.height, atol=2e-3)
    # Nowhere by more than the tolerance of a few fits, hardly anywhere by more than a millimetre.
    apart = np.abs(over.height[:, ::-1] - here.height)
    assert apart.max() < 0.02
    assert apart.mean() < 1e-3
    np.testing.assert_allclose(higher.tolerance, here.tolerance, atol=5e-3)


def few(rng, x, y):
    """One cell in 25 holds low points: in a square of 7 x 7 m fewer than the eight that a noise needs."""
    alone = (x.astype(int) % 5 == 0) & (y.astype(int) % 5 == 0)
    return np.where(alone, rng.normal(0, 0.1, len(x)), 9.0)


def test_noise_that_too_few_points_tell_is_presumed():
    inner = np.s_[6:-6, 6:-6]
    for rules, presumed in ((RULES, 0.1), (doubting(RULES), 0.02)):
        fine = drawn(counted(few, 4, a_cell=1), np.full((40, 44), 50.0), cell=1.0, rules=rules)
        np.testing.assert_allclose(fine.noise[inner], presumed)
        # What slope and bending add is left, and that is little.
        assert 3 * presumed <= np.median(fine.tolerance[inner]) < 3 * presumed + RULES.least


def test_doubt_changes_nothing_where_the_noise_can_be_measured():
    counts = counted(lambda rng, x, y: rng.normal(0, 0.05, len(x)), 1)
    coarse = np.full((40, 44), 50.0)
    sure, unsure = (drawn(counts, coarse, cell=1.0, rules=r) for r in (RULES, doubting(RULES)))
    for ours, theirs in zip(sure, unsure, strict=True):
        np.testing.assert_array_equal(ours, theirs)
