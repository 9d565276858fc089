"""The record of a batch: which sites there are, of which flights, and what came of each.

It is written whole after every site, so that at any moment it says what is true: a batch that was killed is
``unfinished``, and so are the sites that it didn't come to.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from cloudprep.io.atomic import whole_file

if TYPE_CHECKING:
    from pathlib import Path

BATCH_NAME = "batch.json"

GroupBy = Literal["adjacency", "folder", "file"]
SiteStatus = Literal["unfinished", "done", "some_inputs_failed", "gate_failed", "failed"]
BatchStatus = Literal["planned", "unfinished", "done", "gate_failed", "some_failed", "stopped", "interrupted"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class BatchInput(_Part):
    """One flight as it was when the sites were made out."""

    path: str
    size_bytes: int = Field(default=0, ge=0)
    modified_ns: int = Field(default=0, ge=0, description="as in the run record")
    changed_ns: int = Field(default=0, ge=0, description="as in the run record")
    site: str = Field(default="", description="empty where it was set aside")
    reason: str = Field(default="", description="why it was set aside")


class SiteEntry(_Part):
    """One site, and what came of its run."""

    name: str
    folder: str = Field(description="below the folder of the batch; its run.json tells the rest")
    inputs: list[str]
    points: int = Field(default=0, ge=0, description="as headers tell")
    status: SiteStatus = "unfinished"
    seconds: float = Field(default=0, ge=0)
    gates_failed: list[str] = Field(default=[], description="the reason of each")
    inputs_failed: dict[str, str] = Field(default={}, description="reasons by path")
    warnings: int = Field(default=0, ge=0, description="how many its record holds")
    reason: str = Field(default="", description="why it failed as a whole")
    remark: str = Field(
        default="", description="what happened on the way, such as less memory after a worker's end"
    )


class BatchRecord(_Part):
    """Everything about a batch that the records of its runs don't say."""

    schema_version: Literal[1] = 1
    status: BatchStatus
    exit_code: int | None = Field(description="none while it is planned or unfinished")
    started: str = Field(description="ISO 8601, UTC")
    finished: str = Field(description="ISO 8601, UTC; empty while it is planned or unfinished")
    seconds: float = Field(ge=0)
    version: str = Field(description="of cloudprep")
    pipeline_source: str
    pipeline_sha256: str = Field(description="of the bytes of the pipeline file")
    asked: dict[str, Any] = Field(description="of each run, as in the run record")
    group_by: GroupBy
    gap_m: float = Field(ge=0, description="flights so far apart still touch")
    sites: list[SiteEntry]
    inputs: list[BatchInput]
    assumed: list[str] = []
    orphaned: list[str] = Field(
        [], description="folders of earlier sites that are no site any more: left as they are"
    )


def write_batch(record: BatchRecord, folder: Path) -> None:
    """Write the record of a batch.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    with whole_file(folder / BATCH_NAME) as part:
        part.write_text(record.model_dump_json(indent=2) + "\n", encoding="utf-8")


def read_batch(folder: Path) -> BatchRecord | None:
    """Return the record of a batch in a folder; None where there is none that can be understood."""
    try:
        return BatchRecord.model_validate_json((folder / BATCH_NAME).read_bytes())
    except (OSError, ValueError):
        return None


def batch_schema() -> dict[str, Any]:
    """Return the JSON Schema of the record of a batch."""
    schema = BatchRecord.model_json_schema(mode="serialization")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "cloudprep batch record",
        **schema,
    }


def main() -> None:
    """Print the schema: ``python -m cloudprep.runs.batch_record > docs/batch.schema.json``."""
    print(json.dumps(batch_schema(), indent=2))  # noqa: T201


if __name__ == "__main__":
    main()
