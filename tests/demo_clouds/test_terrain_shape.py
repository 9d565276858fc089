"""The ground has the shapes that the site's description promises."""

from __future__ import annotations

import numpy as np
import pytest

from demo_clouds import landing, objects, place, terrain
from demo_clouds.beams import FlightLine, fly
from demo_clouds.dice import Dice

WIDTH, DEPTH = place.EXTENT


def at(x, y):
    return float(terrain.height(np.array([float(x)]), np.array([float(y)]))[0])


def test_the_cliff_is_about_80_degrees_steep_with_two_benches():
    y = np.arange(195.0, 239.0, 0.05)
    x = np.full_like(y, 88.0)
    z, away = terrain.height(x, y), terrain.quarry_distance(x, y)
    for near, far in ((0.3, 1.7), (9.3, 10.7), (17.3, 18.0)):
        face = (away > near) & (away < far)
        degrees = np.degrees(np.arctan(terrain.steepness(x[face], y[face])))
        assert 75.0 < np.median(degrees) < 85.0
    for near, far in ((2.5, 8.5), (11.5, 16.5)):
        bench = (away > near) & (away < far)
        assert np.ptp(z[bench]) < 0.5
        assert np.ptp(y[bench]) > 3.0
    assert at(88, 236) - at(88, 200) > 33.0


def test_the_floor_is_level_but_for_the_stockpiles_at_their_angle_of_repose():
    assert abs(at(40, 150) - at(140, 190)) < 0.6
    for x, y, top in terrain.PILES:
        assert at(x, y) == pytest.approx(terrain.QUARRY_FLOOR - 0.2 + top, abs=1e-9)
        flank = terrain.steepness(np.array([x + 0.6 * top / terrain.REPOSE]), np.array([y]))
        assert flank[0] == pytest.approx(terrain.REPOSE, abs=0.03)  # the tip's rounding dies out slowly


def test_the_pond_is_a_hollow_below_its_level():
    x, y = np.meshgrid(np.arange(180.0, 280.0, 0.5), np.arange(70.0, 130.0, 0.5))
    wet, z = terrain.is_water(x, y), terrain.height(x, y)
    assert (z[wet] <= terrain.POND_LEVEL).all()
    assert (z[~wet] >= terrain.POND_LEVEL).all()
    assert wet.mean() * x.size * 0.25 == pytest.approx(np.pi * np.prod(terrain.POND_RADII), rel=0.02)


def test_the_bridge_spans_a_gap_that_its_abutments_close():
    crown = at(terrain.LANE_X - 20, terrain.ROAD_Y)
    assert crown - at(terrain.LANE_X, terrain.ROAD_Y) > 6.0
    assert at(terrain.LANE_X - 6.01, terrain.ROAD_Y) == pytest.approx(crown, abs=0.05)
    assert at(terrain.LANE_X + 6.01, terrain.ROAD_Y) == pytest.approx(crown, abs=0.05)
    side = terrain.steepness(np.array([120.0]), np.array([terrain.ROAD_Y + terrain.ROAD_HALF + 3.0]))
    assert side[0] == pytest.approx(1 / 1.6, abs=0.02)


def test_the_wooded_slope_and_the_building_on_it_are_steep():
    degrees = np.degrees(np.arctan((at(200, 185) - at(200, 140)) / 45.0))
    assert degrees > 15.0
    on_slope = next(s for s in objects.build().solids if s.centre == (163.0, 122.0))
    turn = np.linspace(0, 2 * np.pi, 40)
    rim = terrain.height(163.0 + 11.0 * np.cos(turn), 122.0 + 11.0 * np.sin(turn))
    roof = on_slope.offsets[on_slope.normals[:, 2] > 0.5][0]
    assert np.ptp(rim) > 3.0
    assert 0.5 < roof - rim.max() < 0.3 * (roof - rim.min())


def test_the_ground_has_no_sudden_steps():
    # Steepest are the abutments' walls (9 : 1) and the quarry's faces (6 : 1, rougher in places).
    x, y = np.meshgrid(np.arange(0.0, WIDTH, 0.37), np.arange(0.0, DEPTH, 0.41))
    assert terrain.steepness(x, y, step=0.001).max() < 12.0


def test_pulses_land_where_they_first_meet_the_ground():
    line = FlightLine(1, (95.0, 172.0), 172.0, 560.0, 58.0, 20.0, 40, 60, False, 0.0, 0.02)
    beams = fly(line, 200.0, Dice(1, "flight1"))
    ranges = landing.land(beams)
    pulses = np.arange(len(beams))
    spots = beams.places(pulses, ranges)
    gap = spots[:, 2] - terrain.height(spots[:, 0], spots[:, 1])
    steep = terrain.steepness(spots[:, 0], spots[:, 1])
    assert (np.abs(gap) < 2e-3 * (1.0 + steep)).all()
    # Nothing is in the way before: seen from the landing place upwards the beam is free.
    for before in np.arange(0.5, 60.0, 0.25):
        higher = beams.places(pulses, ranges - before)
        assert (higher[:, 2] > terrain.height(higher[:, 0], higher[:, 1])).all()
