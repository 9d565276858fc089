"""Error rates and kappa keep the rules that follow from their definitions."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from cloudprep.kernels.agreement import confusion, kappa

PAIRS = st.integers(1, 60).flatmap(lambda n: st.tuples(hnp.arrays(bool, n), hnp.arrays(bool, n)))
COUNTS = st.integers(1, 6).flatmap(lambda k: hnp.arrays(np.int64, (k, k), elements=st.integers(0, 500)))


@settings(deadline=None, derandomize=True)
@given(PAIRS)
def test_the_four_counts_are_those_of_the_pairs(pair):
    result, reference = pair
    counts = confusion(result, reference)
    seen = [(bool(p), bool(r)) for p, r in zip(result, reference, strict=True)]
    expected = [seen.count(k) for k in ((True, True), (False, True), (True, False), (False, False))]
    assert list(counts) == expected
    assert counts.total == pytest.approx(np.mean(result != reference))


@settings(deadline=None, derandomize=True)
@given(PAIRS)
def test_swapping_the_clouds_swaps_lost_and_taken(pair):
    result, reference = pair
    here, there = confusion(result, reference), confusion(reference, result)
    assert (here.ground_lost, here.object_taken) == (there.object_taken, there.ground_lost)
    assert here.total == there.total


@settings(deadline=None, derandomize=True)
@given(COUNTS)
def test_kappa_stays_within_its_bounds_and_ignores_scale_and_sides(counts):
    value = kappa(counts)
    assume(not math.isnan(value))
    assert -1 <= value <= 1
    assert kappa(counts.T) == pytest.approx(value, abs=1e-12)
    assert kappa(7 * counts) == pytest.approx(value, abs=1e-12)


def test_kappa_of_chance_is_zero_and_of_agreement_one():
    rows, columns = np.array([10, 30, 60]), np.array([20, 50, 30])
    assert kappa(np.outer(rows, columns)) == pytest.approx(0, abs=1e-12)
    assert kappa(np.diag(rows)) == 1
