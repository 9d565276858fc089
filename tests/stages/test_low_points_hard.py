"""low_points finds echoes below ground and leaves ditches, pits, slopes and forest ground alone."""

import numpy as np
import pytest

from cloudprep.stages.noise.buried_points import BuriedPoints
from cloudprep.stages.noise.local_shape import LocalShape
from cloudprep.stages.noise.low_points import LowPoints
from cloudprep.testing import run_stage
from demo_clouds.noise_scenes import Label, noise_scene


def terrain(x, y, slope):
    return 100 + slope * x + 1.5 * np.sin(x / 19) * np.cos(y / 23)


def scene(density, slope=0.1, size=120.0, seed=1, noise=0.03):
    rng = np.random.default_rng(seed)
    n = int(density * size * size)
    x, y = rng.uniform(0, size, (2, n))
    return rng, x, y, terrain(x, y, slope) + rng.normal(0, noise, n)


def with_echoes(rng, x, y, z, slope, size, *, single, groups, shallowest):
    """Add single echoes and groups of 2 to 50 points up to 5 m wide; return columns and the truth."""
    sx, sy = rng.uniform(5, size - 5, (2, single))
    depth = rng.uniform(shallowest, 30, single)
    parts = [np.c_[sx, sy, terrain(sx, sy, slope) - depth]]
    for centre in rng.uniform(10, size - 10, (groups, 2)):
        count, width = rng.integers(2, 51), rng.uniform(0.5, 5)
        place = centre + rng.uniform(-width / 2, width / 2, (count, 2))
        height = (
            terrain(*centre, slope)
            - rng.uniform(max(1.0, shallowest), 12)
            + slope * (place[:, 0] - centre[0])
        )
        parts.append(np.c_[place, height + rng.normal(0, 0.1, count)])
    echoes = np.concatenate(parts)
    xyz = np.concatenate([np.c_[x, y, z], echoes])
    truth = np.r_[np.zeros(len(x), bool), np.ones(len(echoes), bool)]
    return columns_of(*xyz.T), truth, single


def columns_of(x, y, z):
    n = len(x)
    return {
        "x": np.array(x),
        "y": np.array(y),
        "z": np.array(z),
        "classification": np.ones(n, np.uint8),
        "withheld": np.zeros(n, bool),
    }


def low_of(columns, **params):
    stage = LowPoints(LowPoints.Params(**params))
    return run_stage(stage, columns).labels["classification"] == 7


@pytest.mark.parametrize(
    ("density", "slope", "shallowest"), [(2, 0.1, 1.0), (10, 0.1, 0.8), (60, 0.1, 0.8), (8, 0.7, 3.0)]
)
def test_single_echoes_and_groups_are_found(density, slope, shallowest):
    size = 120.0 if density < 50 else 80.0
    found_single = found_group = singles = grouped = lost = ground = 0
    for seed in range(3):
        rng, x, y, z = scene(density, slope, size, seed=seed)
        columns, truth, single = with_echoes(
            rng, x, y, z, slope, size, single=20, groups=8, shallowest=shallowest
        )
        low = low_of(columns)
        first = len(x)
        found_single += low[first : first + single].sum()
        singles += single
        found_group += low[first + single :].sum()
        grouped += len(truth) - first - single
        lost += low[:first].sum()
        ground += first
    print(density, slope, found_single / singles, found_group / grouped, lost / ground)
    assert found_single / singles >= 0.95
    assert found_group / grouped >= 0.90
    assert lost / ground <= 1e-4


@pytest.mark.parametrize("density", [1, 4, 20, 100])
@pytest.mark.parametrize("slope", [0.0, 0.7])
def test_plain_ground_loses_nothing(density, slope):
    _, x, y, z = scene(density, slope, 60.0 if density > 50 else 120.0, seed=7)
    assert low_of(columns_of(x, y, z)).mean() <= 1e-5


@pytest.mark.parametrize("density", [2, 8, 30])
def test_a_ditch_one_metre_deep_stays(density):
    _, x, y, z = scene(density, seed=3)
    bottom = np.abs(y - 60 - 0.2 * x) < 0.5
    ditch = bottom & (x > 20) & (x < 90)
    z = np.where(ditch, z - 1.0, z)
    assert low_of(columns_of(x, y, z))[ditch].mean() <= 0.002


def test_the_bottom_of_a_pit_stays():
    _, x, y, z = scene(20, seed=4)
    pit = (np.abs(x - 50) < 2) & (np.abs(y - 70) < 1.5)
    z = np.where(pit, z - 2.5, z)
    assert not low_of(columns_of(x, y, z))[pit].any()


def test_cliff_feet_and_corners_stay():
    _, x, y, z = scene(8, seed=5)
    floor = (x > 40) & (x < 80) & (y > 30) & (y < 70)
    z = np.where(floor, z - 12, z)
    assert low_of(columns_of(x, y, z)).mean() <= 1e-4


@pytest.mark.parametrize("density", [2, 8, 30])
@pytest.mark.parametrize("share", [0.03, 0.1])
def test_forest_ground_seen_by_few_pulses_stays(density, share):
    rng, x, y, z = scene(density, 0.4, seed=6)
    ground = rng.random(len(x)) < share
    crown = 14 + 5 * np.sin(x / 3.1) * np.cos(y / 2.7)
    z = np.where(ground, z, z + crown * rng.uniform(0.55, 1.0, len(x)))
    # With 2 points/m2 and 3 % of them on the ground, 1 cell in 17 sees any: a few stand alone.
    assert low_of(columns_of(x, y, z))[ground].mean() <= (0.005 if density == 2 else 1e-3)


def test_a_dense_smooth_canopy_over_sparse_ground_stays():
    rng, x, y, z = scene(20, 0.0, seed=8)
    ground = rng.random(len(x)) < 0.01
    z = np.where(ground, z, z + 0.9 + rng.normal(0, 0.15, len(x)))  # a field of maize
    assert low_of(columns_of(x, y, z))[ground].mean() <= 0.005


def test_echoes_between_buildings_are_found():
    rng, x, y, z = scene(8, seed=9)
    for hx in range(15, 110, 25):
        for hy in range(15, 110, 25):
            roof = (np.abs(x - hx) < 6) & (np.abs(y - hy) < 7)
            z = np.where(roof, 110 + 0.1 * hx + rng.normal(0, 0.03, len(x)), z)
    street = np.c_[np.full(12, 27.5), rng.uniform(10, 110, 12)]
    echoes = np.c_[street, terrain(*street.T, 0.1) - 6]
    columns = columns_of(*np.concatenate([np.c_[x, y, z], echoes]).T)
    low = low_of(columns)
    assert low[len(x) :].mean() >= 0.9
    assert low[: len(x)].mean() <= 1e-4


def test_the_start_of_the_lattice_hardly_matters():
    rng, x, y, z = scene(8, seed=10)
    columns, truth, _ = with_echoes(rng, x, y, z, 0.1, 120.0, single=40, groups=15, shallowest=1.0)
    shares = []
    for shift in (0.0, 0.23, 0.5, 0.71):
        moved = {**columns, "x": columns["x"] + shift, "y": columns["y"] + 0.6 * shift}
        shares.append(low_of(moved)[truth].mean())
    assert min(shares) >= 0.93
    assert max(shares) - min(shares) <= 0.05


def test_noise_and_withheld_points_are_left_out_and_the_flag_is_set_on_request():
    rng, x, y, z = scene(8, seed=11)
    columns, truth, _ = with_echoes(rng, x, y, z, 0.1, 120.0, single=10, groups=0, shallowest=5)
    rows = np.flatnonzero(truth)
    columns["classification"][rows[0]] = 18
    columns["withheld"][rows[1]] = True
    run = run_stage(LowPoints(LowPoints.Params(withheld=True)), columns)
    assert run.labels["classification"][rows[0]] == 18
    assert run.labels["classification"][rows[1]] == 1
    assert (run.labels["withheld"][rows[2:]] == (run.labels["classification"][rows[2:]] == 7)).all()
    assert run.result.figures["low_points.points"] == (run.labels["classification"] == 7).sum()


def test_the_floor_of_a_dense_excavation_that_a_roof_hangs_over_is_kept():
    """An excavation 2.3 m deep beside a house; without shapes its floor and the wall's foot are taken."""
    made = noise_scene("photo_village", 60.0, 1)
    real = np.isin(made.label, (Label.GROUND, Label.BUILDING))
    columns = made.columns()
    shapes = run_stage(LocalShape(), columns).working
    columns |= run_stage(BuriedPoints(), {**columns, **shapes}).labels
    real &= columns["classification"] == 0
    assert (low_of(columns) & real).sum() > 100
    assert (low_of({**columns, **shapes}) & real).sum() <= 1
