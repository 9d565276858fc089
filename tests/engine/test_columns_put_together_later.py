"""Columns of a block are put together when somebody looks at them, once, and never otherwise."""

import numpy as np
import pytest

from cloudprep.model.moves import ClassMoves
from cloudprep.model.points import Later, Points


def points_with_a_later_column(asked):
    def make():
        asked.append(1)
        return np.arange(3.0)

    return Points({"x": np.zeros(3), "z": Later(3, make)})


def test_a_column_nobody_looks_at_is_not_made():
    asked = []
    points = points_with_a_later_column(asked)
    assert len(points) == 3
    assert "z" in points
    assert list(points.only(["z"]).replaced({"y": np.ones(3)})) == ["z", "y"]
    assert asked == []


def test_a_column_is_made_once_for_all_that_share_it():
    asked = []
    points = points_with_a_later_column(asked)
    renamed = points.named({"height": "z"})
    assert renamed["height"].tolist() == [0.0, 1.0, 2.0]
    assert points["z"].tolist() == points.take(np.array([0, 1, 2]))["z"].tolist() == [0.0, 1.0, 2.0]
    assert points.as_dict()["z"].flags.writeable is False
    assert asked == [1]


def test_later_columns_must_be_of_equal_length():
    with pytest.raises(ValueError, match="differ in length"):
        Points({"x": np.zeros(2), "z": Later(3, lambda: np.zeros(3))})


@pytest.mark.parametrize("codes", [[1], [1, 2, 7], range(256)])
def test_moves_count_every_point_once(codes):
    rng = np.random.default_rng(4)
    before = rng.choice(np.array(codes, np.uint8), 5000)
    after = np.where(rng.random(5000) < 0.1, rng.integers(0, 256, 5000), before).astype(np.uint8)
    expected = np.zeros((256, 256), np.int64)
    np.add.at(expected, (before, after), 1)
    assert (ClassMoves.between(before, after).counts == expected).all()


def test_moves_of_no_points_are_none():
    nothing = np.empty(0, np.uint8)
    assert ClassMoves.between(nothing, nothing).total == 0
