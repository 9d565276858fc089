"""Flight lines of unequal quality: one that lies too high or low keeps its ground; nothing else changes.

The clouds are made of formulas, the bars this project's own.
"""

import re

import numpy as np
import pytest

from cloudprep.stages.ground.fitted_ground import FittedGround, FittedGroundParams
from cloudprep.testing import run_stage

SIDE = 60.0


def survey(seed, offsets, *, shares=None, spans=None, density=4, slope=0.1):
    """Return columns and which points are ground: a slope with waves, bushes, and flight lines from 1 on.

    ``offsets`` says how much too high each line lies, ``spans`` from where to where it reaches along x.
    """
    rng = np.random.default_rng(seed)
    columns = []
    for k, offset in enumerate(offsets):
        n = int(density * SIDE**2 * (shares[k] if shares else 1.0))
        left, right = spans[k] if spans else (0, SIDE)
        x, y = rng.uniform(left, right, n), rng.uniform(0, SIDE, n)
        over = np.where(rng.random(n) < 0.15, rng.uniform(0.5, 3, n), 0.0)
        z = 50 + slope * x + 1.5 * np.sin(y / 9) + over + rng.normal(0, 0.03, n) + offset
        columns.append(np.c_[x, y, z, over, np.full(n, k + 1)])
    x, y, z, over, line = np.concatenate(columns).T
    cloud = {"x": np.round(x, 3), "y": np.round(y, 3), "z": np.round(z, 3)}
    cloud |= {"classification": np.zeros(len(x), np.uint8), "point_source_id": line.astype(np.uint16)}
    return cloud, over == 0


def run(columns, *, how=None, **parameters):
    return run_stage(FittedGround(FittedGroundParams(**parameters)), columns, **(how or {}))


def kept(found, ground, line):
    return (found.labels["classification"] == 2)[ground & line].mean()


def without_lines(columns):
    return {name: values for name, values in columns.items() if name != "point_source_id"}


@pytest.mark.parametrize("offset", [0.2, -0.2, 0.12, 0.5])
def test_a_line_that_is_out_of_place_keeps_its_ground(offset):
    columns, ground = survey(1, (0, offset, 0))
    found, blind = run(columns), run(without_lines(columns))
    second = columns["point_source_id"] == 2
    assert kept(found, ground, second) > 0.99
    assert kept(found, ground, ~second) > 0.99
    assert (found.labels["classification"] == 2)[~ground].mean() < 0.01
    if abs(offset) >= 0.2:
        # What is lost without the cue is what lies higher.
        assert kept(blind, ground, second if offset > 0 else ~second) < 0.9
    assert found.result.figures["ground.lines_worst_offset"] == pytest.approx(abs(offset), abs=0.01)


def test_a_warning_names_the_line_and_the_offset():
    columns, _ = survey(2, (0, 0.21, 0))
    (warning,) = run(columns).result.warnings
    lie, what_then = warning.split(": ")
    assert lie == "flight line 2 lies 0.21 m above the others"
    assert what_then == "its ground is judged at its own height; look at the alignment before use"


def test_of_two_lines_the_warning_names_both():
    columns, _ = survey(3, (0, -0.3), spans=((0, SIDE), (30, SIDE)))
    (warning,) = run(columns).result.warnings
    assert warning.startswith("flight line 2 lies 0.30 m below flight line 1: its ground is judged")


def test_the_worst_lines_come_first_and_three_are_named():
    columns, _ = survey(4, (0, 0.2, 0, -0.3, 0, 0.25, 0, 0.4, 0), density=1.5)
    (warning,) = run(columns).result.warnings
    assert re.match(
        r"flight lines 8 \(0\.(39|40|41) m above\), 4 \(0\.(29|30|31) m below\), "
        r"6 \(0\.(24|25|26) m above\) and 1 more lie off the others: "
        r"their ground is judged at the height of each line; ",
        warning,
    )


def test_a_line_whose_ground_lies_beyond_an_overlap_keeps_it():
    columns, ground = survey(5, (0, 0.25), spans=((0, 40), (25, SIDE)))
    found = run(columns)
    for line in (1, 2):
        assert kept(found, ground, columns["point_source_id"] == line) > 0.99


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"slope": 1.0},
        {"shares": (1, 0.15, 1)},
        {"spans": ((0, 20), (20, 40), (40, SIDE)), "offsets": (0, 0.3, 0)},
    ],
    ids=["level", "steep", "thin", "apart"],
)
def test_lines_in_place_and_lines_without_overlap_change_no_bit(how):
    columns, _ = survey(6, **{"offsets": (0, 0, 0), **how})
    found, blind = run(columns), run(without_lines(columns))
    for name in ("classification", "ground_confidence"):
        np.testing.assert_array_equal(found.labels[name], blind.labels[name])
    assert found.result.warnings == blind.result.warnings


@pytest.mark.parametrize("number", [0, 9, 65535])
def test_one_line_says_nothing_whatever_its_number(number):
    columns, _ = survey(7, (0, 0.2))
    blind = run(without_lines(columns))
    found = run(columns | {"point_source_id": np.full(len(columns["x"]), number, np.uint16)})
    np.testing.assert_array_equal(found.labels["classification"], blind.labels["classification"])
    assert found.result.figures == blind.result.figures
    assert found.result.warnings == blind.result.warnings


def test_lines_say_nothing_where_no_finer_surface_is_drawn():
    columns, _ = survey(8, (0, 0.2))
    found, blind = run(columns, dense=False), run(without_lines(columns), dense=False)
    np.testing.assert_array_equal(found.labels["classification"], blind.labels["classification"])
    assert found.result.warnings == blind.result.warnings


def test_hundreds_of_lines_break_nothing():
    columns, ground = survey(9, (0,), density=8)
    columns["point_source_id"] = np.random.default_rng(9).integers(0, 700, len(ground)).astype(np.uint16)
    found = run(columns)
    assert kept(found, ground, np.ones(len(ground), bool)) > 0.99


@pytest.mark.parametrize(("edge", "workers"), [(17.3, 2), (9.1, 1)])
def test_lines_out_of_place_give_the_same_bits_in_any_blocks_and_any_order(edge, workers):
    columns, _ = survey(10, (0, 0.2, -0.15))
    whole = run(columns)
    assert "lie off the others" in whole.result.warnings[0]
    order = np.random.default_rng(1).permutation(len(columns["x"]))
    shuffled = {name: values[order] for name, values in columns.items()}
    parts = run(shuffled, how={"block_edge": edge, "workers": workers})
    for name in ("classification", "ground_confidence"):
        np.testing.assert_array_equal(parts.labels[name], whole.labels[name][order])
    assert parts.result.figures == whole.result.figures
    assert parts.result.warnings == whole.result.warnings
