"""Published point sets and their values.

Davis 1973, "Statistics and Data Analysis in Geology": 52 points, x and y in units of 50 feet, z in feet. The
data are as carried by public collections of teaching data; the estimates beside them were computed from these
data by separate plain code (not published answers).

Isaaks and Srivastava 1989, "An Introduction to Applied Geostatistics", chapter 11: seven samples around one
point (from memory; the book's rounded answers reproduce from them).
"""

import numpy as np
import pytest

from cloudprep.kernels.interpolation import inverse_distance_heights, nearest_heights
from cloudprep.kernels.tin import tin_heights
from cloudprep.kernels.tin_points import sites_of, substeps
from cloudprep.kernels.triangulation import delaunay, triangulate

DAVIS = """
0.3 6.1 870|1.4 6.2 793|2.4 6.1 755|3.6 6.2 690|5.7 6.2 800|1.6 5.2 800|2.9 5.1 730|3.4 5.3 728|3.4 5.7 710
4.8 5.6 780|5.3 5.0 804|6.2 5.2 855|0.2 4.3 830|0.9 4.2 813|2.3 4.8 762|2.5 4.5 765|3.0 4.5 740|3.5 4.5 765
4.1 4.6 760|4.9 4.2 790|6.3 4.3 820|0.9 3.2 855|1.7 3.8 812|2.4 3.8 773|3.7 3.5 812|4.5 3.2 827|5.2 3.2 805
6.3 3.4 840|0.3 2.4 890|2.0 2.7 820|3.8 2.3 873|6.3 2.2 875|0.6 1.7 873|1.5 1.8 865|2.1 1.8 841|2.1 1.1 862
3.1 1.1 908|4.5 1.8 855|5.5 1.7 850|5.7 1.0 882|6.2 1.0 910|0.4 0.5 940|1.4 0.6 915|1.4 0.1 890|2.1 0.7 880
2.3 0.3 870|3.1 0.0 880|4.1 0.8 960|5.4 0.4 890|6.0 0.1 860|5.7 3.0 830|3.6 6.0 705
"""
X, Y, Z = np.array([row.split() for row in DAVIS.strip().replace("\n", "|").split("|")], float).T

WALKER_LAKE = np.array(
    [
        (61, 139, 477),
        (63, 140, 696),
        (64, 129, 227),
        (68, 128, 646),
        (71, 140, 606),
        (73, 141, 791),
        (75, 128, 783),
    ],
    float,
)


def at(points, x, y, estimate, **options):
    """Return an estimate at one position, asked for as a grid of one cell."""
    sites = sites_of(*points, 0.1)
    columns = substeps(sites, x, 1.0, 1, along=0)
    rows = substeps(sites, y, 1.0, 1, along=1)
    if estimate is tin_heights:
        return estimate(sites.steps, sites.z, triangulate(sites.steps), columns, rows)[0, 0]
    return estimate(sites.steps, sites.z, columns, rows, **options)[0, 0]


def test_terrain_davis_points_are_complete():
    assert (len(Z), Z.min(), Z.max()) == (52, 690, 960)
    assert Z.mean() == pytest.approx(827.0769, abs=1e-4)
    assert Z.std(ddof=1) == pytest.approx(61.9977, abs=1e-4)


def _triangles():
    return delaunay(np.rint(X * 10), np.rint(Y * 10))


def test_terrain_davis_triangles_cover_the_hull():
    triangles = _triangles()
    a, b, c = (np.column_stack((X, Y))[triangles[:, k]] for k in range(3))
    areas = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    assert len(triangles) == 87
    assert areas.sum() == pytest.approx(35.99, abs=0.005)


@pytest.mark.parametrize(("base", "volume"), [(690.0, 5095.05), (0.0, 29928.15)])
def test_terrain_davis_volume_is_the_sum_over_triangles(base, volume):
    triangles = _triangles()
    a, b, c = (np.column_stack((X, Y))[triangles[:, k]] for k in range(3))
    areas = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    assert (areas * (Z[triangles].mean(axis=1) - base)).sum() == pytest.approx(volume, abs=0.005)


@pytest.mark.parametrize(
    ("x", "y", "height", "corners"),
    [
        (3, 3, 823.703, (25, 30, 31)),
        (2, 2, 839.444, (30, 34, 35)),
        (5, 5, 792.261, (10, 11, 19)),
        (1, 5, 817.366, (1, 6, 13)),
    ],
)
def test_terrain_davis_linear_estimates(x, y, height, corners):
    assert at((X, Y, Z), x, y, tin_heights) == pytest.approx(height, abs=5e-4)
    assert {n - 1 for n in corners} in [set(t) for t in _triangles().tolist()]


@pytest.mark.parametrize(
    ("x", "y", "p1", "p2", "p3", "p2_of_8"),
    [
        (3, 3, 822.143, 817.799, 814.924, 813.652),
        (2, 2, 839.510, 844.653, 842.840, 846.891),
        (5, 5, 805.254, 796.878, 799.638, 798.363),
        (1, 5, 811.839, 804.441, 803.739, 807.023),
    ],
)
def test_terrain_davis_inverse_distance_estimates(x, y, p1, p2, p3, p2_of_8):
    for power, neighbours, expected in ((1, 52, p1), (2, 52, p2), (3, 52, p3), (2, 8, p2_of_8)):
        found = at((X, Y, Z), x, y, inverse_distance_heights, power=power, neighbours=neighbours)
        assert found == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize(
    ("power", "book", "computed"),
    [(1, 594, 593.954), (2, None, 597.620), (0.5, None, 597.017), (5, None, 635.375)],
)
def test_terrain_walker_lake_inverse_distance(power, book, computed):
    found = at(tuple(WALKER_LAKE.T), 65, 137, inverse_distance_heights, power=power, neighbours=7)
    assert found == pytest.approx(computed, abs=5e-4)
    assert book is None or round(found) == book


def test_terrain_walker_lake_polygon_and_triangle():
    # The polygon estimate is the nearest sample; the triangle is that of samples 2, 3 and 5.
    assert at(tuple(WALKER_LAKE.T), 65, 137, nearest_heights) == 696
    assert at(tuple(WALKER_LAKE.T), 65, 137, tin_heights) == pytest.approx(548.7, abs=0.05)
