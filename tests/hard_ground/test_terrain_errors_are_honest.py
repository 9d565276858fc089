"""Of the true heights 68 % must lie within one standard error of the terrain, 95 % within 1.96.

They do so for a normal distribution; the terrain of the scenes is exact, so that errors are known. The bars
are 3 and 2 percentage points. Constants were chosen on seeds 1 and 2.
"""

from functools import cache

import pytest

WITHIN_1, OFF_1 = 68.0, 3.0
WITHIN_2, OFF_2 = 95.0, 2.0

KINDS = [
    ("rolling", "open"),
    ("rolling", "slope"),
    ("rolling", "under plants"),
    ("vineyard", "open"),
    ("vineyard", "slope"),
    ("vineyard", "under plants"),
    ("steep_forest", "under plants"),
    ("drone_grass", "open"),
    ("drone_grass", "slope"),
    ("stockpiles", "open"),
    ("stockpiles", "slope"),
    ("embankment", "open"),
    ("embankment", "slope"),
    ("embankment", "under plants"),
    ("quarry", "open"),
    ("quarry", "slope"),
    ("terraces", "open"),
    ("terraces", "slope"),
    ("terraces", "under plants"),
    ("hillside_houses", "open"),
    ("hillside_houses", "slope"),
    ("hillside_houses", "under plants"),
]
# Measured shares. Beside faces and edges few cells are far off, and those next to them can't be told apart
# by six differences: one number isn't right for both shares. Beneath houses nothing is seen.
MISSED = {
    ("steep_forest", "under plants"): "71.2 and 95.0 %; of other seeds 68 to 71 and 93 to 94 %",
    ("drone_grass", "open"): "63.0 and 92.0 %: gaps between tall grass",
    ("drone_grass", "slope"): "63.4 and 91.7 %: a bank with sharp edges",
    ("stockpiles", "slope"): "64.4 and 91.7 %",
    ("embankment", "open"): "71.2 and 96.0 %",
    ("embankment", "slope"): "72.2 and 95.7 %",
    ("quarry", "open"): "71.9 and 95.9 %",
    ("quarry", "slope"): "72.9 and 94.5 %",
    ("terraces", "under plants"): "73.0 and 95.4 %",
    ("hillside_houses", "open"): "87.8 and 98.6 %: beneath houses",
    ("hillside_houses", "under plants"): "73.5 and 96.0 %",
}
OWN_KINDS = [pair for pair in KINDS if pair[0] in {"rolling", "vineyard", "steep_forest", "drone_grass"}]
# With labels of the ready pipeline: plants taken for ground make all ground around look rough, or lie close
# to each other and agree.
OWN_MISSED = {
    ("steep_forest", "under plants"): "83.1 and 96.6 %",
    ("drone_grass", "open"): "72.4 and 93.7 %",
    ("drone_grass", "slope"): "64.2 and 86.8 %",
}


def cases(kinds, missed):
    return [
        pytest.param(
            *pair, marks=[pytest.mark.xfail(strict=True, reason=missed[pair])] if pair in missed else []
        )
        for pair in kinds
    ]


@cache
def rows(name, own_ground, horizontal=0.0):
    import terrain_error_coverage as coverage

    found = coverage.coverage(name, coverage.scores.SEED, own_ground=own_ground, horizontal=horizontal)
    return {row.kind: row for row in found}


def holds(row):
    return abs(row.within_1 - WITHIN_1) <= OFF_1 and abs(row.within_2 - WITHIN_2) <= OFF_2


@pytest.mark.slow
@pytest.mark.parametrize(("name", "kind"), cases(KINDS, MISSED))
def test_true_heights_lie_within_the_standard_errors(name, kind):
    row = rows(name, own_ground=False)[kind]
    assert holds(row), row


@pytest.mark.slow
@pytest.mark.parametrize(("name", "kind"), cases(OWN_KINDS, OWN_MISSED))
def test_so_they_do_with_the_pipelines_own_ground(name, kind):
    row = rows(name, own_ground=True)[kind]
    assert holds(row), row


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["open", "slope", "under plants"])
def test_so_they_do_where_points_are_off_in_their_places(kind):
    row = rows("rolling", own_ground=False, horizontal=0.15)[kind]
    assert holds(row), row
