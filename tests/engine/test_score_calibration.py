"""Stated confidences against truth: planted shares, counted by hand; the gap by its definition."""

from __future__ import annotations

import laspy
import numpy as np
import pytest

from cloudprep.engine.calibration import BINS, CalibrationCount
from cloudprep.engine.matching import label_by_place
from cloudprep.engine.score import score_clouds

NAME = "ground_confidence"
# Stated percent, points, how many of them are right.
PLANTED = ((0, 30, 11), (30, 10, 4), (55, 40, 22), (59, 40, 24), (90, 100, 90), (95, 50, 48), (100, 50, 50))


@pytest.fixture
def write(tmp_path):
    def write(name, places, classes, stated=None):
        header = laspy.LasHeader(point_format=6, version="1.4")
        header.scales = np.full(3, 0.01)
        if stated is not None:
            header.add_extra_dim(laspy.ExtraBytesParams(NAME, "u1"))
        cloud = laspy.LasData(header)
        cloud.x, cloud.y, cloud.z = places.T
        cloud.return_number = cloud.number_of_returns = np.ones(len(places), np.uint8)
        cloud.classification = classes
        if stated is not None:
            cloud[NAME] = stated
        cloud.write(tmp_path / name)
        return tmp_path / name

    return write


def planted():
    """Return stated values, classes and true classes."""
    rng = np.random.default_rng(7)
    stated = np.concatenate([np.full(n, value, np.uint8) for value, n, _ in PLANTED])
    right = np.concatenate([np.arange(n) < good for _, n, good in PLANTED])
    truth = rng.integers(0, 2, len(stated)).astype(bool)
    ground = np.where(right, truth, ~truth)
    return stated, np.where(ground, 2, 5).astype(np.uint8), np.where(truth, 2, 6).astype(np.uint8)


def table(calibration):
    return {(b.first, b.last): (b.points, b.right, b.stated) for b in calibration.bins}


@pytest.mark.parametrize("shuffled", [False, True])
def test_planted_shares_come_back(write, shuffled):
    stated, classes, truth = planted()
    places = np.random.default_rng(1).permutation(3 * len(stated)).reshape(-1, 3) / 100
    order = np.random.default_rng(2).permutation(len(stated)) if shuffled else np.arange(len(stated))
    score = score_clouds(
        write("ours.laz", places, classes, stated), write("theirs.laz", places[order], truth[order])
    )
    assert score.matched == ("by coordinates" if shuffled else "same order")
    found = score.calibration
    assert (found.points, found.not_judged, found.left_out) == (290, 30, 0)
    assert table(found) == {
        (1, 49): (10, 0.4, 0.3),
        (50, 59): (80, 46 / 80, 0.57),
        (60, 69): (0, None, None),
        (70, 79): (0, None, None),
        (80, 89): (0, None, None),
        (90, 94): (100, 0.9, 0.9),
        (95, 100): (100, 0.98, 0.975),
    }
    # 10 x 0.1 + 80 x 0.005 + 100 x 0 + 100 x 0.005, over 290 points.
    assert found.gap == pytest.approx((1.0 + 0.4 + 0.0 + 0.5) / 290)


def test_every_value_has_one_bin():
    count = CalibrationCount()
    count.add(np.arange(256).astype(np.uint8), np.ones(256, bool))
    found = count.result()
    assert sum(b.points for b in found.bins) == found.points == 100
    assert (found.not_judged, found.left_out) == (1, 155)
    assert [v for first, last in BINS for v in range(first, last + 1)] == list(range(1, 101))


def test_points_that_share_a_place_of_two_truths_are_left_out(write):
    places = np.array([[1.0, 1, 1]] * 2 + [[2.0, 2, 2]] * 2 + [[3.0, 3, 3]])
    ours = write("ours.laz", places, np.array([2, 5, 2, 5, 2]), np.array([90, 80, 70, 60, 50]))
    order = [4, 3, 2, 1, 0]
    theirs = write("theirs.laz", places[order], np.array([2, 2, 2, 5, 2]))
    found = score_clouds(ours, theirs).calibration
    assert found.left_out == 2  # the first place: the reference holds ground and another class there
    assert table(found)[70, 79][:2] == (1, 1.0)
    assert table(found)[60, 69][:2] == (1, 0.0)
    assert table(found)[50, 59][:2] == (1, 1.0)
    assert found.points == 3


def test_what_a_place_says_against_a_plain_loop():
    rng = np.random.default_rng(5)
    first, second = rng.integers(0, 3, (60, 3)), rng.integers(0, 3, (40, 3))
    yes = rng.random(40) < 0.5
    said = label_by_place(first, second, yes)
    for place, got in zip(first, said, strict=True):
        there = set(yes[(second == place).all(axis=1)].tolist())
        assert got == (int(there.pop()) if len(there) == 1 else -1)
    assert set(said.tolist()) == {-1, 0, 1}


def test_a_cloud_without_it_has_no_calibration(write):
    _, classes, truth = planted()
    places = np.arange(3.0 * len(classes)).reshape(-1, 3)
    score = score_clouds(write("ours.laz", places, classes), write("theirs.laz", places, truth))
    assert score.calibration is None
    assert score.as_dict()["calibration"] is None


def test_the_reference_may_carry_its_own_unseen(write):
    stated, classes, truth = planted()
    places = np.arange(3.0 * len(classes)).reshape(-1, 3)
    score = score_clouds(write("ours.laz", places, classes), write("theirs.laz", places, truth, stated))
    assert score.calibration is None


def test_nothing_judged_has_no_gap(write):
    _, classes, truth = planted()
    places = np.arange(3.0 * len(classes)).reshape(-1, 3)
    ours = write("ours.laz", places, classes, np.zeros(len(classes), np.uint8))
    found = score_clouds(ours, write("theirs.laz", places, truth)).calibration
    assert (found.points, found.not_judged, found.gap) == (0, len(classes), None)
