"""The JSON Schema accepts and refuses what the program does. The validator is the jsonschema package."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from jsonschema import Draft202012Validator

from cloudprep.config.reference import reference_page
from cloudprep.config.schema import pipeline_schema

if TYPE_CHECKING:
    from types import ModuleType

FAKES = ("rock_finder", "floor_finder", "floor_grid")


@pytest.fixture
def validator(fake_stages: ModuleType) -> Draft202012Validator:
    schema = pipeline_schema(FAKES)
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


GOOD: list[dict[str, Any]] = [
    {"cloudprep": 1, "stages": [{"stage": "floor_finder"}]},
    {
        "cloudprep": 1,
        "stages": [
            {
                "stage": "rock_finder",
                "cell": 2,
                "spacing": None,
                "growth": "geometric",
                "keep_classes": [2, 6],
            },
            {"stage": "rock_finder", "weight": "equal", "robust": True},
            {"stage": "floor_grid", "cell": 0.5},
        ],
        "output": {"format": "las", "las_version": 1.4},
        "assume": {"crs": "EPSG:25832", "units": "foot"},
        "gates": [
            {"figure": "ground.share", "at_least": 0.1},
            {
                "figure": "points.density",
                "between": [2, 8.5],
                "per": "flight",
                "severity": "warn",
                "why": "so ordered",
            },
        ],
    },
    {"cloudprep": 1, "stages": [{"stage": "floor_finder"}], "output": None, "gates": None},
]


@pytest.mark.parametrize("pipeline", GOOD)
def test_good_pipelines_are_accepted(validator: Draft202012Validator, pipeline: dict[str, Any]) -> None:
    assert [e.message for e in validator.iter_errors(pipeline)] == []


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"cloudprep": 2}, ["cloudprep"]),
        ({"stages": []}, ["stages"]),
        ({"extra": 1}, []),
        ({"stages": [{"stage": "rok_finder"}]}, ["stages", 0, "stage"]),
        ({"stages": [{}]}, ["stages", 0]),
        ({"stages": [{"stage": "rock_finder", "cell": 0}]}, ["stages", 0, "cell"]),
        ({"stages": [{"stage": "rock_finder", "cell": True}]}, ["stages", 0, "cell"]),
        ({"stages": [{"stage": "rock_finder", "cell": "1"}]}, ["stages", 0, "cell"]),
        ({"stages": [{"stage": "rock_finder", "cell": None}]}, ["stages", 0, "cell"]),
        ({"stages": [{"stage": "rock_finder", "cel": 1}]}, ["stages", 0]),
        ({"stages": [{"stage": "rock_finder", "neighbours": 2.5}]}, ["stages", 0, "neighbours"]),
        ({"stages": [{"stage": "rock_finder", "growth": "lineer"}]}, ["stages", 0, "growth"]),
        ({"stages": [{"stage": "rock_finder", "keep_classes": [256]}]}, ["stages", 0, "keep_classes", 0]),
        ({"output": {"format": "lasz"}}, ["output", "format"]),
        ({"output": {"drop": True}}, ["output"]),
        ({"gates": [{"at_least": 1}]}, ["gates", 0]),
        ({"gates": [{"figure": "a", "at_least": 1, "severity": "error"}]}, ["gates", 0, "severity"]),
        ({"gates": [{"figure": "a", "at_least": 1, "per": "site"}]}, ["gates", 0, "per"]),
        ({"gates": [{"figure": "a", "between": [1]}]}, ["gates", 0, "between"]),
    ],
)
def test_bad_pipelines_are_refused_at_the_right_place(
    validator: Draft202012Validator, change: dict[str, Any], where: list[object]
) -> None:
    errors = list(validator.iter_errors({**GOOD[0], **change}))
    assert [list(e.absolute_path) for e in errors] == [where]


def test_parameters_carry_meaning_unit_and_default(validator: Draft202012Validator) -> None:
    cell = validator.schema["$defs"]["rock_finder"]["properties"]["cell"]
    assert (cell["description"], cell["unit"], cell["default"]) == ("cell of the grid", "m", 1.0)


def test_the_reference_page_tells_all_about_a_stage(fake_stages: ModuleType) -> None:
    page = reference_page(FAKES)
    assert "## Noise\n\n### rock_finder\n\nFind rocks by their roughness.\n\nA second " in page
    assert "A second paragraph about `rocks` and `stones`." in page
    assert "It was invented for the tests." in page
    assert "| `cell` | a number > 0 m | 1 m | cell of the grid | an invented paper |" in page
    assert (
        "| `spacing` | a number > 0 m | from the cloud: the measured spacing | spacing of the points |  |"
        in page
    )
    assert "- Nobody (2001), On rocks." in page
    assert "Parameters\n---" not in page
