"""Chances of roughness are found again, and errors are quantiles of the mixture."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from cloudprep.kernels.facets import binned
from cloudprep.kernels.roughness_mixture import CLASSES, class_chances, mixture_errors

EVEN = 0.02**2
# Constant of the module: set such that errors hold on even ground.
SCALE = 0.94


def chances_of(variances, weight=0.5, gap=0.2, seed=3):
    rng = np.random.default_rng(seed)
    n = len(variances)
    place = rng.permutation(n) % 100
    row, column = place // 10, place % 10
    points = binned(column + 0.5 + np.zeros(n), row + 0.5, np.arange(n) * 1.0, column, row, (10, 10), 1.0)
    # Points of a bin are in the order of their heights here.
    order = np.concatenate([np.flatnonzero(place == k) for k in range(100)])
    off = rng.normal(0, np.sqrt(variances))[order]
    numbers = np.zeros((11, 11), np.int64)
    np.add.at(numbers, (row + 1, column + 1), 1)
    numbers = numbers.cumsum(0).cumsum(1)
    figures = off, np.full(n, weight), np.full(n, gap), np.full(n, EVEN)
    return class_chances(points, figures, numbers, (np.array([4]), np.array([4])), 2, 20)[0, 0]


def test_even_ground_is_found_even():
    found = chances_of(np.full(900, EVEN * 1.5))
    assert found.sum() == pytest.approx(1.0)
    assert found[CLASSES > 0.002].sum() < 0.03
    assert found[CLASSES > 0.02].sum() < 0.01


def test_a_few_walls_among_even_ground_are_found_few_and_high():
    variances = np.where(np.arange(900) % 10 == 0, EVEN * 1.5 + 1.0 * 0.2, EVEN * 1.5)
    found = chances_of(variances)
    assert found[CLASSES > 0.2].sum() == pytest.approx(0.1, abs=0.04)
    assert found[CLASSES < 0.005].sum() == pytest.approx(0.9, abs=0.06)


def test_followed_turns_come_close_to_what_plain_ones_reach():
    """The algorithm as published (Dempster, Laird and Rubin 1977), turn by turn, with SciPy's densities."""
    variances = EVEN * 1.5 + np.where(np.arange(190) % 3 == 0, 0.03, 0.0) * 0.2
    rng = np.random.default_rng(3)
    rng.permutation(190)  # as chances_of draws them; so few points are all looked at
    off = rng.normal(0, np.sqrt(variances))
    likely = norm.pdf(off[:, None], scale=np.sqrt(EVEN * 1.5 + CLASSES * 0.2))
    start = np.full(len(CLASSES), 0.15 / 9)
    start[0] = 0.85

    def worth(chance):
        return np.log(likely @ chance).sum() + 2 * start @ np.log(chance)

    chance = start
    for _ in range(5000):
        parts = likely * chance
        chance = ((parts / parts.sum(axis=1, keepdims=True)).sum(axis=0) + 2 * start) / 192
    found = chances_of(variances)
    assert worth(start) < worth(chance) - 20
    assert worth(chance) - 0.5 < worth(found) <= worth(chance) + 1e-6
    of_rough = CLASSES > 0.005
    assert found[of_rough].sum() == pytest.approx(chance[of_rough].sum(), abs=0.05)


def test_nothing_is_said_of_fewer_than_8_points():
    assert np.isnan(chances_of(np.full(7, EVEN))).all()
    assert np.isfinite(chances_of(np.full(8, EVEN))).all()


def one_error(chance, seen, measured, gap, bent=0.0):
    shape = (1, 1)
    index = np.zeros(1, np.int64)
    figures = np.full(shape, measured), np.full(shape, gap, np.float32), np.full(shape, bent)
    likely = np.exp(seen - seen.max())[None].astype(np.float32)
    which = np.zeros(shape, np.int32)
    found = mixture_errors(chance[None, None], index, index, (which, likely), *figures)
    return found[0, 0]


def test_of_one_class_it_is_the_standard_deviation():
    chance = np.zeros(len(CLASSES))
    chance[5] = 1.0
    variance = EVEN / 2 + CLASSES[5] * 0.3 + 0.01
    assert one_error(chance, np.zeros(len(CLASSES)), EVEN / 2, 0.3, 0.01) == pytest.approx(
        SCALE * np.sqrt(variance), rel=1e-3
    )


def test_of_several_it_follows_from_what_95_percent_ask_for():
    """SciPy's normal distribution and root finding tell the quantile."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        chance, seen = rng.dirichlet(np.full(len(CLASSES), 0.5)), rng.normal(0, 1, len(CLASSES))
        after = chance * np.exp(seen)
        after /= after.sum()
        spread = np.sqrt(EVEN / 2 + CLASSES * np.float32(0.3))

        def outside(limit, level, after=after, spread=spread):
            return after @ (2 * norm.cdf(limit / spread) - 1) - level

        far = brentq(outside, 0, 20, args=(0.95,)) / norm.ppf(0.975)
        # Classes with chances below a thousandth are left out here.
        assert one_error(chance, seen, EVEN / 2, 0.3) == pytest.approx(SCALE * far, rel=0.02)


def test_steps_of_the_search_leave_nothing_to_speak_of():
    """Two far-apart classes are the hardest; SciPy tells the quantiles of the mixture."""
    rng = np.random.default_rng(5)
    for _ in range(50):
        chance = np.zeros(len(CLASSES))
        few = rng.choice(len(CLASSES), 2, replace=False)
        chance[few] = 0.01 + 0.98 * rng.random() * np.array([1.0, -1.0]) + np.array([0.0, 0.98])
        measured = 10 ** rng.uniform(-5, -2)
        spread = np.sqrt(measured + CLASSES[few] * np.float32(0.3))

        def outside(limit, level, share=chance[few], spread=spread):
            return share @ (2 * norm.cdf(limit / spread) - 1) - level

        far = brentq(outside, 0, 20, args=(0.95,), xtol=1e-14) / norm.ppf(0.975)
        found = one_error(chance, np.zeros(len(CLASSES)), measured, 0.3)
        alike = spread.max() ** 2 <= 1.02 * spread.min() ** 2
        assert found == pytest.approx(SCALE * far, rel=2e-2 if alike else 1e-6)


def test_where_nothing_is_seen_chances_stay_as_they_were():
    chance = np.random.default_rng(2).dirichlet(np.full(len(CLASSES), 0.5))
    index, figures = np.zeros(1, np.int64), (np.full((1, 1), EVEN), np.full((1, 1), 0.3, np.float32))
    bent, nothing = np.zeros((1, 1)), (np.full((1, 1), -1, np.int32), np.empty((0, len(CLASSES)), np.float32))
    found = mixture_errors(chance[None, None], index, index, nothing, *figures, bent)
    assert found[0, 0] == one_error(chance, np.zeros(len(CLASSES)), EVEN, 0.3)


def test_what_is_unknown_stays_unknown():
    seen = np.zeros(len(CLASSES))
    assert np.isnan(one_error(np.full(len(CLASSES), np.nan), seen, EVEN, 0.2))
    assert np.isnan(one_error(np.full(len(CLASSES), 0.1), seen, np.nan, 0.2))
