"""Cues of the fitted ground stage: colour, overlap, flight lines; they may help, and must never harm.

The clouds are made of formulas. The bars are this project's own: where a cue tells it must gain,
where it doesn't nothing may change, and without its columns nothing breaks.
"""

import numpy as np
import pytest

from cloudprep.stages.ground.fitted_ground import FittedGround, FittedGroundParams
from cloudprep.testing import run_stage

SIDE = 40.0
COLOURS = ("red", "green", "blue")
SOIL, LEAVES = (150.0, 130.0, 105.0), (95.0, 125.0, 60.0)


def swell(rng, length, count=7):
    """Return a random field of waves, of about unit variance."""
    way, phase = rng.uniform(0, 2 * np.pi, (2, count))
    pitch = 2 * np.pi / length * rng.uniform(0.7, 1.4, count)

    def at(x, y):
        turned = x[:, None] * np.cos(way) + y[:, None] * np.sin(way)
        return np.sin(pitch * turned + phase).sum(axis=1) / np.sqrt(count / 2)

    return at


def run(columns, *, how=None, **parameters):
    return run_stage(FittedGround(FittedGroundParams(**parameters)), columns, **(how or {}))


def is_ground(columns, **parameters):
    return run(columns, **parameters).labels["classification"] == 2


def without(columns, *names):
    return {n: v for n, v in columns.items() if n not in names}


def field(seed, *, density=40, clumped=0.5, noise=0.02, green_ground=None):
    """Return a photogrammetric field, which points are its ground, and which are herbs.

    Green clumps of 0.1 to 0.4 m and bushes stand on brown soil, or on green ground where ``green_ground``
    says so.
    """
    rng = np.random.default_rng(seed)
    n = int(density * SIDE**2)
    x, y = rng.uniform(0, SIDE, (2, n))
    clump, tall, land = swell(rng, 2.2), swell(rng, 6.0), swell(rng, 40.0)
    grown = clump(x, y)
    herbs = np.clip(1.2 * (grown - np.quantile(grown, 1 - clumped)), 0, 1)
    over = herbs * np.clip(0.25 + 0.08 * tall(x, y), 0.1, 0.4)
    bush = np.zeros(n, bool)
    for bx, by, reach in rng.uniform([0, 0, 0.7], [SIDE, SIDE, 2.0], (14, 3)):
        share = 1 - ((x - bx) ** 2 + (y - by) ** 2) / reach**2
        over = np.where(share > 0, np.maximum(over, 0.3 + 0.9 * reach * np.sqrt(np.maximum(share, 0))), over)
        bush |= share > 0
    ground = over < 0.04
    green = ~ground
    if green_ground is not None:
        green |= green_ground(x, y)
    z = 100 + 0.03 * x + 0.4 * land(x, y) + over + rng.normal(0, noise, n)
    colour = np.where(green[:, None], LEAVES, SOIL) * np.exp(rng.normal(0, 0.12, n))[:, None]
    colour = (np.clip(colour + rng.normal(0, 6, (n, 3)), 0, 255) * 256).astype(np.uint16)
    columns = {"x": np.round(x, 3), "y": np.round(y, 3), "z": np.round(z, 3)}
    columns |= {"classification": np.zeros(n, np.uint8)} | dict(zip(COLOURS, colour.T.copy(), strict=True))
    return columns, ground, ~ground & ~bush


# -- colour --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seed", "kind"), [(1, {}), (2, {}), (3, {"clumped": 0.8}), (4, {"noise": 0.04}), (5, {"density": 15})]
)
def test_green_clumps_on_brown_soil_are_taken_for_ground_less_often_where_colour_shows(seed, kind):
    columns, ground, herbs = field(seed, **kind)
    with_colour, plain = is_ground(columns), is_ground(without(columns, *COLOURS))
    assert plain[herbs].mean() > 0.08
    assert with_colour[herbs].mean() < 0.7 * plain[herbs].mean()
    assert with_colour[ground].mean() >= plain[ground].mean() - 0.0005


def test_colour_alone_makes_nothing_ground():
    columns, _, _ = field(6)
    assert not (is_ground(columns) & ~is_ground(without(columns, *COLOURS))).any()


def test_colour_is_silent_where_everything_is_green():
    columns, _, _ = field(7, green_ground=lambda x, _: x > -1)
    found = run(columns)
    plain = run(without(columns, *COLOURS))
    for name in ("classification", "ground_confidence"):
        np.testing.assert_array_equal(found.labels[name], plain.labels[name])
    assert found.result.figures["ground.green_tells"] < 0.2
    assert "ground.green_tells" not in plain.result.figures


@pytest.mark.parametrize("wide", [5.0, 12.0])
def test_a_mown_lawn_among_brown_soil_loses_nothing_by_its_colour(wide):
    def lawn(x, y):
        return (abs(x - 20) < wide / 2) & (abs(y - 20) < wide / 2)

    columns, ground, _ = field(8, clumped=0.15, green_ground=lawn)
    found = run(columns)
    assert found.result.figures["ground.green_tells"] > 0.5
    plain = is_ground(without(columns, *COLOURS))
    on_lawn = ground & lawn(columns["x"], columns["y"])
    lost = plain & ~(found.labels["classification"] == 2)
    assert on_lawn.sum() > 500
    assert lost[on_lawn].mean() <= 0.003


# -- overlap -------------------------------------------------------------------------------------------------


def test_overlap_points_are_ground_unless_told_otherwise():
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 25, (2, 2400))
    flagged = rng.random(2400) < 0.3
    columns = {"x": x, "y": y, "z": np.full(2400, 50.0), "classification": np.zeros(2400, np.uint8)}
    assert is_ground(columns | {"overlap": flagged}).all()
    told = run(columns | {"overlap": flagged}, overlap=False).labels
    np.testing.assert_array_equal(told["classification"], np.where(flagged, 1, 2))
    assert not told["ground_confidence"][flagged].any()
    assert is_ground(columns, overlap=False).all()


def test_overlap_points_that_are_left_out_carry_no_surface():
    """Those flagged lie 4 m deeper: were they used, they would be the ground."""
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 25, (2, 2400))
    flagged = np.arange(2400) % 2 == 1
    columns = {"x": x, "y": y, "z": np.where(flagged, 46.0, 50.0), "classification": np.zeros(2400, np.uint8)}
    columns["overlap"] = flagged
    np.testing.assert_array_equal(is_ground(columns, overlap=False), ~flagged)
    np.testing.assert_array_equal(is_ground(columns, overlap=True), flagged)


# -- what must not matter ------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(11, 19))
def test_columns_that_say_nothing_change_no_bit(seed):
    columns, _, _ = field(seed, density=8, clumped=0.1 * (seed - 10))
    n = len(columns["x"])
    plain = run(without(columns, *COLOURS))
    dumb = {name: np.full(n, 40 * 256, np.uint16) for name in COLOURS}
    dumb |= {"overlap": np.zeros(n, bool), "point_source_id": np.full(n, 7, np.uint16)}
    found = run({**columns, **dumb})
    for name in ("classification", "ground_confidence"):
        np.testing.assert_array_equal(found.labels[name], plain.labels[name])
    assert found.result.warnings == plain.result.warnings
    black = run({**columns, **{name: np.zeros(n, np.uint16) for name in COLOURS}})
    np.testing.assert_array_equal(black.labels["classification"], plain.labels["classification"])


@pytest.mark.parametrize(("edge", "workers"), [(17.3, 2), (9.1, 1)])
def test_cues_give_the_same_bits_in_any_blocks_and_any_order(edge, workers):
    columns, _, _ = field(19)
    whole = run(columns)
    assert whole.result.figures["ground.green_tells"] > 0.5
    order = np.random.default_rng(1).permutation(len(columns["x"]))
    shuffled = {name: values[order] for name, values in columns.items()}
    parts = run(shuffled, how={"block_edge": edge, "workers": workers})
    for name in ("classification", "ground_confidence"):
        np.testing.assert_array_equal(parts.labels[name], whole.labels[name][order])
    assert parts.result.figures == whole.result.figures
    assert parts.result.warnings == whole.result.warnings
