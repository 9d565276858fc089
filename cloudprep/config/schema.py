"""The JSON Schema of pipeline files: editors complete and check with it while someone types."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from cloudprep.config.facts import stage_facts
from cloudprep.config.sections import Assume, Boundary, Gate, GridOptions, OutputOptions
from cloudprep.stages.registry import BUILT_IN, stage_class, stage_names

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pydantic import BaseModel

__all__ = ["pipeline_schema"]


def pipeline_schema(names: Iterable[str] | None = None) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a pipeline file.

    Parameters
    ----------
    names : iterable of str, optional
        The stages to describe; by default all that are registered.

    Returns
    -------
    dict
        The schema. It accepts what :func:`cloudprep.config.load_pipeline` accepts, but for rules that tie
        two values together, and for whole numbers written as ``5.0``.
    """
    chosen = stage_names() if names is None else list(names)
    definitions: dict[str, Any] = {}
    for name in chosen:
        definitions[name] = _stage(name, definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "cloudprep pipeline",
        "description": "What is done to the flights of a site, in order, and how the clouds are written.",
        "type": "object",
        "additionalProperties": False,
        "required": ["cloudprep", "stages"],
        "properties": {
            "cloudprep": {"const": 1, "description": "version of the file format"},
            "stages": {
                "type": "array",
                "minItems": 1,
                "description": "the stages, in the order in which they work; lengths are metres",
                "items": {
                    "type": "object",
                    "required": ["stage"],
                    "properties": {"stage": {"enum": chosen, "description": "name of the stage"}},
                    # One branch a stage, so that an editor complains about the parameter and not about
                    # every stage that the entry is not.
                    "allOf": [
                        {
                            "if": {"properties": {"stage": {"const": name}}, "required": ["stage"]},
                            "then": {"$ref": f"#/$defs/{name}"},
                        }
                        for name in chosen
                    ],
                },
            },
            "output": _or_nothing(_model(OutputOptions, definitions)),
            "boundary": _or_nothing(_model(Boundary, definitions)),
            "grid": _or_nothing(_model(GridOptions, definitions)),
            "assume": _or_nothing(_model(Assume, definitions)),
            "gates": {"type": ["array", "null"], "items": _model(Gate, definitions)},
        },
        "$defs": definitions,
    }


def _or_nothing(schema: dict[str, Any]) -> dict[str, Any]:
    """Let a section be there with nothing in it."""
    return {**schema, "type": ["object", "null"]}


def _stage(name: str, definitions: dict[str, Any]) -> dict[str, Any]:
    stage = stage_class(name)
    schema = _model(stage.Params, definitions)
    return {
        **schema,
        "description": stage_facts(stage).summary,
        "properties": {"stage": {"const": name}, **schema.get("properties", {})},
    }


def _model(model: type[BaseModel], definitions: dict[str, Any]) -> dict[str, Any]:
    """Return a model's schema without the titles that pydantic makes up; its definitions move to the top."""
    schema: dict[str, Any] = _without_titles(model.model_json_schema(mode="validation"))
    definitions.update(schema.pop("$defs", {}))
    schema["description"] = (model.__doc__ or "").strip().partition("\n")[0]
    return schema


def _without_titles(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_titles(v) for k, v in value.items() if k != "title" or not isinstance(v, str)}
    return [_without_titles(v) for v in value] if isinstance(value, list) else value


def main() -> None:
    """Print the schema of the built-in stages.

    The committed file is made by ``python -m cloudprep.config.schema > docs/pipeline.schema.json``.
    """
    print(json.dumps(pipeline_schema(BUILT_IN), indent=2))  # noqa: T201 - its output is the file


if __name__ == "__main__":
    main()
