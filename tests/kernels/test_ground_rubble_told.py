"""Broken rock at the foot of a face is told from plants that stand there, and from both elsewhere.

The fields are made here: rock as waves of one to two and a half metres, folded at zero, plants as heights
drawn by themselves over ground of 2.5 cm noise.
"""

import numpy as np
import pytest

from cloudprep.kernels.ground_heights import count_over, packed
from cloudprep.kernels.ground_rubble import Rubble as Rules
from cloudprep.kernels.ground_rubble import at_the_foot, rubble

SHAPE = 20, 40
A_CELL = 3


def rock(rng, x, y):
    z = np.zeros(len(x))
    for length in (2.0, 2.4, 1.4, 1.0):
        turn, phase = rng.uniform(0, 2 * np.pi, 2)
        z += np.sin(2 * np.pi / length * (np.cos(turn) * x + np.sin(turn) * y) + phase)
    return 0.35 * np.abs(z)


def plants(rng, x, y, cover=0.4):
    height = np.where(rng.random(len(x)) < cover, rng.uniform(0.1, 0.6, len(x)), 0.0)
    return height + rng.normal(0, 0.025, len(x))


def counted(field, seed, shape=SHAPE):
    rng = np.random.default_rng(seed)
    y, x = (rng.uniform(0, n, shape[0] * shape[1] * A_CELL) for n in shape)
    level, used = np.zeros(shape, np.float32), np.ones(len(x), bool)
    column, row, counts = count_over(
        x, y, field(rng, x, y), used, lattice=(1.0, 0.0, 0.0), surface=level, corner=(0, 0), side=1
    )
    whole = np.zeros((*shape, counts.shape[2]), np.uint16)
    whole[row : row + counts.shape[0], column : column + counts.shape[1]] = counts
    return packed(whole)


def told(field, seed, *, foot_rows=3, doubtful=None):
    foot = np.zeros(SHAPE, bool)
    foot[SHAPE[0] - foot_rows :] = True
    if doubtful is None:
        doubtful = np.zeros(SHAPE, bool)
        doubtful[8:, 5:35] = True
    heights = counted(field, seed)
    return rubble(heights, np.zeros(SHAPE), doubtful, foot, cell=1.0, calm=0.025)


@pytest.mark.parametrize("seed", range(8))
def test_rock_is_told_from_plants(seed):
    found = told(rock, seed)
    assert (found[8:, 5:35] > 0.5).all()
    assert (found[8:, 5:35] < 1.5).all()
    # It goes on for as far as a face rises, 3 m, and no further.
    assert (found[5:8, 5:35] > 0).all()
    assert not found[:5].any()
    assert not told(plants, seed).any()


def test_most_of_the_rock_lies_within_its_reach():
    rng = np.random.default_rng(0)
    x, y = rng.uniform(0, 20, (2, 4000))
    reach = told(rock, 0)[12, 20]
    assert np.mean(rock(np.random.default_rng(1), x, y) < reach) > 0.97


@pytest.mark.parametrize("seed", range(8))
def test_thin_and_thick_cover_are_no_rock(seed):
    for cover in (0.2, 0.7):
        assert not told(lambda rng, x, y, c=cover: plants(rng, x, y, c), seed).any(), cover


def test_away_from_a_face_nothing_is_rock():
    assert not told(rock, 0, foot_rows=0).any()
    # Nor what hardly touches it, or reaches far from it.
    few = np.zeros(SHAPE, bool)
    few[8:, 10:13] = True
    assert not told(rock, 0, doubtful=few).any()
    deep = np.ones(SHAPE, bool)
    assert not rubble(
        counted(rock, 0),
        np.zeros(SHAPE),
        deep,
        np.eye(*SHAPE, dtype=bool),
        cell=1.0,
        calm=0.025,
        rules=Rules(widest=5.0),
    ).any()


def test_low_bumps_are_no_rock():
    assert not told(lambda rng, x, y: 0.2 * rock(rng, x, y), 0).any()


def test_the_finer_surface_may_lie_anywhere_over_the_coarse_one():
    """Heights are counted over the coarse surface, and looked at from the finer one."""
    doubtful, foot = np.zeros(SHAPE, bool), np.zeros(SHAPE, bool)
    doubtful[8:, 5:35] = foot[17:] = True
    given = {"cell": 1.0, "calm": 0.025}
    lower = rubble(counted(rock, 3), np.zeros(SHAPE), doubtful, foot, **given)
    lifted = counted(lambda rng, x, y: rock(rng, x, y) - 0.2, 3)
    shifted = rubble(lifted, np.full(SHAPE, -0.2), doubtful, foot, **given)
    np.testing.assert_allclose(shifted, lower, atol=0.05)
    assert (shifted > 0).any()


def test_a_face_is_4_m_within_3_m():
    """By hand: the top begins at column 10; a foot lies up to 3 m before it, and a cell more is touched."""
    across = np.arange(20)
    for high, expected in ((4.0, [6, 7, 8, 9, 10]), (3.9, [])):
        coarse = np.where(across >= 10, high, 0.0) + np.zeros((9, 1))
        assert np.flatnonzero(at_the_foot(coarse, 1.0, Rules())[4]).tolist() == expected
    # A slope of 45 degrees has none.
    assert not at_the_foot(across + np.zeros((9, 1)), 1.0, Rules()).any()


@pytest.mark.parametrize("threads", [2, 3])
def test_threads_change_nothing(threads):
    doubtful, foot = np.ones(SHAPE, bool), np.zeros(SHAPE, bool)
    foot[16:] = True
    given = counted(rock, 1), np.zeros(SHAPE), doubtful, foot
    one = rubble(*given, cell=1.0, calm=0.025)
    assert one.any()
    np.testing.assert_array_equal(rubble(*given, cell=1.0, calm=0.025, threads=threads), one)
