"""The plain test is the textbook's: mean distance to the k nearest neighbours against mean plus m deviations.

Source: Rusu et al., Towards 3D point cloud based object maps for household environments, Robotics and
Autonomous Systems 56 (2008), outlier removal. The reference below works on the whole distance matrix.
"""

import numpy as np
import pytest

from cloudprep.model.moves import ClassMoves
from cloudprep.stages.base import Points, whole_cloud_context
from cloudprep.stages.noise.statistical_outliers import OutlierParams, StatisticalOutliers
from cloudprep.testing import facts_of


def label(columns, **params):
    site = facts_of(columns)
    stage = StatisticalOutliers(OutlierParams(**{"spread": "standard", "below": True, **params})).resolved(
        site
    )
    points = Points(columns)
    context = whole_cloud_context(site, len(points))
    summary = stage.summarise(points, context)
    solution = stage.solve(stage.merge([summary.part]), site)
    delta = stage.run(points.replaced(summary.scratch), context, solution)
    return delta.columns, solution


def cloud_of(xyz, **more):
    columns = {axis: np.ascontiguousarray(values) for axis, values in zip("xyz", xyz.T, strict=True)}
    base = {"classification": np.ones(len(xyz), np.uint8), "withheld": np.zeros(len(xyz), bool)}
    return {**columns, **base, **more}


def surface_with_outliers(rng, n=1500, outliers=25):
    ground = np.c_[rng.uniform(0, 40, (n, 2)), rng.normal(0, 0.05, n)]
    lone = rng.uniform([0, 0, -8], [40, 40, 30], (outliers, 3))
    return np.concatenate([ground, lone])


def textbook_distances(xyz, k):
    d = np.sqrt(((xyz[:, None] - xyz[None]) ** 2).sum(2))
    np.fill_diagonal(d, -1.0)
    return np.sort(d, axis=1)[:, 1 : k + 1].mean(1)


def is_noise(columns):
    return np.isin(columns["classification"], (7, 18))


@pytest.mark.parametrize("k", [1, 8, 12])
@pytest.mark.parametrize("m", [1.0, 2.0, 3.5])
def test_outliers_are_the_textbooks(k, m):
    xyz = surface_with_outliers(np.random.default_rng(k))
    distance = textbook_distances(xyz, k)
    expected = distance > distance.mean() + m * distance.std(ddof=1)
    columns, solution = label(cloud_of(xyz), neighbours=k, deviations=m, keep_structures=False)
    assert np.array_equal(is_noise(columns), expected)
    assert 5 <= expected.sum() < 300
    assert solution.figures["noise.distance_middle"] == pytest.approx(distance.mean(), rel=1e-12)
    assert solution.figures["noise.distance_spread"] == pytest.approx(distance.std(ddof=1), rel=1e-9)


@pytest.mark.parametrize("m", [4.0, 6.0, 10.0])
def test_outliers_robust_spread_is_median_and_mad(m):
    xyz = surface_with_outliers(np.random.default_rng(9))
    distance = textbook_distances(xyz, 10)
    median = np.median(distance)
    mad = 1.4826 * np.median(np.abs(distance - median))
    columns, solution = label(
        cloud_of(xyz), neighbours=10, deviations=m, spread="robust", keep_structures=False
    )
    got = is_noise(columns)
    # Median and deviation are kept to 1 part in 16,000 of the median.
    fuzz = median * 2.0**-13 * (m + 1)
    assert got[distance > median + m * mad + fuzz].all()
    assert not got[distance < median + m * mad - fuzz].any()
    assert got.sum() >= 20
    assert solution.figures["noise.distance_middle"] == pytest.approx(median, rel=1e-4)


def test_outliers_robust_spread_is_not_spoilt_by_many_outliers():
    xyz = surface_with_outliers(np.random.default_rng(10), outliers=300)
    plain, _ = label(cloud_of(xyz), neighbours=8, deviations=5.0, keep_structures=False)
    robust, _ = label(cloud_of(xyz), neighbours=8, deviations=5.0, keep_structures=False, spread="robust")
    lone = np.arange(len(xyz)) >= 1500
    assert is_noise(plain)[lone].mean() < 0.2
    assert is_noise(robust)[lone].mean() > 0.8


def test_outliers_below_are_low_noise_and_above_high_noise():
    rng = np.random.default_rng(11)
    xyz = surface_with_outliers(rng, outliers=0)
    strays = np.array([[10, 10, 9.0], [20, 10, -6.0], [30, 30, 25.0], [12, 33, -5.0]])
    columns, _ = label(cloud_of(np.concatenate([xyz, strays])), deviations=3.0)
    assert columns["classification"][-4:].tolist() == [18, 7, 18, 7]
    assert not is_noise(columns)[:-4].any()


def test_outliers_of_a_flock_are_high_noise_each():
    # Neighbours of a bird are birds, half of them above it: the height is judged in plan.
    rng = np.random.default_rng(12)
    ground = np.c_[rng.uniform(0, 60, (6000, 2)), rng.normal(0, 0.05, 6000)]
    flock = rng.normal([30, 30, 40], 3, (25, 3))
    columns, _ = label(cloud_of(np.concatenate([ground, flock])), deviations=4.0)
    assert (columns["classification"][-25:] == 18).all()


def test_outliers_leave_noise_and_withheld_points_out():
    rng = np.random.default_rng(13)
    xyz = surface_with_outliers(rng)
    # A second cloud of dense noise and withheld points around the outliers must change nothing.
    around = xyz[-25:].repeat(20, axis=0) + rng.normal(0, 0.02, (500, 3))
    codes = np.r_[np.ones(len(xyz)), np.where(rng.random(500) < 0.5, 7, 18)].astype(np.uint8)
    withheld = np.zeros(len(xyz) + 500, bool)
    withheld[-100:] = True
    codes[-100:] = 2
    alone, figures = label(cloud_of(xyz), deviations=2.0)
    columns = cloud_of(np.concatenate([xyz, around]), classification=codes, withheld=withheld)
    together, same_figures = label(columns, deviations=2.0, line_reach=figures_reach(xyz))
    assert np.array_equal(together["classification"][: len(xyz)], alone["classification"])
    assert np.array_equal(together["classification"][len(xyz) :], codes[len(xyz) :])
    assert same_figures.figures == figures.figures


def figures_reach(xyz):
    return 24 * facts_of(cloud_of(xyz)).spacing


def test_outliers_set_the_withheld_flag_only_when_asked():
    xyz = surface_with_outliers(np.random.default_rng(14))
    plain, _ = label(cloud_of(xyz), deviations=2.0)
    flagged, _ = label(cloud_of(xyz), deviations=2.0, withheld=True)
    assert "withheld" not in plain
    assert np.array_equal(flagged["withheld"], is_noise(flagged))
    assert is_noise(flagged).any()


def test_outliers_are_none_where_all_distances_are_alike():
    far_apart = np.arange(20.0) * 1000
    columns, solution = label(cloud_of(np.c_[far_apart, far_apart, far_apart][:2]), deviations=0.1)
    assert not is_noise(columns).any()
    assert "nothing stands out" in solution.warnings[0]


@pytest.mark.parametrize("n", [0, 1, 2, 3, 13])
def test_outliers_of_few_points_are_none(n):
    xyz = np.random.default_rng(n).uniform(0, 5, (n, 3))
    columns, _ = label(cloud_of(xyz))
    assert not is_noise(columns).any()


def test_outliers_of_a_cloud_without_usable_points_are_none():
    xyz = np.random.default_rng(1).uniform(0, 5, (30, 3))
    codes = np.full(30, 18, np.uint8)
    columns, _ = label(cloud_of(xyz, classification=codes))
    assert np.array_equal(columns["classification"], codes)


def test_outliers_work_without_label_columns():
    xyz = surface_with_outliers(np.random.default_rng(15))
    bare = {axis: values for axis, values in cloud_of(xyz).items() if axis in "xyz"}
    columns, _ = label(bare, deviations=2.0, withheld=True)
    full, _ = label(cloud_of(xyz), deviations=2.0)
    assert np.array_equal(is_noise(columns), is_noise(full))
    assert set(np.unique(columns["classification"])) <= {0, 7, 18}


def test_outliers_count_what_became_noise():
    stage = StatisticalOutliers()
    before = np.array([1, 7, 2, 18, 1], np.uint8)
    after = np.array([18, 7, 7, 18, 1], np.uint8)
    assert stage.figures(ClassMoves.between(before, after)) == {"noise.outliers": 2}
