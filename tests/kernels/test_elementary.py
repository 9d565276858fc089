"""Functions of many numbers at once are those of the standard library (math), one at a time."""

import math

import numpy as np
import pytest

from cloudprep.kernels.elementary import (
    ERF,
    ERF_SLOPE,
    ERF_STEPS,
    take_exponentials,
    take_logarithms,
)

# More than the widest vector, and not a whole number of them.
NUMBERS = np.concatenate(
    [10.0 ** np.random.default_rng(1).uniform(-300, 300, 1001), [1.0, 0.5, 2.0, math.sqrt(0.5), 1e-307]]
)


def test_logarithms():
    found = NUMBERS.copy()
    take_logarithms(found)
    assert found == pytest.approx(np.array([math.log(x) for x in NUMBERS]), abs=1e-11, rel=1e-13)


def test_exponentials_and_what_is_too_small():
    numbers = np.random.default_rng(2).uniform(-700, 700, 1001)
    found = numbers.copy()
    take_exponentials(found)
    assert found == pytest.approx(np.array([math.exp(x) for x in numbers]), rel=1e-10)
    ends = np.array([0.0, -1e300, -np.inf])
    take_exponentials(ends)
    assert ends[0] == 1.0
    assert (ends[1:] > 0).all()
    assert (ends[1:] < 1e-300).all()


@pytest.mark.parametrize("take", [take_logarithms, take_exponentials])
def test_a_number_alone_and_among_others_comes_out_the_same(take):
    numbers = NUMBERS if take is take_logarithms else np.linspace(-700, 700, len(NUMBERS))
    among = numbers.copy()
    take(among)
    for i in (0, 3, 500, 1000):
        alone = numbers[i : i + 1].copy()
        take(alone)
        assert alone[0] == among[i]


def test_the_table_of_the_error_function():
    for i in (0, 1, 64, 200, len(ERF) - 1):
        x = i / ERF_STEPS
        assert ERF[i] == math.erf(x)
        assert ERF_SLOPE[i] == pytest.approx(2 / math.sqrt(math.pi) * math.exp(-x * x) / ERF_STEPS)
