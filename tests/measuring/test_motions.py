"""Rigid motions: against SciPy's rotations."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from cloudprep.model.motion import Motion, rotation_vector

SHIFTS = st.tuples(*3 * [st.floats(-100, 100)])
TURNS = st.tuples(*3 * [st.floats(-1.5, 1.5)])
MOTIONS = st.builds(Motion, SHIFTS, TURNS, SHIFTS)
PLACES = np.random.default_rng(0).uniform(-300, 300, (20, 3))


def ended(motion, points):
    turn = Rotation.from_rotvec(motion.turn)
    return turn.apply(points - motion.centre) + motion.centre + motion.shift


@given(MOTIONS)
def test_displacements_are_scipys(motion):
    assert motion.rotation == pytest.approx(Rotation.from_rotvec(motion.turn).as_matrix(), abs=1e-12)
    found = PLACES + motion.displacements(PLACES - motion.centre)
    assert found == pytest.approx(ended(motion, PLACES), abs=1e-9)


@given(MOTIONS, MOTIONS)
def test_motions_follow_each_other(first, second):
    both = first.then(second)
    assert ended(both, PLACES) == pytest.approx(ended(second, ended(first, PLACES)), abs=1e-6)


@given(MOTIONS, SHIFTS)
def test_motions_are_undone_and_described_elsewhere(motion, centre):
    assert ended(motion.inverse(), ended(motion, PLACES)) == pytest.approx(PLACES, abs=1e-8)
    assert ended(motion.about(centre), PLACES) == pytest.approx(ended(motion, PLACES), abs=1e-8)


@given(TURNS)
def test_rotation_vectors_come_back(turn):
    assert rotation_vector(Rotation.from_rotvec(turn).as_matrix()) == pytest.approx(turn, abs=1e-9)


@pytest.mark.parametrize("angle", [0.0, 1e-14, 1e-9, 1e-5])
def test_small_turns_keep_their_digits(angle):
    """At 1e6 m a turn by 1e-9 moves 1 mm: rounding of R to 16 digits must not drown it."""
    found = Motion(turn=(0.0, 0.0, angle)).displacements(np.array([[1e6, 0.0, 0.0]]))
    assert found[0, 1] == pytest.approx(1e6 * np.sin(angle), rel=1e-12, abs=0)
    assert found[0, 0] == pytest.approx(-2e6 * np.sin(angle / 2) ** 2, rel=1e-12, abs=0)


def test_what_is_held_does_not_move_to_the_bit():
    found = Motion((0.0, 0.0, 0.1)).displacements(PLACES)
    assert np.array_equal(found[:, :2], np.zeros((20, 2)))
    assert set(found[:, 2]) == {0.1}
