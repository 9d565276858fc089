"""A good pipeline file becomes a frozen pipeline with every default filled in."""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from pydantic import ValidationError

from cloudprep.config import Pipeline, checked_reference, load_pipeline
from cloudprep.config.locate import ready_pipelines
from cloudprep.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

FULL = """
cloudprep: 1
stages:
  - &rock
    stage: rock_finder
    cell: 5e-1            # a number, though YAML 1.1 takes it for text
    spacing: ~
    keep_classes: [9, 6]
  - <<: *rock
    cell: 2
    weight: 3
  - stage: floor_finder
output:
  format: las
  drop_noise: true
  las_version: 1.4
assume:
  crs: epsg:25832+7837
  units: us_survey_foot
gates:
  - {figure: ground.share, at_least: 0.1}
  - {figure: noise.share, at_most: 1}
  - figure: points.density
    between: [2, 1e2]
    per: flight
    severity: warn
    why: ordered were 4 per m2
"""


def test_every_part_of_a_file_arrives(load: Callable[[str], Pipeline]) -> None:
    pipeline = load(FULL)
    first, second, third = pipeline.build()
    assert [type(s).__name__ for s in (first, second, third)] == ["RockFinder", "RockFinder", "FloorFinder"]
    assert first.params.model_dump() == {
        "cell": 0.5,
        "slope": 45.0,
        "neighbours": 8,
        "spacing": None,
        "growth": "linear",
        "keep_classes": (9, 6),
        "robust": False,
        "label": "rock",
        "weight": "equal",
    }
    assert second.params.model_dump()["cell"] == 2.0
    assert (pipeline.output.format, pipeline.output.drop_noise, pipeline.output.las_version) == (
        "las",
        True,
        "1.4",
    )
    assert (pipeline.assume.crs, pipeline.assume.units) == ("EPSG:25832+7837", "us_survey_foot")
    assert [(g.figure, g.lowest, g.highest, g.per, g.severity, g.why) for g in pipeline.gates] == [
        ("ground.share", 0.1, None, "run", "fail", None),
        ("noise.share", None, 1.0, "run", "fail", None),
        ("points.density", 2.0, 100.0, "flight", "warn", "ordered were 4 per m2"),
    ]
    assert pipeline.source is not None
    assert pipeline.source.name == "site.yaml"


def test_defaults_are_filled_in_and_derived_values_stay_empty(load: Callable[[str], Pipeline]) -> None:
    values = load("cloudprep: 1\nstages:\n- stage: rock_finder\noutput:\nassume:\ngates:\n").as_dict()
    assert values["output"] == {
        "format": "laz",
        "clouds": True,
        "drop_noise": False,
        "las_version": "keep",
        "raster_nodata": -9999.0,
        "height_unit": "keep",
        "layers": ["gpkg"],
        "tiles": None,
        "tile_index": False,
        "stac_item": False,
        "report": True,
    }
    assert values["boundary"] is None
    assert values["assume"] == {"crs": None, "units": None}
    assert values["gates"] == []
    assert values["stages"][0]["spacing"] is None
    assert values["stages"][0]["keep_classes"] == [9]


def test_plain_values_round_trip(load: Callable[[str], Pipeline]) -> None:
    pipeline = load(FULL)
    again = Pipeline.from_dict(pipeline.as_dict())
    assert again.as_dict() == pipeline.as_dict()
    assert again == pipeline.model_copy(update={"source": None})


def test_a_pipeline_is_frozen_and_pickles(load: Callable[[str], Pipeline]) -> None:
    pipeline = load(FULL)
    with pytest.raises(ValidationError, match="frozen"):
        pipeline.output = pipeline.output  # type: ignore[misc]
    assert pickle.loads(pickle.dumps(pipeline)) == pipeline  # noqa: S301 - our own bytes


def test_a_bare_name_is_a_ready_pipeline_even_beside_a_file_of_that_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cloudprep.config.locate import find_pipeline

    monkeypatch.chdir(tmp_path)
    Path("bare_earth").write_text("cloudprep: 1\n")
    Path("mine").write_text("cloudprep: 1\n")
    assert find_pipeline("bare_earth") == ready_pipelines()["bare_earth"]
    assert find_pipeline("./bare_earth") == Path("bare_earth")
    assert find_pipeline(Path("bare_earth")) == Path("bare_earth")
    assert find_pipeline("mine") == Path("mine")


def test_a_file_name_may_hold_spaces_and_letters_of_any_language(
    tmp_path: Path, fake_stages: ModuleType
) -> None:
    path = tmp_path / "Grüner Hügel 山.yaml"
    path.write_text("cloudprep: 1\nstages: [{stage: floor_finder}]\n", encoding="utf-8")
    assert load_pipeline(str(path)).source == path


@pytest.mark.parametrize("text", ["EPSG:25832", "epsg:2193", " EPSG:25832+7837 ", "EPSG:326327"])
def test_a_reference_system_is_a_code(text: str) -> None:
    assert checked_reference(text) == text.strip().upper()


@pytest.mark.parametrize(
    "text", ["25832", "EPSG", "EPSG:", "EPSG:25832+", "EPSG:25832+EPSG:7837", "WGS84", "EPSG:1"]
)
def test_anything_else_is_not_a_reference_system(text: str) -> None:
    with pytest.raises(UsageError, match="must be like EPSG:25832"):
        checked_reference(text)
