"""Points that are there twice, and flights that don't fit each other, are found and measured."""

import numpy as np
import pytest

from cloudprep.stages.capture.flight_overlaps import FlightOverlaps
from cloudprep.stages.capture.repeated_points import RepeatedPoints
from cloudprep.testing import run_stage


def flight(number=0, line=1, seed=1, count=8000, rise=0.0, west=0.0, noise=0.03):
    """Return a flight over hilly ground, 60 m square: single returns, heights to the millimetre."""
    rng = np.random.default_rng(seed)
    x, y = np.round(rng.uniform(0, 60, (2, count)), 3)
    x += west
    z = 100 + 0.05 * x + np.sin(y / 20) + rise + rng.normal(0, noise, count)
    return {
        "x": x,
        "y": y,
        "z": np.round(z, 3),
        "classification": np.zeros(count, np.uint8),
        "withheld": np.zeros(count, bool),
        "return_number": np.ones(count, np.uint8),
        "number_of_returns": np.ones(count, np.uint8),
        "point_source_id": np.full(count, line, np.uint16),
        "gps_time": np.sort(rng.uniform(0, 60, count)),
        "flight": np.full(count, number, np.uint16),
    }


def joined(*flights):
    return {name: np.concatenate([one[name] for one in flights]) for name in flights[0]}


def some(columns, rows):
    return {name: values[rows] for name, values in columns.items()}


def test_copies_in_a_flight_count_and_the_first_of_them_doesnt():
    one = flight()
    copies = some(one, np.r_[0:100, 0:100, 50:60])
    result = run_stage(RepeatedPoints(), joined(one, copies)).result
    figures = result.flight_figures[0]
    assert figures["repeated.within_share"] == 210 / 8210
    assert figures["repeated.between_share"] == 0
    assert any("210 points" in line for line in result.warnings)


@pytest.mark.parametrize("column", ["gps_time", "return_number", "x", "z"])
def test_points_that_differ_in_anything_are_no_copies(column):
    one = flight()
    other = some(one, slice(0, 100))
    other[column] = other[column] + np.array(0.001 if column != "return_number" else 1, other[column].dtype)
    assert run_stage(RepeatedPoints(), joined(one, other)).result.figures["repeated.within_share"] == 0


def test_a_flight_delivered_twice_is_told_of_both():
    one = flight()
    again = {**one, "flight": np.full(8000, 1, np.uint16)}
    # Coordinates of another file may differ in their last bits.
    again["x"] = again["x"] + 1e-9
    other = flight(2, seed=5)
    whole = run_stage(RepeatedPoints(), joined(one, again, other)).result
    assert [whole.flight_figures[k]["repeated.between_share"] for k in range(3)] == [1, 1, 0]
    assert [whole.flight_figures[k]["repeated.within_share"] for k in range(3)] == [0, 0, 0]
    assert any("delivered twice" in line for line in whole.warnings)
    # An edge of a block runs through rounded coordinates.
    edge = joined(one, again, other)
    edge["x"] = np.round(edge["x"] * 4) / 4 + np.where(edge["flight"] == 1, -1e-11, 0)
    assert (
        run_stage(RepeatedPoints(), edge, block_edge=10.0).result.flight_figures
        == run_stage(RepeatedPoints(), edge).result.flight_figures
    )


def test_flights_in_place_have_no_offset_and_shifted_ones_their_own():
    for rise in (0.0, 0.2, -0.5, 40.0):
        result = run_stage(FlightOverlaps(), joined(flight(), flight(1, 2, seed=2, rise=rise))).result
        for number in (0, 1):
            figures = result.flight_figures[number]
            assert figures["overlaps.offset"] == pytest.approx(abs(rise), abs=0.004)
            assert abs(rise) - 0.004 < figures["overlaps.rmse"] < abs(rise) + 0.03
            assert figures["overlaps.p95"] >= figures["overlaps.offset"]
            assert figures["overlaps.share"] == 1
        assert bool(result.warnings) == (abs(rise) > 0.08)
        if rise == 0.2:
            assert "flight 2 lies 0.20 m above flight 1" in result.warnings[0]


def test_the_root_mean_square_is_that_of_the_noise_of_two_planes():
    """n points of noise s put a plane's middle s / sqrt(n) off; two of them differ by sqrt(2) of that."""
    noise, count = 0.06, 40_000
    stage = FlightOverlaps(FlightOverlaps.Params(cell=2.0))
    first, second = (flight(k, k, seed=k + 3, count=count, noise=noise) for k in range(2))
    figures = run_stage(stage, joined(first, second)).result.flight_figures[0]
    expected = noise * np.sqrt(2 / (count * 4 / 3600))
    # At the middle of both sets of points the slopes' own errors add little; the root mean square
    # of 900 cells is known to 2.4 %.
    assert 0.9 * expected < figures["overlaps.rmse"] < 1.25 * expected


def test_lines_of_one_flight_are_compared_too():
    one = joined(flight(), flight(0, 2, seed=2, rise=0.15))
    result = run_stage(FlightOverlaps(), one).result
    figures = result.flight_figures[0]
    assert figures["overlaps.lines_offset"] == pytest.approx(0.15, abs=0.004)
    assert figures["overlaps.lines_rmse"] > 0.14
    assert "overlaps.offset" not in figures
    assert result.figures["overlaps.lines_offset"] == figures["overlaps.lines_offset"]


def test_flights_that_share_nothing_or_plants_only_are_not_compared():
    apart = run_stage(FlightOverlaps(), joined(flight(), flight(1, 2, seed=2, west=200.0))).result
    assert "overlaps.offset" not in apart.flight_figures[0]
    assert apart.flight_figures[0]["overlaps.share"] == 0
    plants = run_stage(FlightOverlaps(), joined(flight(noise=2.0), flight(1, 2, seed=2, noise=2.0))).result
    assert "overlaps.offset" not in plants.flight_figures[0]
    assert plants.flight_figures[0]["overlaps.share"] == 1


def test_noise_withheld_and_further_returns_are_left_out():
    low = flight(1, 2, seed=2)
    other = flight(1, 2, seed=7, rise=3.0)
    for column, value in (("classification", 7), ("withheld", True), ("number_of_returns", 2)):
        odd = {**other, column: np.full(8000, value, other[column].dtype)}
        figures = run_stage(FlightOverlaps(), joined(flight(), low, odd)).result.flight_figures[0]
        assert figures["overlaps.offset"] < 0.004, column


def test_the_worst_of_several_flights_is_told():
    flights = joined(flight(), flight(1, 2, seed=2, rise=0.1), flight(2, 3, seed=4, rise=-0.2))
    result = run_stage(FlightOverlaps(), flights).result
    offsets = [result.flight_figures[k]["overlaps.offset"] for k in range(3)]
    assert offsets == pytest.approx([0.2, 0.3, 0.3], abs=0.005)
    assert result.figures["overlaps.offset"] == max(offsets)
    assert result.warnings[0].startswith("flight 3 lies 0.30 m below flight 2")


def test_blocks_change_nothing_where_coordinates_lie_halfway_between_steps():
    """Rounded to millimetres, half a millimetre goes one way or the other with its last bit."""
    flights = joined(flight(), flight(1, 2, seed=2, rise=0.1))
    for axis in "xy":
        flights[axis] = np.floor(flights[axis] * 1000) / 1000 + 0.0005
    whole = run_stage(FlightOverlaps(), flights).result
    for edge in (7.3, 13.0, 31.0):
        assert run_stage(FlightOverlaps(), flights, block_edge=edge).result == whole
