"""Openings with disks: equal to scipy's to the bit, whatever the radius and the holes.

Source: ``scipy.ndimage.grey_erosion`` and ``grey_dilation`` with a footprint (scipy's documentation).
"""

import numpy as np
import pytest
from scipy import ndimage

from cloudprep.kernels.disk_opening import disk_dilation, disk_erosion, disk_opening, disk_rows


def footprint(radius):
    reach = int(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return x**2 + y**2 <= radius**2


def scipys_opening(values, radius):
    outside = np.isnan(values)
    disk = footprint(radius)
    low = ndimage.grey_erosion(
        np.where(outside, np.inf, values), footprint=disk, mode="constant", cval=np.inf
    )
    low[outside] = -np.inf
    opened = ndimage.grey_dilation(low, footprint=disk, mode="constant", cval=-np.inf)
    opened[outside] = np.nan
    return opened


@pytest.mark.parametrize("radius", [1, 1.5, 2, 2.3, 3, 5, 8, 13, 18])
def test_disk_rows_are_those_of_the_circle(radius):
    assert (2 * disk_rows(radius) + 1).tolist() == footprint(radius).sum(axis=1).tolist()


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shape", [(1, 1), (1, 30), (17, 1), (40, 53), (6, 1100)])
@pytest.mark.parametrize("radius", [1, 2.5, 4, 9])
def test_disk_openings_equal_scipys(shape, radius, dtype):
    rng = np.random.default_rng(3)
    values = rng.normal(100, 5, shape).astype(dtype)
    values[rng.random(shape) < 0.2] = np.nan
    np.testing.assert_array_equal(disk_opening(values, radius), scipys_opening(values, radius))


def test_disk_openings_keep_a_disk_and_cut_a_smaller_one():
    # By definition of the opening: the union of all disks of that radius that fit below the surface.
    values = np.zeros((31, 31))
    y, x = np.mgrid[-15:16, -15:16]
    values[x**2 + y**2 <= 36] = 4.0
    np.testing.assert_array_equal(disk_opening(values, 6), values)
    assert not disk_opening(values, 6.5).any()


def test_disk_erosion_and_dilation_are_each_others_mirror():
    rng = np.random.default_rng(4)
    values = rng.normal(0, 1, (25, 31))
    np.testing.assert_array_equal(disk_dilation(values, 3), -disk_erosion(-values, 3))
    assert (disk_erosion(values, 3) <= values).all()
    np.testing.assert_array_equal(disk_opening(values, 0.9), values)


@pytest.mark.parametrize(
    ("values", "radius", "words"),
    [
        (np.zeros(3), 1, "2-D"),
        (np.zeros((3, 3), int), 1, "2-D float"),
        (np.zeros((3, 3)), -1, "radius"),
        (np.zeros((3, 3)), np.nan, "radius"),
    ],
)
def test_disk_opening_refuses_in_words(values, radius, words):
    with pytest.raises(ValueError, match=words):
        disk_opening(values, radius)
