"""Error rates and kappa against published matrices and counts."""

import math

import numpy as np
import pytest

from cloudprep.kernels.agreement import confusion, kappa, total_error, type_1_error, type_2_error

# Lunetta and Lyon (eds), Remote Sensing and GIS Accuracy Assessment, table 9.4: overall 68 %, Khat 0.61.
LUNETTA = [
    [19, 1, 0, 0, 0, 0, 0, 0, 0],
    [3, 35, 0, 1, 0, 0, 0, 0, 0],
    [0, 0, 17, 3, 19, 0, 1, 0, 2],
    [0, 0, 12, 77, 12, 0, 1, 0, 2],
    [0, 0, 8, 13, 74, 0, 0, 0, 0],
    [0, 0, 0, 1, 1, 19, 2, 0, 0],
    [0, 0, 1, 4, 3, 2, 9, 1, 0],
    [0, 0, 0, 5, 3, 0, 0, 13, 0],
    [0, 0, 3, 10, 7, 0, 0, 0, 0],
]
# Congalton and Green, Assessing the Accuracy of Remotely Sensed Data (from memory): overall 74 %, Khat 0.65.
CONGALTON = [[65, 4, 22, 24], [6, 81, 5, 8], [0, 11, 85, 19], [4, 7, 3, 90]]


@pytest.mark.parametrize(("matrix", "published", "overall"), [(LUNETTA, 0.61, 0.68), (CONGALTON, 0.65, 0.74)])
def test_kappa_rounds_to_the_published_value(matrix, published, overall):
    assert round(kappa(matrix), 2) == published
    assert round(np.trace(np.array(matrix)) / np.sum(matrix), 2) == overall


def test_kappa_to_six_places():
    # Computed from the published matrix by the definition, independently of this project.
    assert kappa(LUNETTA) == pytest.approx(0.611544, abs=5e-7)


def test_errors_follow_the_definitions_of_the_filter_test():
    # Sithole and Vosselman 2004: Type I = b/(a+b), Type II = c/(c+d), total = (b+c)/e (from memory). Counts
    # of sample 11 (21786 ground, 16224 object) with 10 % of the ground lost and 5 % of the objects taken.
    a, b, c, d = 19607, 2179, 811, 15413
    assert type_1_error(a, b, c, d) == pytest.approx(0.10, abs=5e-5)
    assert type_2_error(a, b, c, d) == pytest.approx(0.05, abs=5e-5)
    assert total_error(a, b, c, d) == pytest.approx((2179 + 811) / 38010)


def test_counting_pairs_the_right_way_round():
    result = np.array([True, True, True, False, False, False, False])
    reference = np.array([True, False, False, True, True, True, False])
    assert confusion(result, reference) == (1, 3, 2, 1)


def test_what_is_undefined_is_not_a_number():
    assert math.isnan(type_1_error(0, 0, 1, 1))
    assert math.isnan(type_2_error(1, 1, 0, 0))
    assert math.isnan(total_error(0, 0, 0, 0))
    assert math.isnan(kappa([[5, 0], [0, 0]]))
    assert kappa([[5, 0], [0, 5]]) == 1.0


def test_shapes_that_make_no_sense_are_refused():
    with pytest.raises(ValueError, match="square"):
        kappa([[1, 2, 3], [4, 5, 6]])
    with pytest.raises(ValueError, match="2 results, but 3"):
        confusion(np.zeros(2, bool), np.zeros(3, bool))
