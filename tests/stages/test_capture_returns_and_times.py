"""Returns and times of each flight are judged by what the standard says of them."""

import numpy as np
import pytest

from cloudprep.engine.passes import StagePass
from cloudprep.engine.progress import Silent
from cloudprep.engine.store_memory import MemoryStore
from cloudprep.model.site import FlightFacts
from cloudprep.stages.capture.gps_times import GpsTimes
from cloudprep.stages.capture.return_numbers import ReturnNumbers
from cloudprep.testing import facts_of, run_stage

CARRIED = frozenset({"x", "y", "z", "gps_time", "return_number", "number_of_returns"})


def pulses(count=2000, flight=0, seed=1):
    """Return pulses of one to three returns, complete, each with a time of its own."""
    rng = np.random.default_rng(seed)
    of = rng.integers(1, 4, count)
    number = np.concatenate([np.arange(1, n + 1) for n in of])
    times = np.repeat(np.sort(rng.uniform(0, 900, count)) + 3e8, of)
    x, y = np.repeat(rng.uniform(0, 50, (2, count)), of, axis=1)
    return {
        "x": x,
        "y": y,
        "z": rng.uniform(100, 110, len(x)),
        "classification": np.zeros(len(x), np.uint8),
        "withheld": np.zeros(len(x), bool),
        "return_number": number.astype(np.uint8),
        "number_of_returns": np.repeat(of, of).astype(np.uint8),
        "gps_time": times,
        "flight": np.full(len(x), flight, np.uint16),
    }


def joined(*flights):
    return {name: np.concatenate([flight[name] for flight in flights]) for name in flights[0]}


def figures_of(stage, columns, flights=()):
    """Run a stage with what is known of the flights."""
    site = facts_of(columns)
    site = site.__class__(**{**site.__dict__, "flights": tuple(flights)})
    store = MemoryStore(dict(columns))
    store.cut(site, None)
    work = StagePass(stage.resolved(site), store, site, workers=1, progress=Silent())
    return work.carry_out()


def test_complete_pulses_are_complete():
    figures = run_stage(ReturnNumbers(), pulses()).result.flight_figures[0]
    assert figures["returns.invalid_share"] == figures["returns.missing_share"] == 0
    assert figures["returns.first_share"] == figures["returns.last_share"] == pytest.approx(0.5, abs=0.02)
    assert figures["returns.most"] == 3


def test_missing_and_impossible_returns_are_counted_flight_by_flight():
    sound, short = pulses(), pulses(flight=1, seed=2)
    last = (short["return_number"] == 3) & (np.arange(len(short["x"])) % 2 == 0)
    lost = int(last.sum())
    there = len(last)
    short = {name: values[~last] for name, values in short.items()}
    odd = np.flatnonzero(short["return_number"] == 1)[:10]
    short["return_number"][odd] = 9
    result = run_stage(ReturnNumbers(), joined(sound, short)).result
    assert result.flight_figures[0]["returns.missing_share"] == 0
    # Ten first returns are gone too, from one of the three kinds of pulses each.
    missing = result.flight_figures[1]["returns.missing_share"] * there
    assert lost <= missing <= lost + 10
    assert result.flight_figures[1]["returns.invalid_share"] == pytest.approx(10 / len(short["x"]))
    assert result.figures["returns.invalid_share"] == pytest.approx(10 / (len(sound["x"]) + len(short["x"])))
    assert any("10 points" in line and "flight 2" in line for line in result.warnings)


def test_times_of_a_sound_flight_pass():
    result = run_stage(GpsTimes(), pulses()).result
    figures = result.flight_figures[0]
    assert figures["times.missing_share"] == figures["times.wrong_share"] == 0
    assert figures["times.repeated_share"] == 0
    assert 890 < figures["times.span"] < 900
    assert not result.warnings


def test_lost_times_are_missing_but_in_clouds_that_were_matched_from_images():
    flight = pulses()
    flight["gps_time"][::4] = 0
    assert run_stage(GpsTimes(), flight).result.flight_figures[0]["times.missing_share"] == pytest.approx(
        0.25, abs=0.001
    )
    flight["gps_time"][:] = 0
    coloured = FlightFacts("a", CARRIED | {"red"})
    assert figures_of(GpsTimes(), flight, [coloured]).flight_figures[0]["times.missing_share"] == 1
    single = {name: values[flight["number_of_returns"] == 1] for name, values in flight.items()}
    plain = FlightFacts("a", CARRIED)
    assert figures_of(GpsTimes(), single, [plain]).flight_figures[0]["times.missing_share"] == 1
    assert figures_of(GpsTimes(), single, [coloured]).flight_figures[0]["times.missing_share"] == 0


@pytest.mark.parametrize(
    ("shift", "adjusted", "wrong"),
    [
        (0.0, True, 0.0),
        (0.0, False, 1.0),  # 3e8 s is no time of a week
        (-3e8, False, 0.0),
        (-3e8, True, 1.0),  # seconds of the week under the flag of adjusted time
        (5e9, True, 1.0),  # after the year 2080
    ],
)
def test_times_must_be_of_the_kind_that_the_header_says(shift, adjusted, wrong):
    """ASPRS LAS 1.4-R15, global encoding bit 0: a week has 604,800 s; adjusted times are less 1e9 s."""
    flight = pulses()
    flight["gps_time"] += shift
    facts = FlightFacts("a", CARRIED, adjusted)
    assert figures_of(GpsTimes(), flight, [facts]).flight_figures[0]["times.wrong_share"] == wrong


def test_times_cut_to_seconds_and_gaps_are_seen():
    flight = pulses(4000)
    flight["gps_time"] = np.floor(flight["gps_time"])
    figures = run_stage(GpsTimes(), flight).result.flight_figures[0]
    assert figures["times.repeated_share"] > 0.9
    late = flight["gps_time"] > 3e8 + 450
    flight["gps_time"][late] += 120
    figures = run_stage(GpsTimes(), flight).result.flight_figures[0]
    assert 119 <= figures["times.longest_gap"] <= 121


def test_a_flight_without_a_field_for_times_has_none_and_the_others_are_not_judged():
    flights = joined(pulses(), pulses(flight=1))
    del flights["gps_time"]
    facts = [FlightFacts("with", CARRIED), FlightFacts("without", CARRIED - {"gps_time"})]
    result = figures_of(GpsTimes(), flights, facts)
    assert list(result.flight_figures) == [1]
    assert result.flight_figures[1]["times.missing_share"] == 1
    assert any("with were not looked at" in line for line in result.warnings)
