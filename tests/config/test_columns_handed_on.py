"""Working columns: made before they are needed, by a stage that the message names; read by somebody."""

from __future__ import annotations

import pytest

from cloudprep.config.describe import plan_text
from cloudprep.config.facts import stage_facts

HEAD = "cloudprep: 1\nstages:\n"
MISSING = "pebble_sorter: needs 'roughness' and 'neighbour_distance', which no stage before it provides: "


def lines(*names: str) -> str:
    return HEAD + "".join(f"- stage: {name}\n" for name in names)


def test_a_column_that_an_earlier_stage_makes_is_fine(load) -> None:
    assert load(lines("pebbles", "floor_finder", "pebble_sorter")).warnings == ()


def test_a_needed_column_that_nobody_makes_is_one_line_that_says_who_would(problems) -> None:
    (only,) = problems(lines("floor_finder", "pebble_sorter"))
    assert only == f"site.yaml:4: stages[1] {MISSING}put '- stage: pebbles' before it"


def test_a_needed_column_that_comes_too_late_is_told_from_where(problems) -> None:
    (only,) = problems(lines("pebble_sorter", "floor_finder", "pebbles"))
    assert only == f"site.yaml:3: stages[0] {MISSING}move stages[2] pebbles before it"


def test_a_stage_with_an_unknown_name_is_blamed_alone(problems) -> None:
    (only,) = problems(lines("pebles", "pebble_sorter"))
    assert "no stage is called 'pebles'; did you mean 'pebbles'?" in only


def test_a_column_used_before_it_is_made_warns(load) -> None:
    found = load(lines("pebble_looker", "pebbles", "pebble_sorter")).warnings
    assert [w[w.index("site.yaml") :] for w in found] == [
        "site.yaml:3: stages[0] pebble_looker: would use what stages[1] pebbles hands on, but comes before it"
    ]


def test_columns_that_nobody_reads_warn(load) -> None:
    (warning,) = load(lines("pebbles", "floor_finder")).warnings
    assert warning.endswith(
        "site.yaml:3: stages[0] pebbles: works out 'roughness' and 'neighbour_distance' for later stages, but"
        " none of them reads it"
    )


@pytest.mark.parametrize(
    ("name", "changes", "hands_on"),
    [
        ("pebbles", (), ("roughness", "neighbour_distance")),
        ("pebble_looker", ("classification", "ground_confidence"), ()),
    ],
)
def test_listings_tell_labels_from_working_columns(fake_stages, name, changes, hands_on) -> None:
    classes = (fake_stages.Pebbles, fake_stages.PebbleLooker)
    facts = stage_facts(next(c for c in classes if c.name == name))
    assert (facts.changes, facts.hands_on) == (changes, hands_on)


def test_the_plan_in_words_says_what_is_handed_on(load) -> None:
    text = plan_text(load(lines("pebbles", "pebble_sorter")))
    assert "   hands on   roughness, neighbour_distance\n" in text
    assert "   changes    roughness" not in text
