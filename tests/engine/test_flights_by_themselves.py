"""What stages and gates are told of single flights: their number, their headers, figures of their own."""

import struct
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from cloudprep.engine.flight_facts import refuse_too_many
from cloudprep.engine.header_figures import header_figures
from cloudprep.engine.loading import Units
from cloudprep.engine.point_counts import PointCounts
from cloudprep.errors import UsageError
from cloudprep.io.las import open_flight, read_columns
from cloudprep.testing import example_cloud, facts_of

MEASURE = """
cloudprep: 1
stages:
  - stage: return_numbers
  - stage: gps_times
  - stage: repeated_points
  - stage: flight_overlaps
output: {clouds: false}
"""
TODAY = date(2031, 5, 4)


@pytest.fixture
def three(clouds):
    """Three flights of one place: the second lies 0.3 m too high, the third is short of points."""
    columns = example_cloud()
    high = {**columns, "z": columns["z"] + 0.3}
    few = {n: v[::3] for n, v in columns.items()}
    return [
        clouds.write(name, made, epsg=epsg)
        for name, made, epsg in (
            ("a.laz", columns, 32632),
            ("b.laz", high, 32632),
            ("c.laz", few, None),
        )
    ]


def by_name(outcome):
    return {one["path"].rpartition("/")[2]: one["figures"] for one in outcome.record["inputs"]}


def test_figures_belong_to_their_flights_whatever_the_order_and_the_place_of_points(
    run, three, pipeline_file
):
    path = pipeline_file(MEASURE)
    plain, folder = run(*three, pipeline=path)
    found = by_name(plain)
    assert {name: f["points.count"] for name, f in found.items()} == {
        "a.laz": 3731,
        "b.laz": 3731,
        "c.laz": 1244,
    }
    assert {name: f["header.crs_present"] for name, f in found.items()} == {
        "a.laz": 1,
        "b.laz": 1,
        "c.laz": 0,
    }
    # All points of the third flight are those of the first.
    assert found["c.laz"]["repeated.between_share"] == 1
    assert found["a.laz"]["repeated.between_share"] == 1244 / 3731
    assert found["b.laz"]["repeated.between_share"] == 0
    assert found["b.laz"]["overlaps.offset"] == pytest.approx(0.3, abs=0.002)
    turned, _ = run(three[2], three[0], three[1], pipeline=path, out="turned", block_edge=20.0)
    spilled, _ = run(three[1], three[2], three[0], pipeline=path, out="spilled", block_points=1000)
    assert spilled.record["blocks"] > 1
    assert by_name(turned) == by_name(spilled) == found
    assert not list((folder / "clouds").glob("*"))
    assert plain.record["extra_dimensions"] == []


def test_without_clouds_a_dry_run_names_none_and_the_outcome_says_so(run, three, pipeline_file):
    path = pipeline_file(MEASURE)
    planned, _ = run(*three, pipeline=path, dry_run=True)
    assert not any(".laz" in str(out) for out in planned.record["plan"]["outputs"])
    outcome, _ = run(*three, pipeline=path)
    assert "no clouds asked for" in outcome.lines[0]
    assert not any("noise points are left out" in line for line in outcome.lines)


def test_more_flights_than_the_column_can_tell_apart_are_refused():
    refuse_too_many(("x", "y", "z"), 100_000)
    refuse_too_many(("flight",), 65_536)
    with pytest.raises(UsageError, match="65,537 inputs"):
        refuse_too_many(("flight",), 65_537)


@pytest.fixture
def judged_header(clouds):
    """Return a function: figures of a flight whose header says something else than its points."""

    def judge(place=None, form="", value=0, *, fields=("return_number",), today=TODAY, units=None, **how):
        path = clouds.write("h.las", **how)
        if place is not None:
            data = bytearray(path.read_bytes())
            struct.pack_into(form, data, place, value)
            path.write_bytes(data)
        flight = open_flight(path)
        counts = PointCounts()
        for chunk in read_columns(flight, ("X", "Y", "Z", *fields), chunk_points=1000):
            counts.add(chunk)
        return header_figures(flight, units or Units(1.0, 1.0), counts, today)

    return judge


def test_a_header_that_tells_the_truth_is_off_by_nothing(judged_header):
    figures = judged_header()
    assert figures["header.version"] == 1.4
    assert figures["header.point_format"] == 6
    assert figures["header.crs_present"] == figures["header.date_known"] == 1
    assert figures["header.step"] == 0.001
    for name in ("count_off", "returns_off", "bounds_off", "contradictions"):
        assert figures[f"header.{name}"] == 0, name
    assert "header.returns_off" not in judged_header(fields=())


@pytest.mark.parametrize(
    ("place", "form", "value", "figure", "expected"),
    [
        # Places of the fields: ASPRS LAS 1.4-R15, public header block.
        (90, "<H", 0, "date_known", 0.0),
        (92, "<H", 2032, "date_known", 0.0),
        (187, "<d", 411_000.0, "bounds_off", 1000.0),
        (211, "<d", 0.0, "bounds_off", None),
        (255, "<Q", 0, "returns_off", None),
        (107, "<I", 3730, "count_off", 1.0),
    ],
)
def test_what_a_header_says_wrongly_is_measured(place, form, value, figure, expected, judged_header):
    found = judged_header(place, form, value)[f"header.{figure}"]
    if expected is None:
        assert found > 1
    else:
        assert found == pytest.approx(expected, abs=0.1)


def test_counts_of_returns_are_those_of_numpy(judged_header):
    """Outside check: the header says that there are no first returns; numpy counts them."""
    first = int(np.count_nonzero(example_cloud()["return_number"] == 1))
    assert judged_header(255, "<Q", 0)["header.returns_off"] == first


def test_feet_and_old_formats(judged_header):
    feet = Units(0.3048, 0.3048)
    figures = judged_header(point_format=1, version="1.2", epsg=None, units=feet, scale=0.01)
    assert figures["header.step"] == pytest.approx(0.003048)
    assert (figures["header.version"], figures["header.point_format"]) == (1.2, 1)
    assert figures["header.crs_present"] == figures["header.returns_off"] == 0


def test_a_box_that_is_no_number_is_as_wrong_as_can_be(judged_header):
    assert judged_header(187, "<d", float("nan"))["header.bounds_off"] > 1e300


def test_points_without_a_return_number_may_be_counted_as_first_returns(judged_header):
    columns = example_cloud()
    columns["return_number"] = columns["return_number"].copy()
    columns["return_number"][:10] = 0
    first = int(np.count_nonzero(columns["return_number"] == 1))
    for stated, off in ((first, 0), (first + 10, 0), (first + 5, 5)):
        assert judged_header(255, "<Q", stated, columns=columns)["header.returns_off"] == off


def test_facts_of_flights_that_nothing_is_known_of_have_numbers():
    site = facts_of(example_cloud())
    assert site.flight(2).name == "flight 3"
    assert "gps_time" in site.flight(2).columns
    assert replace(site, flights=(site.flight(4),)).flight(0).name == "flight 5"
