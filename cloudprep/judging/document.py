"""Gates as a JSON document with a schema, for programs."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from cloudprep.judging.outcome import FailedInput, GateRecord  # noqa: TC001 - pydantic reads the annotations
from cloudprep.judging.words import plain

if TYPE_CHECKING:
    from cloudprep.judging.outcome import Judgement

__all__ = ["GatesDocument", "gates_json", "gates_schema"]


class Counts(BaseModel):
    """How many gates went how; a gate per flight counts once for every flight."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    passed: int = Field(ge=0)
    warned: int = Field(ge=0)
    failed: int = Field(ge=0)
    not_judged: int = Field(ge=0)


class GatesDocument(BaseModel):
    """The gates of a run and how they went; without times, so that equal runs give equal documents."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    schema_version: Literal[1] = 1
    version: str = Field(description="of cloudprep")
    pipeline: str = Field(description="where the pipeline came from")
    passed: bool = Field(description="no gate failed, and no input did")
    counts: Counts
    gates: list[GateRecord]
    failed_inputs: list[FailedInput] = []


def gates_json(judgement: Judgement) -> str:
    """Return the document as text."""
    document = GatesDocument(
        version=judgement.version,
        pipeline=plain(judgement.pipeline),
        passed=not judgement.failed and not judgement.count("failed"),
        counts=Counts(
            passed=judgement.count("passed"),
            warned=judgement.count("warned"),
            failed=judgement.count("failed"),
            not_judged=judgement.count("not_judged"),
        ),
        gates=list(judgement.gates),
        failed_inputs=list(judgement.failed),
    )
    values = document.model_dump(mode="json")
    return json.dumps(values, indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def gates_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the document."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "cloudprep gates",
        **GatesDocument.model_json_schema(mode="serialization"),
    }


def main() -> None:
    """Print the schema: ``python -m cloudprep.judging.document > docs/gates.schema.json``."""
    print(json.dumps(gates_schema(), indent=2))  # noqa: T201 - its output is the file


if __name__ == "__main__":
    main()
