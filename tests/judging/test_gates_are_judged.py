"""A gate passes on its limits and between them; what is missing or no number misses it."""

from __future__ import annotations

import math

import pytest

from cloudprep.config import Gate
from cloudprep.judging import Judged, Judgement, judge
from cloudprep.judging.words import number_text, short_names
from cloudprep.model.figures import FIGURES


@pytest.mark.parametrize(
    ("limits", "value", "reason"),
    [
        ({"at_least": 0.1}, 0.1, ""),
        ({"at_least": 0.1}, 0.09, "a.b is 0.09, below 0.1"),
        # With six digits both would read 0.1.
        ({"at_least": 0.1}, 0.09999999, "a.b is 0.09999999, below 0.1"),
        ({"at_most": 3}, 3, ""),
        ({"at_most": 3}, 3.5, "a.b is 3.5, above 3"),
        ({"between": (1, 2)}, 1.0, ""),
        ({"between": (1, 2)}, 2.0, ""),
        ({"between": (1, 2)}, math.nextafter(1, 0), "a.b is 0.9999999999999999, below 1"),
        ({"between": (1, 2)}, math.nextafter(2, 3), "a.b is 2.0000000000000004, above 2"),
        ({"at_least": 1, "at_most": 1}, 1.0, ""),
        ({"at_most": 1}, math.nan, "a.b is nan, which is no finite number"),
        ({"at_least": 1}, math.inf, "a.b is inf, which is no finite number"),
        ({"at_most": 1}, -math.inf, "a.b is -inf, which is no finite number"),
    ],
)
def test_limits_belong_to_what_passes(limits: dict[str, float], value: float, reason: str) -> None:
    (found,) = judge([Gate(figure="a.b", **limits)], Judged({"a.b": value}))
    assert (found.passed, found.reason) == (not reason, reason)
    assert found.outcome == ("failed" if reason else "passed")
    assert found.value == (value if math.isfinite(value) else None)


def test_a_missing_figure_fails_its_gate_and_says_what_is_there() -> None:
    figures = {f"figure.{i:02}": 1.0 for i in range(20)}
    missing, typo = judge(
        [Gate(figure="height", at_most=1), Gate(figure="figrue.07", at_most=1)], Judged(figures)
    )
    assert missing.outcome == typo.outcome == "failed"
    assert missing.reason.startswith("no stage gave the figure 'height' (there are: figure.00, figure.01, ")
    assert missing.reason.endswith("figure.11 and 8 more)")
    assert typo.reason.endswith("; did you mean 'figure.07'?")
    (nothing,) = judge([Gate(figure="height", at_most=1)], Judged())
    assert "there are: none" in nothing.reason


def test_a_figure_that_others_have_is_told_so() -> None:
    flights = [Judged({"each": 1.0}, "a.laz")]
    of_flight, of_run = judge(
        [Gate(figure="whole", at_most=1, per="flight"), Gate(figure="each", at_most=1)],
        Judged({"whole": 1.0}),
        flights,
    )
    assert of_flight.reason == (
        "'whole' is a figure of the run as a whole, not of single flights: write 'per: run'"
    )
    assert of_run.reason == "'each' is a figure of single flights, not of the run: write 'per: flight'"
    assert of_flight.outcome == of_run.outcome == "failed"


def test_every_flight_is_judged_and_named_in_the_order_of_gates_then_flights(judged: Judgement) -> None:
    outcomes = [(g.figure, g.flight.rpartition("/")[2][:3], g.outcome) for g in judged.gates]
    density = [("points.density", "a.l", "passed"), ("points.density", "a|b", "failed")]
    assert outcomes == [
        ("ground.share", "", "passed"),
        ("noise.share", "", "warned"),
        ("voids.count", "", "failed"),
        *density,
        ("points.density", "bro", "not_judged"),
        *density,
        ("points.density", "bro", "not_judged"),
        ("ground.share", "a.l", "passed"),
        ("ground.share", "a|b", "warned"),
        ("ground.share", "bro", "not_judged"),
    ]
    assert judged.gates[4].reason == "points.density is 3.9999999 per m2, below 4 per m2"
    assert judged.gates[5].reason == "the input failed: cut short"
    assert not judged.gates[5].passed
    assert judged.gates[1].why == "birds & <dust> | told"


def test_two_hundred_flights_and_one_give_a_record_each() -> None:
    gates = [Gate(figure="points.count", at_least=100, per="flight"), Gate(figure="points.count", at_least=1)]
    for number in (1, 200):
        flights = [Judged({"points.count": float(i)}, f"f{i}.laz") for i in range(number)]
        found = judge(gates, Judged({"points.count": 5.0}), flights, FIGURES)
        assert [g.flight for g in found] == [*(f"f{i}.laz" for i in range(number)), ""]
        assert [g.passed for g in found] == [*(i >= 100 for i in range(number)), True]


def test_without_any_flight_that_could_be_used_nothing_is_judged() -> None:
    (found,) = judge([Gate(figure="points.count", at_least=1)], Judged(nothing="no input could be used"))
    assert (found.outcome, found.passed, found.reason) == ("not_judged", False, "no input could be used")


def test_names_of_flights_are_short_and_differ() -> None:
    paths = ["/d/x/a.laz", "/d/y/a.laz", "s3://k/a.laz", "b.laz", "a.laz"]
    names = short_names(paths)
    assert list(names) == paths
    assert len(set(names.values())) == len(paths)
    assert (names["/d/x/a.laz"], names["b.laz"]) == ("x/a.laz", "b.laz")
    assert short_names([]) == {}


def test_numbers_are_as_short_as_they_may_be() -> None:
    assert number_text(0.25, 0.3) == "0.25"
    assert number_text(12_345_678.0) == "12345678"
    assert number_text(-0.0) == "-0"
    assert float(number_text(2 / 3, 0.666667)) == 2 / 3


def test_an_optional_gate_judges_a_figure_that_is_there_and_no_other() -> None:
    gate = Gate(figure="overlaps.offset", at_most=0.08, per="flight", optional=True)
    alone, well, badly, rotten = judge(
        [gate],
        Judged({"points.count": 4.0}),
        [
            Judged({"points.count": 1.0}, "alone.laz"),
            Judged({"overlaps.offset": 0.01}, "well.laz"),
            Judged({"overlaps.offset": 0.2}, "badly.laz"),
            Judged({"overlaps.offset": math.nan}, "rotten.laz"),
        ],
    )
    assert [g.outcome for g in (alone, well, badly, rotten)] == ["not_judged", "passed", "failed", "failed"]
    assert alone.reason == "there is no 'overlaps.offset' here, and the gate is optional"
