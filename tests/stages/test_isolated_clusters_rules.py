"""What floats and what doesn't, one case at a time: a group of known shape over flat ground."""

import numpy as np
import pytest

from cloudprep.model.moves import ClassMoves
from cloudprep.stages.base import Points, whole_cloud_context
from cloudprep.stages.noise.isolated_clusters import ClusterParams, IsolatedClusters
from cloudprep.testing import facts_of, run_stage


def flat_ground(rng, side=100.0, density=6.0, hole=None):
    xy = rng.uniform(0, side, (int(side * side * density), 2))
    if hole is not None:
        x0, y0, x1, y1 = hole
        xy = xy[~((xy[:, 0] > x0) & (xy[:, 0] < x1) & (xy[:, 1] > y0) & (xy[:, 1] < y1))]
    return np.c_[xy, rng.normal(0, 0.03, len(xy))]


def ball(rng, middle, radius, count):
    away = rng.normal(0, 1, (count, 3))
    away *= radius * rng.random((count, 1)) ** (1 / 3) / np.linalg.norm(away, axis=1)[:, None]
    return away + middle


def labels_over(group, ground, **params):
    """Labels of a group of points that stands over (or in) some ground; the ground must be left alone."""
    xyz = np.concatenate([ground, np.atleast_2d(group)])
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    columns["classification"] = np.ones(len(xyz), np.uint8)
    label = run_stage(IsolatedClusters(ClusterParams(**params)), columns).labels["classification"]
    assert (label[: len(ground)] == 1).all()
    return label[len(ground) :]


@pytest.fixture(scope="module")
def ground():
    return flat_ground(np.random.default_rng(1))


@pytest.mark.parametrize("height", [8.0, 25.0, 90.0])
@pytest.mark.parametrize("count", [1, 3, 40])
def test_clusters_birds_and_flocks_float(ground, height, count):
    birds = np.random.default_rng(count).normal([50, 50, height], [3, 3, 0.5], (count, 3))
    assert (labels_over(birds, ground) == 18).all()


@pytest.mark.parametrize("height", [6.0, 14.0, 30.0])
def test_clusters_dense_ball_of_dust_floats(ground, height):
    dust = ball(np.random.default_rng(2), [50, 50, height], 1.5, 5000)
    assert (labels_over(dust, ground) == 18).mean() > 0.999


def test_clusters_wide_dust_over_an_open_place_floats(ground):
    rng = np.random.default_rng(3)
    dust = ball(rng, [0, 0, 0], 1, 2500) * [11, 9, 4] + [50, 50, 20]
    assert (labels_over(dust, ground) == 18).mean() > 0.999


def test_clusters_over_water_float_too():
    rng = np.random.default_rng(4)
    pond = flat_ground(rng, hole=(20, 20, 80, 80))
    assert labels_over([50, 50, 40.0], pond).tolist() == [18]
    assert labels_over([50, 50, 1.0], pond).tolist() == [1]


@pytest.mark.parametrize("height", [0.0, 3.0])
def test_clusters_islands_stay(height):
    rng = np.random.default_rng(5)
    pond = flat_ground(rng, hole=(20, 20, 80, 80))
    island = np.c_[rng.uniform(47, 53, (150, 2)), rng.normal(height, 0.03, 150)]
    assert (labels_over(island, pond) == 1).all()
    few = island[:4]
    assert (labels_over(few, pond) == 1).all()


@pytest.mark.parametrize("height", [5.0, 20.0, 70.0])
def test_clusters_roofs_without_walls_stay(height):
    rng = np.random.default_rng(6)
    seen = flat_ground(rng, hole=(40, 40, 52, 50))
    roof = rng.uniform([40, 40, 0], [52, 50, 0], (700, 3))
    roof[:, 2] = height + 0.5 * np.abs(roof[:, 0] - 46) + rng.normal(0, 0.03, 700)
    assert (labels_over(roof, seen) == 1).all()


@pytest.mark.parametrize("bare", [0.2, 0.4, 0.6])
@pytest.mark.parametrize("height", [7.0, 14.0, 24.0])
def test_clusters_crowns_that_hang_free_stay(ground, bare, height):
    rng = np.random.default_rng(7)
    radius, half = 0.18 * height + 0.5, height * (1 - bare) / 2
    crown = ball(rng, [0, 0, 0], 1, int(10 * radius**2 * 3.14)) * [radius, radius, half]
    crown += [50, 50, height * (1 + bare) / 2]
    assert (labels_over(crown, ground) == 1).all()


@pytest.mark.parametrize("spacing", [0.3, 1.0, 2.0])
@pytest.mark.parametrize("density", [2.0, 10.0])
def test_clusters_wires_stay_also_in_pieces(spacing, density):
    rng = np.random.default_rng(8)
    seen = flat_ground(rng, density=density)
    t = np.sort(rng.uniform(0, 90, int(90 / spacing)))
    t = t[(t < 40) | (t > 46)]
    wire = np.c_[5 + t, 50 + 0.2 * t, 20 - 4 * (t / 90) * (1 - t / 90)] + rng.normal(0, 0.05, (len(t), 3))
    assert (labels_over(wire, seen) == 1).mean() >= 0.98


def test_clusters_wire_through_fog_stays():
    rng = np.random.default_rng(9)
    seen = flat_ground(rng)
    t = np.arange(0, 90, 0.5)
    wire = np.c_[5 + t, np.full(len(t), 50.0), np.full(len(t), 30.0)]
    fog = ball(rng, [50, 50, 30], 9, 600)
    label = labels_over(np.concatenate([wire, fog]), seen)
    assert (label[: len(t)] == 1).mean() >= 0.9
    assert (label[len(t) :] == 18).mean() >= 0.85


def test_clusters_poles_stay():
    rng = np.random.default_rng(10)
    seen = flat_ground(rng)
    lamp = np.c_[rng.normal([50, 50], 0.05, (4, 2)), [2.5, 5.0, 7.5, 9.5]]
    assert (labels_over(lamp, seen) == 1).all()
    # One hit at the top alone can't be told from a bird.
    assert labels_over(lamp[-1], seen).tolist() == [18]


@pytest.mark.parametrize("clearance", [2.0, 4.0, 8.0])
def test_clusters_close_above_the_ground_stay(ground, clearance):
    heights = np.array([clearance - 0.5, clearance + 0.5]) + 0.1
    label = [int(labels_over([50, 50, h], ground, clearance=clearance)[0]) for h in heights]
    assert label == [1, 18]


def test_clusters_close_above_a_roof_stay():
    rng = np.random.default_rng(11)
    seen = flat_ground(rng, hole=(40, 40, 56, 56))
    roof = np.c_[rng.uniform(40, 56, (1500, 2)), rng.normal(9, 0.03, 1500)]
    antenna, bird = [48, 48, 11.5], [44, 44, 16.0]
    label = labels_over(np.concatenate([roof, [antenna, bird]]), seen)
    assert label[-2:].tolist() == [1, 18]
    assert (label[:-2] == 1).all()


@pytest.mark.parametrize("depth", [2.0, 6.0, 15.0])
def test_clusters_under_everything_are_low_noise(ground, depth):
    group = np.random.default_rng(12).normal([50, 50, -depth], [0.4, 0.4, 0.15], (7, 3))
    assert (labels_over(group, ground, below=True) == 7).all()
    assert labels_over([[30.0, 30.0, -depth]], ground, below=True).tolist() == [7]


def test_clusters_below_are_kept_unless_asked_for(ground):
    group = np.random.default_rng(12).normal([50, 50, -6.0], [0.4, 0.4, 0.15], (7, 3))
    assert (labels_over(group, ground) == 1).all()


def test_clusters_floor_of_a_pit_is_not_low_noise():
    rng = np.random.default_rng(13)
    seen = flat_ground(rng, hole=(46, 46, 54, 54))
    floor = np.c_[rng.uniform(46.2, 53.8, (300, 2)), rng.normal(-5, 0.03, 300)]
    assert (labels_over(floor, seen, below=True) == 1).all()


def test_clusters_ground_under_a_canopy_is_not_low_noise():
    rng = np.random.default_rng(14)
    canopy = np.c_[rng.uniform(0, 100, (60_000, 2)), rng.uniform(14, 18, 60_000)]
    seen = np.c_[rng.uniform(0, 100, (700, 2)), rng.normal(0, 0.05, 700)]
    label = labels_over(seen, canopy, below=True)
    # Measured: 97 %; in the corners there is too little around.
    assert (label == 1).mean() > 0.96
    inside = ((seen[:, :2] > 10) & (seen[:, :2] < 90)).all(axis=1)
    assert (label[inside] == 1).all()


def test_clusters_leave_noise_and_withheld_points_out(ground):
    rng = np.random.default_rng(15)
    # A bridge of noise and withheld points from the ground up to a bird makes it no part of the ground.
    bird = np.array([[50, 50, 20.0]])
    bridge = np.c_[np.full(60, 50.0), np.full(60, 50.0), np.linspace(0.3, 19.9, 60)]
    xyz = np.concatenate([ground, bird, bridge])
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    codes = np.ones(len(xyz), np.uint8)
    withheld = np.zeros(len(xyz), bool)
    codes[-60:] = rng.choice([7, 18, 2], 60)
    withheld[-60:] = codes[-60:] == 2
    result = run_stage(IsolatedClusters(), {**columns, "classification": codes, "withheld": withheld}).labels
    assert result["classification"][len(ground)] == 18
    assert np.array_equal(result["classification"][-60:], codes[-60:])
    assert np.array_equal(result["withheld"], withheld)


def test_clusters_set_the_withheld_flag_only_when_asked(ground):
    xyz = np.concatenate([ground, [[50, 50, 30.0]]])
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    columns |= {"classification": np.zeros(len(xyz), np.uint8), "withheld": np.zeros(len(xyz), bool)}
    for asked in (False, True):
        labels = run_stage(IsolatedClusters(ClusterParams(withheld=asked)), columns).labels
        assert labels["classification"][-1] == 18
        assert labels["withheld"].sum() == asked


def test_clusters_of_a_small_cloud_trust_its_largest_parts():
    rng = np.random.default_rng(16)
    patch = np.c_[rng.uniform(0, 12, (2000, 2)), rng.normal(0, 0.03, 2000)]
    assert (labels_over([6.0, 6.0, 15.0], patch) == 18).all()


@pytest.mark.parametrize("n", [0, 1, 2, 5])
def test_clusters_of_few_points_are_real(n):
    xyz = np.random.default_rng(n).uniform(0, 50, (n, 3))
    columns = {axis: np.ascontiguousarray(v) for axis, v in zip("xyz", xyz.T, strict=True)}
    site = facts_of(columns)
    stage = IsolatedClusters().resolved(site)
    context = whole_cloud_context(site, n)
    summary = stage.summarise(Points(columns), context)
    solution = stage.solve(stage.merge([summary.part]), site)
    delta = stage.run(Points({**columns, **summary.scratch}), context, solution)
    assert (delta.columns["classification"] == 0).all()


def test_clusters_gap_follows_the_spacing():
    site = facts_of({axis: np.random.default_rng(1).uniform(0, 40, 100) for axis in "xyz"})
    stage = IsolatedClusters().resolved(site)
    assert stage.params.gap == pytest.approx(4 * site.spacing)
    assert "point spacing" in stage.reasons["gap"]
    assert stage.reach() == stage.params.gap
    dense = facts_of({axis: np.random.default_rng(1).uniform(0, 4, 3000) for axis in "xyz"})
    assert IsolatedClusters().resolved(dense).params.gap == 1.0
    assert IsolatedClusters(ClusterParams(gap=2.5)).resolved(dense).params.gap == 2.5


def test_clusters_count_what_became_noise():
    before = np.array([1, 7, 2, 18, 1], np.uint8)
    after = np.array([18, 7, 7, 18, 1], np.uint8)
    assert IsolatedClusters().figures(ClassMoves.between(before, after)) == {"noise.isolated": 2}


@pytest.mark.parametrize("count", [30, 4])
def test_a_crowd_high_beside_a_crane_floats_and_few_points_stay(count):
    rng = np.random.default_rng(17)
    dense = flat_ground(rng, side=30.0, density=60.0)
    mast = np.c_[np.full((400, 2), 15.0) + rng.normal(0, 0.1, (400, 2)), np.linspace(0, 20, 400)]
    jib = np.c_[np.linspace(15, 27, 300), np.full(300, 15.0), np.full(300, 20.0)] + rng.normal(
        0, 0.1, (300, 3)
    )
    bird = rng.normal([23, 15, 12], 0.15, (count, 3))
    label = labels_over(np.concatenate([jib, bird]), np.concatenate([dense, mast]))
    assert (label[:300] == 1).all()
    # What is few may be a rope's pieces.
    assert (label[300:] == (18 if count == 30 else 1)).all()


def test_a_bird_in_line_with_drops_floats_and_a_piece_of_a_wire_in_line_with_it_stays():
    """A crowd of points no wider than a bird: kept only on a line that is a wire itself."""
    rng = np.random.default_rng(21)
    dense = flat_ground(rng, side=40.0, density=40.0)
    bird = rng.uniform([20.0, 20.0, 20.0], [20.7, 20.0, 20.1], (24, 3))
    drops = np.c_[
        np.array([10.0, 12.0, 14.0, 16.0, 24.0, 26.0, 28.0]), np.full((7, 1), 20.0), np.full((7, 1), 20)
    ]
    assert (labels_over(np.concatenate([bird, drops]), dense)[:24] == 18).all()
    wire = np.c_[np.r_[np.linspace(4, 18.5, 300), np.linspace(22.2, 36, 300)], np.full((600, 1), 20.0)]
    wire = np.c_[wire, np.full(600, 20.05)]
    assert (labels_over(np.concatenate([bird, wire]), dense) == 1).all()
