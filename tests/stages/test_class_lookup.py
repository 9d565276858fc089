"""Points of some classes are those that NumPy's own test of membership finds."""

import numpy as np
import pytest

from cloudprep.model.class_lookup import of_classes


@pytest.mark.parametrize("dtype", [np.uint8, np.int64])
@pytest.mark.parametrize("codes", [(), (2,), (7, 18), (7, 18, 300, -1), tuple(range(8)), tuple(range(3, 40))])
def test_classes_are_found_as_by_isin(dtype, codes):
    classes = np.random.default_rng(3).integers(0, 256, 5000).astype(dtype)
    before = classes.copy()
    found = of_classes(classes, codes)
    assert found.dtype == np.bool_
    assert np.array_equal(found, np.isin(classes, codes))
    assert np.array_equal(classes, before)
