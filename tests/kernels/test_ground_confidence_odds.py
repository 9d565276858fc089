"""How sure a label is: the logistic function by hand, and what must hold whatever the fitted weights are.

Source: the logistic function, p = 1 / (1 + exp(-t)), here by scipy.special.expit; the weights are fitted and
have no outside source, so only their signs are held.
"""

import numpy as np
import pytest
from scipy.special import expit

from cloudprep.kernels import ground_confidence as module
from cloudprep.kernels.ground_confidence import percent_sure, place_logits
from cloudprep.kernels.ground_limits import Limits


def sure(height, place, *, ground):
    return np.array(
        [int(percent_sure(h, ground, float(place))) for h in np.atleast_1d(np.asarray(height, float))]
    )


@pytest.mark.parametrize("place", [-2.0, -0.5, 0.0, 1.0, 3.0])
def test_on_the_surface_a_label_is_as_sure_as_its_place(place):
    assert sure(0.0, place, ground=True) == round(100 * expit(place))
    # At the upper limit a point that isn't ground has its place's odds.
    assert sure(1.0, place, ground=False) == round(100 * expit(place))


def test_ground_is_less_sure_the_further_from_the_surface():
    heights = np.linspace(0, 1, 40)
    for away in (heights, -2 * heights):
        percent = sure(away, 3.0, ground=True)
        assert (np.diff(percent) <= 0).all()
        assert percent[0] >= percent[-1] + 15


def test_other_points_are_surer_the_higher_above_the_limit():
    percent = sure(1 + np.linspace(0, 12, 60), -1.0, ground=False)
    assert (np.diff(percent) >= 0).all()
    assert percent[-1] >= percent[0] + 40
    percent = sure(-np.linspace(0.1, 12, 60), 0.0, ground=False)
    assert (np.diff(percent) >= 0).all()


def test_every_label_gets_one_to_ninety_nine_percent():
    rng = np.random.default_rng(1)
    height = np.r_[rng.normal(0, 30, 2000), -1e300, 1e300, 0.0]
    places = rng.normal(0, 40, len(height))
    labels = rng.random(len(height)) < 0.5
    percent = np.array([percent_sure(*of) for of in zip(height, labels, places, strict=True)])
    assert percent.min() == 1
    assert percent.max() == 99


def limits(**values):
    usual = {"low": -0.8, "centre": 0.0, "high": 0.3, "split": 0.0, "far": 0.0, "plants": 0.0, "objects": 0.0}
    layers = {k: np.full((1, 1), v, np.float32) for k, v in {**usual, **values}.items()}
    return Limits(0, 0, **layers)


def places(cell=1.0, **values):
    ground, other = place_logits(limits(**values), cell)
    assert ground.dtype == other.dtype == np.float32
    return float(ground[0, 0]), float(other[0, 0])


def test_places_by_hand():
    """By hand: weights times 1, ln(1 + split / tolerance), ln(1 + far / cell), shares of 8, ln(tolerance)."""
    found = places(2.0, high=0.5, split=1.5, far=6.0, plants=2.0, objects=4.0)
    evidence = [1.0, np.log(1 + 3.0), np.log(1 + 3.0), 0.25, 0.5, np.log(0.5)]
    for total, weights in zip(found, (module._PLACE_GROUND, module._PLACE_OTHER), strict=True):
        assert total == pytest.approx(np.dot(weights, evidence), abs=1e-5)


def test_places_where_surfaces_differ_or_things_stick_out_are_less_sure_ground():
    usual = places()[0]
    assert places(split=1.0)[0] < usual
    assert places(plants=8.0)[0] < usual
    assert places(objects=8.0)[0] < usual


def test_places_without_any_support_or_tolerance_have_finite_odds():
    assert places(far=np.inf) == pytest.approx(places(far=20.0))
    assert places(high=0.0) == pytest.approx(places(high=0.01), abs=1e-4)
    assert np.isfinite([*places(high=0.0, far=np.inf, split=50.0)]).all()
