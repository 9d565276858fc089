"""Solids, wires and the receiver against geometry worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from demo_clouds import hits, lines, solids
from demo_clouds.kinds import Kind, class_codes

DOWN = np.array([[0.0, 0.0, -1.0]])


def test_a_beam_from_above_meets_roof_and_misses_beside():
    house = solids.prism(Kind.BUILDING, (10.0, 20.0), (8.0, 6.0), (0.0, 5.0), 0.0, ridge=3.0)
    # On the ridge 8 m high; half way down the roof 6.5 m; beside the house nothing.
    origin = np.array([[10.0, 20.0, 100.0], [10.0, 21.5, 100.0], [10.0, 23.1, 100.0]])
    entry = solids.enter(house, origin, np.repeat(DOWN, 3, axis=0)).entry
    np.testing.assert_allclose(entry, [92.0, 93.5, np.inf])
    np.testing.assert_allclose(solids.top(house, origin[:, 0], origin[:, 1]), [8.0, 6.5, -np.inf])


def test_a_slanted_beam_meets_the_wall():
    box = solids.prism(Kind.BUILDING, (0.0, 0.0), (4.0, 4.0), (0.0, 10.0), 0.0)
    way = np.array([[-1.0, 0.0, -1.0]]) / np.sqrt(2.0)
    met = solids.enter(box, np.array([[7.0, 0.0, 8.0]]), way)
    assert met.entry[0] == pytest.approx(5.0 * np.sqrt(2.0))  # at x = 2, z = 3
    assert met.upright[0]


def test_growing_moves_walls_and_leaves_the_roof():
    box = solids.prism(Kind.BUILDING, (0.0, 0.0), (4.0, 4.0), (0.0, 10.0), 30.0)
    corner = (
        np.array([[0.0, 0.0, 50.0]]) + np.array([[np.cos(np.radians(30)), np.sin(np.radians(30)), 0]]) * 2.05
    )
    assert np.isinf(solids.enter(box, corner, DOWN).entry[0])
    grown = solids.enter(box, corner, DOWN, grow=0.1)
    assert grown.entry[0] == pytest.approx(40.0)
    assert not grown.upright[0]


def test_an_inclined_beam_lies_between_its_ends():
    arm = solids.beam(Kind.CONVEYOR, (0.0, 0.0, 1.0), (8.0, 0.0, 7.0), 1.0, 0.5)
    # Half thickness 0.25 across a slope of 3 : 4 is 0.25 * 5 / 4 upwards.
    assert solids.top(arm, np.array([4.0]), np.array([0.0]))[0] == pytest.approx(4.0 + 0.25 * 1.25)


def test_wires_follow_the_catenary():
    # y = a cosh(x / a) has arc length 2 a sinh(span / 2a) (any calculus text).
    points = lines.catenary(np.array([0.0, 0.0, 30.0]), np.array([90.0, 120.0, 30.0]), sag=4.0, step=0.05)
    span = 150.0
    assert points[0] == pytest.approx([0.0, 0.0, 30.0])
    assert points[-1] == pytest.approx([90.0, 120.0, 30.0])
    assert points[:, 2].min() == pytest.approx(26.0, abs=1e-3)
    a = span**2 / 32.0
    for _ in range(50):  # a from the sag by Newton's rule
        f = a * (np.cosh(span / (2 * a)) - 1.0) - 4.0
        slope = np.cosh(span / (2 * a)) - 1.0 - span / (2 * a) * np.sinh(span / (2 * a))
        a -= f / slope
    length = np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1)).sum()
    assert length == pytest.approx(2 * a * np.sinh(span / (2 * a)), abs=1e-4)


def test_the_nearest_approach_to_a_bar_is_that_of_skew_lines():
    origin = np.array([[3.0, 0.4, 50.0], [30.0, 0.0, 50.0]])
    ranges, distance = lines.approach(
        origin, np.repeat(DOWN, 2, axis=0), np.array([0.0, 0.0, 12.0]), np.array([10.0, 0.0, 12.0])
    )
    np.testing.assert_allclose(ranges, [38.0, 38.0])
    np.testing.assert_allclose(distance, [0.4, 20.0])


def _received(ranges, opacity, reflectance=0.5):
    gathered = hits.Hits()
    for r, o in zip(ranges, opacity, strict=True):
        gathered.add(Kind.TREE, np.array([0]), np.array([r]), o, reflectance)
    return hits.receive(gathered)


def test_each_echo_takes_its_share_of_what_is_left():
    got = _received([30.0, 10.0, 20.0], [1.0, 0.5, 0.4])
    np.testing.assert_allclose(got.ranges, [10.0, 20.0, 30.0])
    np.testing.assert_allclose(got.energy, [0.25, 0.1, 0.15])  # 0.5, 0.5 * 0.4, 0.5 * 0.6, times one half


def test_the_receiver_drops_the_crowded_the_faint_and_the_sixth():
    assert _received([10.0, 10.4, 12.0], [0.3, 0.3, 1.0]).ranges.tolist() == [10.0, 12.0]
    assert _received([10.0, 12.0], [0.95, 1.0]).ranges.tolist() == [10.0]  # 0.05 * 0.5 is too faint
    assert len(_received(np.arange(10.0, 18.0), [0.2] * 8).ranges) == 5
    assert len(_received([10.0, 12.0], [1.0, 1.0]).ranges) == 1  # nothing is seen through a roof


def test_returns_are_numbered_within_their_pulse():
    number, count = hits.numbering(np.array([2, 2, 5, 7, 7, 7]))
    assert number.tolist() == [0, 1, 0, 0, 1, 2]
    assert count.tolist() == [2, 2, 1, 3, 3, 3]
    assert [part.size for part in hits.numbering(np.zeros(0, np.int64))] == [0, 0]


def test_kinds_translate_into_the_standards_classes():
    # LAS 1.4-R15 table 17; vegetation steps of 0.5 and 3 m: common practice, no source.
    kinds = [Kind.GROUND, Kind.HERB, Kind.SHRUB, Kind.TREE, Kind.BUILDING, Kind.LOW_SINGLE, Kind.WATER]
    above = [0.0, 0.3, 0.5, 12.0, 9.0, -3.0, 1.0]
    assert class_codes(np.array(kinds, np.uint8), np.array(above)).tolist() == [2, 3, 4, 5, 6, 7, 9]
    kinds = [Kind.WIRE, Kind.PYLON, Kind.BRIDGE_DECK, Kind.BIRD, Kind.DUST, Kind.VEHICLE, Kind.SMEAR]
    assert class_codes(np.array(kinds, np.uint8), np.zeros(7)).tolist() == [14, 15, 17, 18, 18, 1, 1]
