"""The committed schema and reference page are what the stages declare."""

from __future__ import annotations

import json
from pathlib import Path

from jsonschema import Draft202012Validator

from cloudprep.config.locate import ready_pipelines
from cloudprep.config.reference import reference_page
from cloudprep.config.schema import pipeline_schema
from cloudprep.config.yaml_text import read_yaml
from cloudprep.stages.registry import BUILT_IN

DOCS = Path(__file__).resolve().parents[2] / "docs"


def test_the_committed_schema_and_page_are_current() -> None:
    schema = json.loads((DOCS / "pipeline.schema.json").read_text(encoding="utf-8"))
    assert schema == pipeline_schema(BUILT_IN), (
        "run: python -m cloudprep.config.schema > docs/pipeline.schema.json"
    )
    page = (DOCS / "stages.md").read_text(encoding="utf-8")
    assert page == reference_page(), "run: python -m cloudprep.config.reference > docs/stages.md"


def test_ready_pipelines_fit_the_committed_schema() -> None:
    schema = json.loads((DOCS / "pipeline.schema.json").read_text(encoding="utf-8"))
    assert ready_pipelines()
    for path in ready_pipelines().values():
        Draft202012Validator(schema).validate(read_yaml(path.read_bytes()).value)
