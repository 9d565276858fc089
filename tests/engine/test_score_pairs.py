"""Labels of points that stand in another order are compared place by place. The reference is a plain loop."""

from __future__ import annotations

from collections import Counter
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cloudprep.engine.matching import Agreement, Differences, on_one_lattice, pair_by_place
from cloudprep.kernels.agreement import Confusion


def counted(pairs: list[tuple[bool, bool]]) -> tuple[int, int, int, int]:
    seen = Counter(pairs)  # (result, reference)
    return seen[True, True], seen[False, True], seen[True, False], seen[False, False]


POINTS = st.lists(st.tuples(st.integers(0, 2), st.integers(0, 1), st.booleans(), st.booleans()), max_size=7)


@given(POINTS, st.randoms(use_true_random=False))
def test_places_give_what_every_possible_pairing_gives(points, random) -> None:  # type: ignore[no-untyped-def]
    """Of points at one place, the counts are used only if every way to pair them gives the same counts."""
    places = np.array([(p[0], p[1], 0) for p in points], np.int64).reshape(-1, 3)
    result = np.array([p[2] for p in points], bool)
    order = list(range(len(points)))
    random.shuffle(order)
    reference = np.array([points[i][3] for i in order], bool)
    found = pair_by_place(places, result, places[order], reference)

    sure, left_out = Counter(dict.fromkeys(Confusion._fields, 0)), 0
    for place in {(p[0], p[1]) for p in points}:
        ours = [p[2] for p in points if (p[0], p[1]) == place]
        theirs = [p[3] for p in points if (p[0], p[1]) == place]
        ways = {counted(list(zip(ours, way, strict=True))) for way in permutations(theirs)}
        if len(ways) > 1:
            left_out += len(ours)
        else:
            sure.update(dict(zip(Confusion._fields, ways.pop(), strict=True)))
    assert found == Agreement(Confusion(**sure), left_out)


def test_other_points_are_no_agreement() -> None:
    a = np.array([[0, 0, 0], [0, 0, 0], [1, 1, 1]])
    b = np.array([[0, 0, 0], [1, 1, 1], [1, 1, 2], [5, 5, 5]])
    found = pair_by_place(a, np.ones(3, bool), b, np.ones(4, bool))
    assert found == Differences(only_first=1, only_second=2)


def test_no_points_agree_on_nothing() -> None:
    nothing = np.empty((0, 3), np.int64)
    assert pair_by_place(nothing, np.empty(0, bool), nothing, np.empty(0, bool)) == Agreement(
        Confusion(0, 0, 0, 0)
    )


@pytest.mark.parametrize(
    ("scale", "offset"), [(0.001, 5_000_000.0), (0.01, 4_999_000.0), (0.0001, 5_000_000.5)]
)
def test_clouds_stored_in_other_steps_meet_on_one_lattice(scale: float, offset: float) -> None:
    rng = np.random.default_rng(3)
    places = np.round(5_000_000 + rng.uniform(0, 900, (1000, 3)), 2)
    raw = np.rint((places - offset) / scale).astype(np.int64)
    found = on_one_lattice(raw, (scale,) * 3, (offset,) * 3, (0.0001,) * 3, (5_000_000.0,) * 3)
    assert (found == np.rint((places - 5_000_000) * 10_000)).all()
