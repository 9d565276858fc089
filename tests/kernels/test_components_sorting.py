"""The digit sort equals NumPy's stable sort."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from cloudprep.engine.leaves import _COUNTED_CELLS, in_cells
from cloudprep.kernels import sorting
from cloudprep.kernels.sorting import counted_order, sorted_order


@settings(max_examples=80, deadline=None)
@given(
    st.sampled_from([0, 5, 2047, 2048, 2**33, 2**62]).flatmap(
        lambda top: hnp.arrays(np.int64, st.integers(0, 300), elements=st.integers(0, top))
    )
)
def test_sorting_equals_numpy_stable_order(keys):
    assert np.array_equal(sorted_order(keys), np.argsort(keys, kind="stable"))


def test_sorting_leaves_the_keys_alone():
    keys = np.random.default_rng(0).integers(0, 2**40, 1000)
    before = keys.copy()
    keys.flags.writeable = False
    sorted_order(keys)
    assert np.array_equal(keys, before)


def test_sorting_refuses_negative_keys():
    with pytest.raises(ValueError, match="must not be negative, got -3"):
        sorted_order(np.array([1, -3]))


@settings(max_examples=60, deadline=None)
@given(
    hnp.arrays(np.int64, st.tuples(st.integers(1, 300), st.just(2)), elements=st.integers(-20, 20)),
    st.integers(1, 3),
    st.booleans(),
)
def test_counting_puts_points_in_the_order_of_a_stable_sort(cells, threads, compiled):
    column, row = np.ascontiguousarray(cells[:, 0]), np.ascontiguousarray(cells[:, 1])
    columns, rows = int(np.ptp(column)) + 1, int(np.ptp(row)) + 1
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sorting, "COMPILED", compiled and sorting.COMPILED)
        order, starts = counted_order(column, row, columns, rows, threads=threads)
    assert np.array_equal(order, np.lexsort((column, row)))
    keys = (row - row.min()) * columns + column - column.min()
    assert np.array_equal(starts, np.searchsorted(keys[order], np.arange(columns * rows + 1)))


@pytest.mark.parametrize("spread", [10, _COUNTED_CELLS])
def test_few_cells_and_many_are_told_alike(spread):
    random = np.random.default_rng(4)
    column, row = random.integers(-3, spread - 3, 2000), random.integers(5, 15, 2000)
    found = in_cells(column, row, threads=2)
    assert np.array_equal(found.order, np.lexsort((column, row)))
    places, sizes = np.unique(np.column_stack((row, column)), axis=0, return_counts=True)
    assert np.array_equal(np.column_stack((found.row, found.column)), places)
    assert np.array_equal(found.sizes, sizes)
    assert np.array_equal(found.starts, np.cumsum(sizes) - sizes)
