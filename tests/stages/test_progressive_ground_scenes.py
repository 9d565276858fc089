"""The progressive ground stage on scenes whose every point is known, and what it does to labels.

The scenes are made of formulas: 2 pulses a square metre, 6 cm noise, buildings without walls, trees that let
some pulses through. Bars were measured on eight seeds and lie just beyond the worst of them.
"""

import numpy as np
import pytest

from cloudprep.stages.ground.progressive_ground import ProgressiveGround, ProgressiveGroundParams
from cloudprep.testing import facts_of, run_stage

SEEDS = (1, 2, 3)
DENSITY = 2.0
NOISE = 0.06


def pulses(seed, side):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, side, (2, int(DENSITY * side**2)))
    return rng, x, y


def cloud(x, y, z, rng):
    return np.round(np.c_[x, y, z + rng.normal(0, NOISE, len(x))], 3)


def kinds(count, **members):
    kind = np.full(count, "ground", "U8")
    for name, of_it in members.items():
        kind[of_it] = name
    return kind


def noisy_plane(seed):
    rng, x, y = pulses(seed, 100)
    return cloud(x, y, np.full(len(x), 50.0), rng), kinds(len(x))


def steep_slope(seed):
    rng, x, y = pulses(seed, 100)
    turn = rng.uniform(0, 2 * np.pi)
    rise = np.tan(np.radians(30))
    return cloud(x, y, 200 + rise * (np.cos(turn) * x + np.sin(turn) * y), rng), kinds(len(x))


def house_on_slope(seed):
    rng, x, y = pulses(seed, 90)
    z = 300 + 0.25 * x + 0.3 * np.sin(x / 4) * np.sin(y / 3)
    # A ridged roof; its eaves stand 3 m above the ground uphill and 6 m downhill.
    roof = (abs(x - 45) < 6) & (abs(y - 44) < 5)
    z[roof] = 300 + 0.25 * 51 + 3 + 0.6 * (5 - abs(y[roof] - 44))
    return cloud(x, y, z, rng), kinds(len(x), roof=roof)


def hall(seed):
    rng, x, y = pulses(seed, 120)
    z = 100 + 0.03 * x + 0.3 * np.sin(x / 4) * np.sin(y / 3)
    roof = (abs(x - 60) < 25) & (abs(y - 60) < 20)
    z[roof] = 112
    return cloud(x, y, z, rng), kinds(len(x), roof=roof)


def trees(seed):
    """Crowns of 4 to 9 m that let a quarter of the pulses through to the ground."""
    rng, x, y = pulses(seed, 100)
    z = 100 + 3 * np.sin(x / 25) + 0.05 * y
    bare = z.copy()
    for cx, cy, radius in rng.uniform([0, 0, 2], [100, 100, 4.5], (90, 3)):
        share = ((x - cx) ** 2 + (y - cy) ** 2) / radius**2
        hit = (share < 1) & (rng.random(len(x)) < 0.75)
        top = bare + 3 + 2.5 * radius * np.sqrt(np.maximum(1 - share, 0))
        z[hit] = top[hit] - rng.uniform(0, radius, hit.sum())
    return cloud(x, y, z, rng), kinds(len(x), crown=z > bare)


def columns_of(xyz, **more):
    n = len(xyz)
    x, y, z = xyz.T.copy()
    return {"x": x, "y": y, "z": z, "classification": np.zeros(n, np.uint8), **more}


def found(xyz, **parameters):
    """Return which points the stage takes for ground."""
    stage = ProgressiveGround(ProgressiveGroundParams(**parameters))
    return run_stage(stage, columns_of(xyz)).labels["classification"] == 2


@pytest.mark.parametrize("seed", SEEDS)
def test_progressive_ground_keeps_a_noisy_plane(seed):
    xyz, _ = noisy_plane(seed)
    assert found(xyz).mean() >= 0.999


@pytest.mark.parametrize("seed", SEEDS)
def test_progressive_ground_keeps_a_slope_of_thirty_degrees(seed):
    xyz, _ = steep_slope(seed)
    assert found(xyz).mean() >= 0.995


@pytest.mark.parametrize("seed", SEEDS)
def test_progressive_ground_keeps_the_slope_and_not_the_house_on_it(seed):
    xyz, kind = house_on_slope(seed)
    ground = found(xyz)
    assert not ground[kind == "roof"].any()
    assert ground[kind == "ground"].mean() >= 0.995


@pytest.mark.parametrize("seed", SEEDS)
def test_progressive_ground_takes_no_hall_that_its_windows_span(seed):
    xyz, kind = hall(seed)
    ground = found(xyz)
    assert ground[kind == "roof"].mean() <= 0.005
    assert ground[kind == "ground"].mean() >= 0.995
    # The paper's limit: what is wider than the largest window can't be told from ground.
    assert found(xyz, largest_window=20.0)[kind == "roof"].mean() > 0.9


@pytest.mark.parametrize("seed", SEEDS)
def test_progressive_ground_finds_the_ground_below_trees(seed):
    xyz, kind = trees(seed)
    ground = found(xyz)
    assert ground[kind == "ground"].mean() >= 0.995
    assert ground[kind == "crown"].mean() <= 0.004


# -- labels --------------------------------------------------------------------------------------------------

GROUND_HEIGHT, ABOVE = 50.0, 58.0


def labelled_with_ground(rows, **parameters):
    """Return the classes that some points get on, above or below level ground, and those of the ground.

    Each row gives a height and its columns; the ground is 1,600 points of class 0 with single returns.
    """
    grid = np.arange(40) + 0.5
    x, y = (a.ravel() for a in np.meshgrid(grid, grid))
    rng = np.random.default_rng(1)
    px, py = rng.uniform(5, 35, (2, len(rows)))
    base = {"classification": 0, "return_number": 1, "number_of_returns": 1, "withheld": False}
    columns = {
        "x": np.r_[x, px],
        "y": np.r_[y, py],
        "z": np.r_[np.full(len(x), GROUND_HEIGHT), [height for height, _ in rows]],
    }
    for name, usual in base.items():
        dtype = bool if name == "withheld" else np.uint8
        columns[name] = np.array([usual] * len(x) + [more.get(name, usual) for _, more in rows], dtype)
    run = run_stage(ProgressiveGround(ProgressiveGroundParams(**parameters)), columns)
    classes = run.labels["classification"].tolist()
    return classes[len(x) :], classes[: len(x)]


def labelled(rows, **parameters):
    classes, ground = labelled_with_ground(rows, **parameters)
    assert set(ground) == {2}
    return classes


def test_progressive_ground_turns_open_classes_into_ground_or_unclassified():
    rows = [(height, {"classification": k}) for height in (GROUND_HEIGHT, ABOVE) for k in (0, 1, 2)]
    assert labelled(rows) == [2, 2, 2, 1, 1, 1]


def test_progressive_ground_keeps_other_classes_above_ground():
    # What earlier stages or people said of an object stays; on the ground the stage's own word counts.
    classes = [3, 4, 5, 6, 8, 10, 14, 17, 64, 255]
    assert labelled([(ABOVE, {"classification": k}) for k in classes]) == classes
    assert labelled([(GROUND_HEIGHT, {"classification": k}) for k in (3, 6, 64)]) == [2, 2, 2]


@pytest.mark.parametrize("height", [GROUND_HEIGHT, ABOVE])
def test_progressive_ground_leaves_noise_withheld_points_and_kept_classes_alone(height):
    rows = [(height, {"classification": k}) for k in (7, 18, 9)]
    rows += [(height, {"classification": k, "withheld": True}) for k in (0, 1, 2, 6)]
    assert labelled(rows) == [7, 18, 9, 0, 1, 2, 6]
    # Which classes are kept is the user's word: here vegetation and even "ground", but no longer water.
    assert labelled([(height, {"classification": k}) for k in (2, 3)], keep_classes=(2, 3)) == [2, 3]
    water = labelled([(height, {"classification": 9})], keep_classes=())
    assert water == [2 if height == GROUND_HEIGHT else 9]


@pytest.mark.parametrize(
    "unused",
    [
        {"classification": 7},
        {"classification": 18},
        {"classification": 9},
        {"withheld": True},
        {"return_number": 1, "number_of_returns": 2},
    ],
)
def test_progressive_ground_does_not_build_its_surface_on_what_it_leaves_out(unused):
    # Low points 4 m down; were they used, the points on the ground around would stand above the surface.
    _, ground = labelled_with_ground([(GROUND_HEIGHT - 4, {})] * 60)
    assert ground.count(2) < 0.99 * len(ground)
    assert 2 not in labelled([(GROUND_HEIGHT - 4, unused)] * 60)


def test_progressive_ground_takes_last_and_single_returns_only_unless_told():
    returns = [(1, 1), (1, 2), (2, 2), (1, 3), (2, 3), (3, 3), (0, 0)]
    rows = [(GROUND_HEIGHT, {"return_number": r, "number_of_returns": n}) for r, n in returns]
    # 0 of 0 is what files without return numbers carry: it counts as a single return.
    assert labelled(rows) == [2, 1, 2, 1, 1, 2, 2]
    assert labelled(rows, returns="all") == [2] * 7
    # A return before the last loses an old label, but not one that says more than "ground".
    early = {"return_number": 1, "number_of_returns": 2}
    rows = [(GROUND_HEIGHT, {**early, "classification": k}) for k in (2, 5, 6)]
    assert labelled(rows) == [1, 5, 6]


def test_progressive_ground_takes_all_points_where_there_are_no_return_numbers():
    xyz, _ = noisy_plane(1)
    columns = columns_of(xyz)
    plain = run_stage(ProgressiveGround(), columns).labels["classification"]
    single = np.ones(len(xyz), np.uint8)
    counted = run_stage(ProgressiveGround(), columns | {"return_number": single, "number_of_returns": single})
    np.testing.assert_array_equal(plain, counted.labels["classification"])


@pytest.mark.parametrize(
    "more",
    [
        {"classification": np.full(400, 7, np.uint8)},
        {"classification": np.full(400, 9, np.uint8)},
        {"withheld": np.ones(400, bool)},
        {"return_number": np.ones(400, np.uint8), "number_of_returns": np.full(400, 2, np.uint8)},
    ],
)
def test_progressive_ground_without_usable_points_warns_in_words_and_finds_none(more):
    rng = np.random.default_rng(1)
    xyz = np.c_[rng.uniform(0, 20, (400, 2)), np.full(400, 50.0)]
    columns = columns_of(xyz) | more
    run = run_stage(ProgressiveGround(), columns)
    assert any("no point can be ground" in words for words in run.result.warnings)
    assert not (run.labels["classification"] == 2).any()
    assert run.result.figures["ground.points"] == 0
    assert run.result.figures["ground.share"] == 0


def test_progressive_ground_does_not_warn_where_it_finds_ground():
    xyz, _ = noisy_plane(1)
    assert not run_stage(ProgressiveGround(), columns_of(xyz)).result.warnings


# -- derived values and figures ------------------------------------------------------------------------------


@pytest.mark.parametrize(("density", "least", "most"), [(20.0, 1.0, 1.0), (0.5, 1.1, 2.0), (0.04, 4.0, 5.0)])
def test_progressive_ground_derives_its_cell_from_the_spacing_and_says_why(density, least, most):
    rng = np.random.default_rng(1)
    count = int(density * 100**2)
    facts = facts_of(columns_of(np.c_[rng.uniform(0, 100, (count, 2)), np.full(count, 50.0)]))
    stage = ProgressiveGround().resolved(facts)
    assert least <= stage.params.cell <= most
    assert (1000 / stage.params.cell).is_integer()
    assert stage.params.cell >= 0.8 * facts.spacing
    assert f"{facts.spacing:.2f} m" in stage.reasons["cell"]
    chosen = ProgressiveGround(ProgressiveGroundParams(cell=3.0)).resolved(facts)
    assert chosen.params.cell == 3.0
    assert "cell" not in chosen.reasons


@pytest.mark.parametrize("block_edge", [None, 31.0])
def test_progressive_ground_figures_count_the_ground(block_edge):
    xyz, kind = house_on_slope(1)
    columns = columns_of(xyz)
    columns["classification"][kind == "roof"] = 6
    columns["classification"][:100] = 7
    run = run_stage(ProgressiveGround(), columns, block_edge=block_edge)
    ground = np.count_nonzero(run.labels["classification"] == 2)
    assert 0.9 * len(xyz) < ground < len(xyz) - 100
    assert run.result.figures["ground.points"] == ground
    assert run.result.figures["ground.share"] == pytest.approx(ground / len(xyz), rel=1e-12)
