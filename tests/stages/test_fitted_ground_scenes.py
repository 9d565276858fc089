"""The fitted ground stage on small made-up clouds whose every point is known.

The clouds are made of formulas: 3 pulses a square metre, 3 cm noise. The bars are this project's own: no
point of an object is ground, and 99 points of the ground in a hundred are.
"""

import numpy as np
import pytest

from cloudprep.stages.ground.fitted_ground import FittedGround, FittedGroundParams
from cloudprep.testing import run_stage

SIDE = 60.0
NOISE = 0.03


def columns_of(xyz, **more):
    x, y, z = np.asarray(xyz, float).T.copy()
    return {"x": x, "y": y, "z": z, "classification": np.zeros(len(x), np.uint8), **more}


def classes(columns, *, how=None, **parameters):
    stage = FittedGround(FittedGroundParams(**parameters))
    return run_stage(stage, columns, **(how or {})).labels["classification"]


def village(seed, tilt=0.0):
    """Return points and what they are: ground, a roof, crowns half seen through, low echoes, a wire."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, SIDE, (2, int(3 * SIDE**2)))
    ground = 100 + tilt * x + 0.4 * np.sin(y / 8)
    z = ground + rng.normal(0, NOISE, len(x))
    kind = np.full(len(x), "ground", "U6")
    roof = (abs(x - 20) < 6) & (abs(y - 40) < 5)
    z[roof] = 100 + tilt * 26 + 4 + 0.4 * (5 - abs(y[roof] - 40)) + rng.normal(0, NOISE, roof.sum())
    for cx, cy in ((45, 15), (42, 45), (12, 12)):
        share = ((x - cx) ** 2 + (y - cy) ** 2) / 3.5**2
        hit = (share < 1) & (rng.random(len(x)) < 0.5)
        z[hit] = ground[hit] + 3 + 4 * np.sqrt(1 - share[hit]) * rng.random(hit.sum())
        kind[hit] = "crown"
    kind[roof] = "roof"
    low = rng.choice(np.flatnonzero(kind == "ground"), 8, replace=False)
    z[low] -= rng.uniform(6, 9, len(low))
    kind[low] = "low"
    wire = np.c_[np.linspace(1, 59, 90), np.full(90, 30.0), np.full(90, 112 + tilt * 59)]
    xyz = np.round(np.r_[np.c_[x, y, z], wire], 3)
    return xyz, np.r_[kind, np.full(90, "wire", "U6")]


@pytest.mark.parametrize(("seed", "tilt"), [(1, 0.0), (2, 0.3)])
@pytest.mark.parametrize("dense", [False, True])
def test_fitted_ground_keeps_the_ground_and_nothing_else(seed, tilt, dense):
    xyz, kind = village(seed, tilt)
    ground = classes(columns_of(xyz), dense=dense) == 2
    assert ground[kind == "ground"].mean() >= 0.99
    for name in ("roof", "crown", "wire", "low"):
        assert not ground[kind == name].any(), name


def test_fitted_ground_keeps_a_slope_of_forty_degrees():
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, SIDE, (2, int(3 * SIDE**2)))
    z = 200 + np.tan(np.radians(40)) * (0.6 * x + 0.8 * y) + rng.normal(0, NOISE, len(x))
    assert (classes(columns_of(np.c_[x, y, z])) == 2).mean() >= 0.99


def test_fitted_ground_keeps_the_roof_of_no_hall_wider_than_the_largest_disk():
    # 50 x 44 m, where the largest disk is 36 m wide: its rim of drops betrays it.
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 110, (2, 2 * 110**2))
    roof = (abs(x - 55) < 25) & (abs(y - 55) < 22)
    z = np.where(roof, 58.0, 50.0) + rng.normal(0, NOISE, len(x))
    ground = classes(columns_of(np.c_[x, y, z])) == 2
    assert not ground[roof].any()
    assert ground[~roof].mean() >= 0.99


def test_fitted_ground_keeps_level_ground_however_noisy():
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, SIDE, (2, int(4 * SIDE**2)))
    z = 50 + rng.normal(0, 0.06, len(x))
    assert (classes(columns_of(np.c_[x, y, z])) == 2).mean() >= 0.99


# -- what must not matter ------------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", [0.3048, 1200 / 3937], ids=["foot", "US survey foot"])
def test_fitted_ground_gives_feet_and_metres_the_same_labels(unit):
    """Sources: the international foot is 0.3048 m; the US survey foot 1200 / 3937 m (NIST).

    The engine hands metres to the stage; a file in feet keeps thousandths of a foot, so that points move by
    up to 0.15 mm, and those that near to a limit may cross it.
    """
    xyz, _ = village(4)
    in_feet = np.round(xyz / unit, 3) * unit
    assert 0 < np.abs(in_feet - xyz).max() < 2e-4
    differing = np.mean(classes(columns_of(xyz)) != classes(columns_of(in_feet)))
    assert differing < 0.002


@pytest.mark.parametrize("origin", [(512_000.0, 6_854_000.0), (-3_000.0, -6_000_000.0)])
def test_fitted_ground_gives_the_same_labels_wherever_the_site_lies(origin):
    columns = columns_of(village(5)[0])
    here = run_stage(FittedGround(), columns, origin=(0.0, 0.0)).labels
    there = run_stage(FittedGround(), columns, origin=origin).labels
    for name in ("classification", "ground_confidence"):
        np.testing.assert_array_equal(there[name], here[name])


def test_fitted_ground_lays_its_cells_on_the_global_lattice():
    """The same points seen from two local zeros; cells of 3 m don't divide the kilometre between these."""
    columns = columns_of(village(5)[0])
    stage = FittedGround(FittedGroundParams(cell=3.0))
    here = run_stage(stage, columns, origin=(1000.0, 2000.0)).labels
    shifted = columns | {"x": columns["x"] + 1000.0, "y": columns["y"] + 2000.0}
    there = run_stage(stage, shifted, origin=(0.0, 0.0)).labels
    np.testing.assert_array_equal(there["classification"], here["classification"])
    # Cells that start elsewhere would show.
    moved = run_stage(stage, columns, origin=(0.0, 0.0)).labels
    assert (moved["ground_confidence"] != here["ground_confidence"]).any()


def test_fitted_ground_gives_the_same_labels_at_any_height():
    xyz, _ = village(6)
    here, there = classes(columns_of(xyz)), classes(columns_of(xyz + np.array([0, 0, 3000.0])))
    assert np.mean(here != there) < 0.001


@pytest.mark.parametrize("dense", [False, True])
@pytest.mark.parametrize(("edge", "workers"), [(25.0, 1), (17.3, 2), (9.1, 2)])
def test_fitted_ground_gives_the_same_bits_in_any_blocks(edge, workers, dense):
    columns = columns_of(village(7, 0.1)[0])
    stage = FittedGround(FittedGroundParams(dense=dense))
    whole = run_stage(stage, columns)
    parts = run_stage(stage, columns, block_edge=edge, workers=workers)
    for name in ("classification", "ground_confidence"):
        np.testing.assert_array_equal(parts.labels[name], whole.labels[name])
    assert parts.result.figures == whole.result.figures
    assert parts.result.warnings == whole.result.warnings


def test_fitted_ground_gives_labels_that_follow_shuffled_points():
    columns = columns_of(village(8)[0])
    order = np.random.default_rng(1).permutation(len(columns["x"]))
    shuffled = classes({name: values[order] for name, values in columns.items()}, how={"block_edge": 20.0})
    np.testing.assert_array_equal(shuffled, classes(columns)[order])


@pytest.mark.parametrize("turn", [lambda p: p * (-1, 1, 1) + (SIDE, 0, 0), lambda p: p[:, [1, 0, 2]]])
def test_fitted_ground_hardly_minds_a_mirror(turn):
    xyz, kind = village(9)
    here, there = classes(columns_of(xyz)), classes(columns_of(turn(xyz)))
    assert np.mean(here != there) < 0.003
    assert not (there[kind == "roof"] == 2).any()


def test_fitted_ground_takes_a_majority_of_starts():
    columns = columns_of(village(10)[0])
    one, three = (classes(columns, starts=n) == 2 for n in (1, 3))
    assert one.mean() == pytest.approx(three.mean(), abs=0.01)
    assert (one != three).any()
