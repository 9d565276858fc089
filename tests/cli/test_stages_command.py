"""``cloudprep stages``: the listing, and all about one stage."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from cloudprep.stages import registry

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    from click.testing import Result

    Call = Callable[..., Result]


def test_the_listing_groups_stages_by_kind(call: Call, fake_stages: ModuleType) -> None:
    result = call("stages")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.splitlines()[:3] == [
        "noise",
        "  rock_finder   Find rocks by their roughness.",
        "",
    ]
    assert "surface\n  floor_grid    Draw the floor as a raster." in result.stdout


def test_one_stage_is_told_in_full(call: Call, fake_stages: ModuleType) -> None:
    text = call("stages", "rock_finder").stdout
    for words in (
        "rock_finder (noise)",
        "A second paragraph about rocks and stones.",
        "It was invented for the tests.",
        "needs    x, y, z, classification",
        "uses     withheld (where they are there)",
        "changes  classification",
        "  cell\n    meaning  cell of the grid\n    value    a number > 0 m\n    default  1 m\n",
        "    source   an invented paper",
        "    default  from the cloud: the measured spacing",
        "    value    linear or geometric",
        "References\n  Nobody (2001), On rocks.",
    ):
        assert words in text, words
    assert "----" not in text


def test_a_stage_without_parameters_says_so(call: Call, fake_stages: ModuleType) -> None:
    assert "It has no parameters." in call("stages", "floor_finder").stdout


def test_json_carries_the_same_facts(call: Call, fake_stages: ModuleType) -> None:
    everything = json.loads(call("stages", "--json").stdout)
    assert [s["name"] for s in everything] == ["rock_finder", "floor_finder", "floor_grid"]
    one = json.loads(call("stages", "rock_finder", "--json").stdout)
    assert one == everything[0]
    cell = next(p for p in one["parameters"] if p["name"] == "cell")
    assert cell == {
        "name": "cell",
        "kind": "a number > 0 m",
        "unit": "m",
        "default": 1.0,
        "derived": "",
        "bounds": "> 0",
        "meaning": "cell of the grid",
        "source": "an invented paper",
    }


def test_an_unknown_stage_has_a_suggestion(call: Call, fake_stages: ModuleType) -> None:
    result = call("stages", "rok_finder")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "no stage is called 'rok_finder'; did you mean 'rock_finder'?" in result.stderr


@pytest.mark.filterwarnings("default")
def test_a_broken_stage_does_not_hide_the_others(
    call: Call, fake_stages: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(registry.BUILT_IN, "broken", "no_such_module:Broken")
    registry._locations.cache_clear()
    result = call("stages")
    assert result.exit_code == 0
    assert "rock_finder" in result.stdout
    assert "warning: stage 'broken' can't be loaded" in result.stderr
