"""The committed laser flights look like what a scanner delivers."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from demo_clouds import place
from demo_clouds.lidar import FLIGHTS

NAMES = ("flight1", "flight2")
CELL = 5.0


def _cells(flight, mask):
    columns = int(place.EXTENT[0] / CELL)
    index = (flight.y[mask] / CELL).astype(int) * columns + (flight.x[mask] / CELL).astype(int)
    return np.bincount(index, minlength=columns * int(place.EXTENT[1] / CELL))


@pytest.mark.parametrize("name", [*NAMES, "twin"])
def test_the_header_is_that_of_a_raw_capture(every, name):
    flight = every[name]
    header = flight.las.header
    assert str(header.version) == "1.4"
    assert header.point_format.id == (7 if name == "twin" else 6)
    assert header.global_encoding.wkt
    assert header.global_encoding.gps_time_type.value == 1
    assert not np.asarray(flight.las.classification).any()
    crs = header.parse_crs()
    assert crs.is_compound
    parts = [part.to_epsg() for part in crs.sub_crs_list]
    assert parts == [25832, 7837]
    assert (flight.x >= 0).all()
    assert (flight.x < place.EXTENT[0]).all()
    assert (flight.y >= 0).all()
    assert (flight.y < place.EXTENT[1]).all()


def test_the_site_lies_in_open_sea():
    # An invented site must not be mistaken for a real one: 54.47 N 7.19 E is some 40 km from any coast.
    to_degrees = pyproj.Transformer.from_crs(25832, 4326, always_xy=True)
    east, north = to_degrees.transform(*place.ORIGIN)
    assert 7.0 < east < 7.4
    assert 54.3 < north < 54.6


@pytest.mark.parametrize("name", NAMES)
def test_returns_of_a_pulse_belong_together(flights, name):
    las = flights[name].las
    number, count = np.asarray(las.return_number), np.asarray(las.number_of_returns)
    time, z = np.asarray(las.gps_time), flights[name].z
    assert (np.diff(time) >= 0).all()
    first = number == 1
    assert first[0]
    # Runs from 1 to the number of returns, all with one time, and a new time for the next pulse.
    starts = np.flatnonzero(first)
    sizes = np.diff(np.r_[starts, len(number)])
    np.testing.assert_array_equal(np.repeat(sizes, sizes), count)
    np.testing.assert_array_equal(number, np.arange(len(number)) - np.repeat(starts, sizes) + 1)
    same = np.diff(time) == 0
    np.testing.assert_array_equal(same, ~first[1:])
    assert set(np.unique(count)) == {1, 2, 3, 4, 5}
    assert (np.diff(z)[same] < 0).all()  # later returns come from further down
    for column in ("scan_angle", "scan_direction_flag", "point_source_id"):
        values = np.asarray(las[column]).astype(int)
        assert (np.diff(values)[same] == 0).all()


@pytest.mark.parametrize("name", NAMES)
def test_scan_lines_run_to_their_edges(flights, name):
    las, line = flights[name].las, FLIGHTS[name]
    assert (np.asarray(las.point_source_id) == line.number).all()
    angle = np.asarray(las.scan_angle) * 0.006
    assert line.half_angle - 2.0 < np.abs(angle).max() < line.half_angle + 1.0
    time, sweep = np.asarray(las.gps_time), np.asarray(las.scan_direction_flag)
    changes = np.count_nonzero(np.diff(sweep))
    swept = (time[-1] - time[0]) * line.lines_per_second
    if line.oscillating:
        assert changes == pytest.approx(swept, abs=3)
    else:
        assert changes == 0
    edge = np.asarray(las.edge_of_flight_line) == 1
    assert 50 < np.unique(time[edge]).size <= swept + 1
    assert (np.abs(angle[edge]) > line.half_angle - 1.5).all()
    # Positive angles lie to the right of the flight direction.
    right = np.array([np.sin(np.radians(line.heading)), -np.cos(np.radians(line.heading))])
    beside = (flights[name].x - line.middle[0]) * right[0] + (flights[name].y - line.middle[1]) * right[1]
    assert (np.sign(beside) == np.sign(angle))[np.abs(angle) > 2.0].all()


@pytest.mark.parametrize("name", NAMES)
def test_there_are_four_to_six_pulses_a_square_metre(flights, name):
    pulses = _cells(flights[name], np.asarray(flights[name].las.return_number) == 1)
    pulses = pulses[pulses > 0] / CELL**2
    assert 3.5 < np.median(pulses) < 6.0


def test_the_flights_overlap_by_more_than_a_third_and_leave_no_gap(flights):
    one, two = (_cells(flights[name], slice(None)) > 0 for name in NAMES)
    assert (one & two).mean() > 0.33
    assert (one & ~two).mean() > 0.1
    assert (two & ~one).mean() > 0.1
    assert (one | two).mean() > 0.999


@pytest.mark.parametrize("name", NAMES)
def test_intensities_tell_materials_apart(flights, name):
    from demo_clouds.kinds import Kind

    flight = flights[name]
    intensity = np.asarray(flight.las.intensity).astype(float)
    dim = np.median(intensity[flight.of(Kind.DUST, Kind.STRAY_LIGHT, Kind.LOW_SINGLE)])
    assert dim < 0.4 * np.median(intensity[flight.of(Kind.GROUND)])
    assert intensity.max() < 65535
    assert intensity.min() >= 1
