"""Flanks and the walls of bays: worked by hand on profiles and small rasters.

Angles of repose of 30 to 45 degrees for tipped rock and soil: common practice, no source.
"""

import numpy as np
import pytest

from cloudprep.kernels.ground_flanks import Flank, flanks, walls
from cloudprep.kernels.ground_joins import patches


def laid(profile, rows=9, cell=1.0):
    """Return points of a raster of which every row is the profile, and what is no ground: above 0.2 m."""
    z = np.tile(np.asarray(profile, float), (rows, 1))
    row, column = np.mgrid[0 : z.shape[0], 0 : z.shape[1]]
    return (column + 0.5) * cell, (row + 0.5) * cell, z, z <= 0.2


def met(x, y, z, ground, **rules):
    label, count = patches(x, y, z, ~ground, cell=1.0, step=0.1, rise=0.8)
    return label, flanks(x, y, z, ground=ground, label=label, count=count, rules=Flank(**rules))


@pytest.mark.parametrize("degrees", [30, 37, 45, 58])
def test_material_at_its_angle_of_repose_has_a_flank(degrees):
    """One side is a flank, seen straight and across from all rows; the upright side is none."""
    rise = np.tan(np.radians(degrees))
    up = [k * rise for k in range(1, 20) if k * rise < 4.0]
    label, found = met(*laid([0, 0, 0, *up, 4, 4, 4, 4, 4, 0, 0, 0]))
    top = label[4, -5]
    # Straight in each row; across, what leaves the raster after no step or one is not counted.
    assert found.flanks[top] == 9 + 7 + 7
    assert found.contacts[label[4, 3]] >= 25
    assert found.on[:, 3].all()
    assert not found.on[:, -4].any()


@pytest.mark.parametrize("eaves", [2.6, 4.0, 9.0])
def test_a_roof_and_a_container_have_none(eaves):
    _, found = met(*laid([0, 0, 0, *[eaves] * 8, 0, 0, 0]))
    assert found.contacts.sum() == 2 * 25
    assert not found.flanks.any()
    assert not found.on.any()


def test_points_on_a_front_make_no_flank():
    """A front shows points at any height, but at one place: 9 m within two cells are no 61 degrees."""
    _, found = met(*laid([0, 0, 0, 2.0, 6.0, *[9.0] * 8, 0, 0, 0]))
    assert not found.flanks.any()


def test_a_gable_that_lies_on_the_ground_is_too_low_to_be_one():
    _, found = met(*laid([0, 0, 0, 0.5, 0.9, 0.9, 0.9, 0.9, 0, 0]))
    assert not found.flanks.any()


def test_a_dome_is_gone_up_no_further_than_the_rule_says():
    profile = [0, 0, *np.arange(1.0, 8.0), 7, 7, 7]
    assert not met(*laid(profile), longest=1)[1].flanks.any()
    assert met(*laid(profile), longest=3)[1].flanks.sum() == 9 + 7 + 7


def test_bend_is_the_distance_from_the_line_between_neighbours():
    """By hand: a plane has none; columns 0 and 1 m high in turn lie 1 m off in three of four lines.

    Along a column itself nothing changes.
    """
    x, y, z, ground = laid([0, 0, 3.0, 3.1, 3.2, 3.3, 3.4, 3.5, 0, 0])
    assert met(x, y, z, ground)[1].bend[0] == pytest.approx(0.0, abs=1e-12)
    z = np.where(ground, z, 3.0 + (np.arange(z.shape[1]) % 2) * 1.0)
    label = np.where(ground, -1, 0).astype(np.int32)
    bend = flanks(x, y, z, ground=ground, label=label, count=1).bend[0]
    inner = 4  # columns with neighbours on both sides; the two outermost only along themselves
    assert bend == pytest.approx(3 * inner * 7 / (4 * inner * 7 + 2 * 7))


def test_a_patch_of_one_cell_is_too_narrow_to_tell():
    x, y, z, ground = laid([0, 0, 0, 0, 0], rows=5)
    z[2, 2], ground[2, 2] = 3.0, False
    assert np.isinf(met(x, y, z, ground)[1].bend[0])


def bay():
    """Return material 4 m high behind a flank to the west, between walls of 4.6 m on three sides."""
    z = np.zeros((16, 20))
    heap = np.zeros(z.shape, bool)
    flank = np.zeros(z.shape, bool)
    z[3:13, 3:15] = 4.0
    z[3:13, 3:7] = [0.8, 1.6, 2.4, 3.2]
    z[2, 3:16] = z[13, 3:16] = z[2:14, 15] = 4.6
    heap[z > 0] = True
    flank[3:13, 3:7] = True
    return z, ~heap, heap, flank


def test_walls_are_what_stands_upright_or_over_the_material():
    z, ground, heap, flank = bay()
    expected = z == 4.6
    np.testing.assert_array_equal(walls(z, ground=ground, heap=heap, flank=flank), expected)
    # A wall between two bays doesn't end above ground, but over the material.
    z[3:13, 11] = 4.6
    expected[3:13, 11] = True
    np.testing.assert_array_equal(walls(z, ground=ground, heap=heap, flank=flank), expected)


def test_gaps_between_material_and_wall_belong_to_the_wall():
    z, ground, heap, flank = bay()
    z[8, 11] = 2.0
    assert walls(z, ground=ground, heap=heap, flank=flank)[8, 11]
    z[8, 11] = 3.8
    assert not walls(z, ground=ground, heap=heap, flank=flank)[8, 11]


def test_no_heap_no_walls():
    z, _, heap, flank = bay()
    nothing = np.zeros_like(heap)
    assert not walls(z, ground=~heap, heap=nothing, flank=flank).any()
    z[:] = np.nan
    assert not walls(z, ground=nothing, heap=nothing, flank=nothing).any()
