"""Filters over squares and work in strips: the same bits for any number of threads."""

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.boxes import box_highest, box_mean
from cloudprep.kernels.strips import in_strips


@pytest.mark.parametrize("threads", [1, 2, 3, 7])
@pytest.mark.parametrize(
    ("shape", "size"), [((60, 47), 7), ((3, 90), 3), ((90, 2), 5), ((1, 1), 3), ((70, 45), 14), ((5, 6), 14)]
)
def test_boxes_give_the_bits_of_scipy(threads, shape, size):
    raster = np.random.default_rng(4).normal(200, 40, shape)
    # Source: scipy.ndimage, whole rasters.
    np.testing.assert_array_equal(
        box_mean(raster, size, threads=threads), ndimage.uniform_filter(raster, size)
    )
    np.testing.assert_array_equal(
        box_highest(raster, size, threads=threads), ndimage.maximum_filter(raster, size)
    )


@pytest.mark.parametrize("threads", [1, 2, 5])
@pytest.mark.parametrize("shape", [(1, 1), (7, 3), (100, 40), (0, 5), (5, 0)])
def test_strips_cover_every_row_once(threads, shape):
    times = np.zeros(shape[0], int)

    def work(rows):
        times[rows] += 1

    in_strips(work, shape, threads, cells=200)
    assert (times == 1).all()


def test_what_fails_in_a_strip_is_heard():
    def work(rows):
        raise ValueError(f"row {rows.start}")

    with pytest.raises(ValueError, match="row"):
        in_strips(work, (9, 9), 3, cells=9)
