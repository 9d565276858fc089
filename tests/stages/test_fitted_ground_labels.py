"""What the fitted ground stage does to labels: which points may be ground, which stay, how sure it is.

Source: the class codes of LAS 1.4-R15, table 17 (2 ground, 7 and 18 noise, 9 water); the rest is the stage's
own documentation.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from cloudprep.stages.ground.fitted_ground import FittedGround, FittedGroundParams, _doubts
from cloudprep.testing import facts_of, run_stage

GROUND, ABOVE = 50.0, 58.0


def labelled(rows, *, ground_class=0, **parameters):
    """Return labels of some points on, above or below level ground, and of the ground itself.

    Each row gives a height and its columns; the ground is 676 points with single returns.
    """
    grid = np.arange(26) + 0.5
    x, y = (a.ravel() for a in np.meshgrid(grid, grid))
    px, py = np.random.default_rng(1).uniform(4, 22, (2, len(rows)))
    columns = {
        "x": np.r_[x, px],
        "y": np.r_[y, py],
        "z": np.r_[np.full(len(x), GROUND), [height for height, _ in rows]],
    }
    usual = {"classification": ground_class, "return_number": 1, "number_of_returns": 1, "withheld": False}
    for name, value in usual.items():
        given = [more.get(name, 0 if name == "classification" else value) for _, more in rows]
        columns[name] = np.array([value] * len(x) + given, bool if name == "withheld" else np.uint8)
    run = run_stage(FittedGround(FittedGroundParams(**parameters)), columns)
    classes, sure = (run.labels[name].astype(int) for name in ("classification", "ground_confidence"))
    assert set(classes[: len(x)]) == {2}
    return classes[len(x) :].tolist(), sure[len(x) :].tolist(), sure[: len(x)]


def classes_of(rows, **parameters):
    return labelled(rows, **parameters)[0]


def test_fitted_ground_turns_open_classes_into_ground_or_unclassified():
    rows = [(height, {"classification": k}) for height in (GROUND, ABOVE) for k in (0, 1, 2)]
    assert classes_of(rows) == [2, 2, 2, 1, 1, 1]


def test_fitted_ground_keeps_other_classes_above_ground():
    codes = [3, 4, 5, 6, 8, 10, 14, 17, 64, 255]
    assert classes_of([(ABOVE, {"classification": k}) for k in codes]) == codes
    assert classes_of([(GROUND, {"classification": k}) for k in codes]) == [2] * len(codes)


@pytest.mark.parametrize("height", [GROUND, ABOVE, GROUND - 3])
def test_fitted_ground_leaves_noise_withheld_points_and_kept_classes_alone(height):
    rows = [(height, {"classification": k}) for k in (7, 18, 9)]
    rows += [(height, {"classification": k, "withheld": True}) for k in (0, 1, 2, 6)]
    classes, sure, _ = labelled(rows)
    assert classes == [7, 18, 9, 0, 1, 2, 6]
    assert sure == [0] * 7
    assert classes_of([(height, {"classification": k}) for k in (1, 3)], keep_classes=(1, 3)) == [1, 3]
    water = classes_of([(height, {"classification": 9})], keep_classes=())
    assert water == [2 if height == GROUND else 9]


def test_fitted_ground_takes_last_and_single_returns_only_unless_told():
    returns = [(1, 1), (1, 2), (2, 2), (1, 3), (2, 3), (3, 3), (0, 0)]
    rows = [(GROUND, {"return_number": r, "number_of_returns": n}) for r, n in returns]
    classes, sure, _ = labelled(rows)
    # 0 of 0 is what files without return numbers carry: it counts as a single return.
    assert classes == [2, 1, 2, 1, 1, 2, 2]
    assert [s > 0 for s in sure] == [k == 2 for k in classes]
    assert classes_of(rows, returns="all") == [2] * 7


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
def test_fitted_ground_does_not_build_its_surface_on_what_it_leaves_out(unused):
    """A whole second ground 4 m below: were it used, it would be the ground, and the true one would not."""
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 25, (2, 2400))
    deep = np.arange(2400) % 2 == 1
    columns = {"x": x, "y": y, "z": np.where(deep, GROUND - 4, GROUND)}
    for name, usual in (("classification", 0), ("return_number", 1), ("number_of_returns", 1)):
        columns[name] = np.where(deep, unused.get(name, usual), usual).astype(np.uint8)
    columns["withheld"] = deep & unused.get("withheld", False)
    found = run_stage(FittedGround(), columns).labels["classification"] == 2
    assert found[~deep].all()
    assert not found[deep].any()
    for name in ("classification", "return_number", "number_of_returns", "withheld"):
        columns[name] = np.where(deep, columns[name][0], columns[name])
    found = run_stage(FittedGround(), columns).labels["classification"] == 2
    assert found[deep].mean() > 0.99
    assert found[~deep].mean() < 0.01


def test_fitted_ground_says_how_sure_it_is():
    heights = [GROUND, GROUND + 0.2, GROUND + 0.31, GROUND + 0.8, ABOVE, GROUND - 3]
    classes, sure, ground = labelled([(h, {}) for h in heights], dense=False)
    assert classes == [2, 2, 1, 1, 1, 1]
    assert min(sure) >= 1
    assert max(sure) <= 99
    assert sure[0] > sure[1]
    assert sure[2] < sure[3] <= sure[4]
    assert np.median(ground) >= 95


# -- little or nothing to go by ------------------------------------------------------------------------------


def cloud(xyz, **more):
    x, y, z = np.reshape(np.asarray(xyz, float), (-1, 3)).T.copy()
    return {"x": x, "y": y, "z": z, "classification": np.zeros(len(x), np.uint8), **more}


SMALL = {
    "one": [(1, 2, 3.7)],
    "two": [(1, 2, 3.7), (1.1, 2, -50)],
    "two far apart": [(1, 2, 3.7), (90, 70, 30.3)],
    "in one place": [(5, 5, 5.5)] * 40,
    "in one cell": [(5 + 0.01 * k, 5.2, 5 + 0.001 * k) for k in range(40)],
    "on a vertical line": [(3, 4, k) for k in range(60)],
    "on a line": [(0.5 * k, k, 100) for k in range(60)],
    "on two levels": [(k % 6, k // 6, 40.0 * (k % 2)) for k in range(36)],
}


@pytest.mark.parametrize("name", SMALL)
@pytest.mark.parametrize("dense", [False, True])
def test_fitted_ground_copes_with_few_points(name, dense):
    columns = cloud(SMALL[name])
    stage = FittedGround(FittedGroundParams(dense=dense))
    run = run_stage(stage, columns)
    assert set(run.labels["classification"]) <= {1, 2}
    sure = run.labels["ground_confidence"]
    assert ((sure >= 1) & (sure <= 99)).all()
    np.testing.assert_array_equal(
        run_stage(stage, columns, block_edge=7.0).labels["classification"], run.labels["classification"]
    )


@pytest.mark.parametrize("name", ["one", "in one place", "in one cell", "on a line"])
def test_fitted_ground_takes_what_little_there_is_for_ground(name):
    assert (run_stage(FittedGround(), cloud(SMALL[name])).labels["classification"] == 2).all()


def test_fitted_ground_copes_with_any_handful_of_points():
    rng = np.random.default_rng(1)
    for _ in range(60):
        n = rng.integers(1, 7)
        xyz = rng.uniform(0, rng.choice([0.5, 4, 30]), (n, 3)) * (1, 1, rng.choice([0.1, 1, 20]))
        run = run_stage(FittedGround(), cloud(np.round(xyz, 3)))
        assert set(run.labels["classification"]) <= {1, 2}


@pytest.mark.parametrize(
    "more",
    [
        {"classification": np.full(400, 7, np.uint8)},
        {"classification": np.full(400, 9, np.uint8)},
        {"withheld": np.ones(400, bool)},
        {"return_number": np.ones(400, np.uint8), "number_of_returns": np.full(400, 2, np.uint8)},
    ],
)
@pytest.mark.parametrize("block_edge", [None, 8.0])
def test_fitted_ground_without_usable_points_warns_in_words_and_finds_none(more, block_edge):
    rng = np.random.default_rng(1)
    columns = cloud(np.c_[rng.uniform(0, 20, (400, 2)), np.full(400, 50.0)]) | more
    run = run_stage(FittedGround(), columns, block_edge=block_edge)
    assert any("no point can be ground" in words for words in run.result.warnings)
    assert not (run.labels["classification"] == 2).any()
    assert not run.labels["ground_confidence"].any()
    assert run.result.figures["ground.points"] == 0
    assert run.result.figures["ground.share"] == 0


# -- derived values, figures, warnings -----------------------------------------------------------------------


@pytest.mark.parametrize(("density", "dense"), [(20.0, True), (0.5, False), (0.06, False)])
def test_fitted_ground_derives_its_values_from_the_spacing_and_says_why(density, dense):
    rng = np.random.default_rng(1)
    count = int(density * 100**2)
    facts = facts_of(cloud(np.c_[rng.uniform(0, 100, (count, 2)), np.full(count, 50.0)]))
    stage = FittedGround().resolved(facts)
    # The sizes lie a quarter apart, so that the next one is half of that away.
    assert stage.params.cell == pytest.approx(max(1.0, facts.spacing / 2), rel=0.14)
    assert stage.params.cell >= 1.0
    assert stage.params.dense == dense
    assert stage.params.starts == (1 if dense else 2)
    assert (1000 / stage.params.cell).is_integer()
    for name in ("cell", "dense", "starts"):
        assert f"{facts.spacing:.2f} m" in stage.reasons[name]
    chosen = FittedGround(FittedGroundParams(cell=4.0, dense=True, starts=3)).resolved(facts)
    assert (chosen.params.cell, chosen.params.dense, chosen.params.starts) == (4.0, True, 3)
    assert not chosen.reasons


@pytest.mark.parametrize("block_edge", [None, 31.0])
def test_fitted_ground_figures_count_the_ground_and_its_noise(block_edge):
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 50, (2, 15_000))
    high = rng.random(15_000) < 0.05
    columns = cloud(np.c_[x, y, 0.1 * x + rng.normal(0, 0.02, 15_000) + 5.0 * high])
    columns["classification"][:100] = 7
    run = run_stage(FittedGround(), columns, block_edge=block_edge)
    ground = np.count_nonzero(run.labels["classification"] == 2)
    assert 0.93 * 15_000 < ground <= np.count_nonzero(~high[100:])
    assert run.result.figures["ground.points"] == ground
    assert run.result.figures["ground.share"] == pytest.approx(ground / 15_000, rel=1e-12)
    assert run.result.figures["ground.noise"] == pytest.approx(0.02, rel=0.2)
    assert not run.result.warnings


@pytest.mark.parametrize(("rough", "overgrown"), [(0.1, 1.5), (0.5, 0.3), (0.3, 0.8), (1.2, 2.0)])
def test_fitted_ground_warns_where_its_ground_is_both_rough_and_overgrown(rough, overgrown):
    """The median of the surfaces counts: two of three are as said, the third says the contrary."""
    contrary = (0.0, 0.0) if rough >= 0.2 and overgrown >= 0.65 else (9.0, 9.0)
    surfaces = [SimpleNamespace(roughness=r, overgrown=o) for r, o in ((rough, overgrown), contrary)]
    warnings = _doubts([*surfaces, surfaces[0]])
    if contrary == (9.0, 9.0):
        assert warnings == ()
    else:
        (words,) = warnings
        assert "there may be no ground here" in words
        assert f"{rough:.2f} m" in words
        assert "\n" not in words
