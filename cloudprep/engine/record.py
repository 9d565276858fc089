"""The run record: what was run on what, what was assumed, what came of it. Written last.

A folder without a finished record is unfinished, whatever other files lie in it.
"""

from __future__ import annotations

import json
import platform
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import PydanticSerializationError

from cloudprep import __version__
from cloudprep.io.atomic import whole_file
from cloudprep.io.caution import CAUTION
from cloudprep.judging.outcome import GateRecord  # noqa: TC001 - pydantic reads the annotation

if TYPE_CHECKING:
    from pathlib import Path

RECORD_NAME = "run.json"
ITEM_NAME = "item.json"
_REPORTED = (
    "numpy",
    "scipy",
    "numba",
    "laspy",
    "lazrs",
    "rasterio",
    "pyogrio",
    "ezdxf",
    "shapely",
    "pyproj",
    "pydantic",
)

Status = Literal["done", "some_inputs_failed", "all_inputs_failed", "gate_failed"]
# Who works on the blocks.
Engine = Literal["threads", "dask"]
OutputKind = Literal[
    "cloud",
    "raster",
    "picture",
    "layers",
    "drawing",
    "surface",
    "index",
    "catalogue",
    "report",
    "judgement",
]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class InputRecord(_Part):
    """One input as it was found."""

    path: str
    name: str = Field("", description="stem of what is delivered for it")
    size_bytes: int = Field(ge=0)
    modified_ns: int = Field(
        0, ge=0, description="when its content was last changed, as the file system says; ns since 1970"
    )
    changed_ns: int = Field(
        0, ge=0, description="when it, or what is known about it, was last changed there; ns since 1970"
    )
    sha256: str = Field(description="of the file's bytes; empty where it could not be read")
    points: int = Field(ge=0)
    stray_points: int = Field(0, ge=0, description="points at absurd coordinates, labelled noise")
    unused_points: int = Field(
        0,
        ge=0,
        description="other points beyond the buffer of the boundary: used for nothing, labels as given",
    )
    outside_points: int = Field(
        0, ge=0, description="points outside the boundary that the delivered cloud is without"
    )
    reference_system: str = ""
    warnings: list[str] = []
    status: Literal["done", "failed"]
    reason: str = Field("", description="why it failed")
    try_again: bool = Field(
        False,
        description="whether it failed for a cause that may pass, such as a full disk or a lost network",
    )
    figures: dict[str, float] = Field({}, description="of this input alone")
    outline: str = Field(
        "",
        description="the ground that its points lie on, as well-known text of polygons, units of the cloud;"
        " empty where it wasn't read whole",
    )


class GivenRecord(_Part):
    """One vector layer that a stage was given."""

    stage: str
    parameter: str
    path: str
    layer: str
    size_bytes: int = Field(ge=0)
    sha256: str = Field(description="of the file's bytes; of a shapefile's files one after the other")
    features: int = Field(ge=0)
    features_on_site: int = Field(ge=0, description="features that touch the site, as headers bound it")


class StageRecord(_Part):
    """One stage as it was carried out."""

    stage: str
    package: str = Field(
        "", description="installed package that the stage comes from; empty where it is registered nowhere"
    )
    parameters: dict[str, Any] = Field(description="with every default and derived value filled in")
    derived: dict[str, str] = Field(
        {},
        description="reason for each parameter that was derived from the cloud, or settled once its points "
        "were seen",
    )
    reach_m: float = Field(ge=0, description="buffer around each block, m")
    seconds: float = Field(ge=0)
    points: int = Field(ge=0, description="points that the stage saw")
    changed: int = Field(ge=0, description="points whose class or withheld flag changed")
    classes: dict[str, int] = Field({}, description="points by class code after the stage")
    warnings: list[str] = []


class OutputRecord(_Part):
    """One deliverable."""

    path: str = Field(description="below the run's folder, with forward slashes")
    kind: OutputKind
    size_bytes: int = Field(ge=0)
    sha256: str
    source: str = Field("", description="the input it was made from, for clouds")
    points: int | None = None


class ExtraDimensionRecord(_Part):
    """A label that LAS has no field for, as it stands in every delivered cloud."""

    name: str
    type: str = Field(description="as numpy spells it")
    unit: str = ""
    meaning: str
    stage: str = Field(description="the stage that gave the values")


class SiteRecord(_Part):
    """The site as it was measured."""

    points: int = Field(ge=0)
    bounds: tuple[float, float, float, float] = Field(
        description="west, south, east, north; units of the clouds"
    )
    lowest: float = Field(description="units of the clouds")
    highest: float = Field(description="units of the clouds")
    spacing_m: float = Field(ge=0, description="mean point spacing over occupied ground, m")
    multiple_returns: bool
    reference_system: str
    horizontal_unit_m: float = Field(gt=0, description="metres in one unit of the plan")
    vertical_unit_m: float = Field(gt=0, description="metres in one unit of height")


class BoundaryRecord(_Part):
    """The area that was delivered."""

    file: str
    layer: str
    sha256: str
    area_m2: float = Field(ge=0)
    buffer_m: float = Field(ge=0, description="points so far beyond it were still used")
    clouds: Literal["cut", "whole"]
    unused_points: int = Field(ge=0, description="points beyond the buffer, used for nothing")
    outside_points: int = Field(ge=0, description="points that the delivered clouds are without")


class AskedRecord(_Part):
    """What was asked of a run: the same of the same inputs gives the same results again."""

    pipeline: dict[str, Any] = Field(description="with every default filled in, before anything is derived")
    pipeline_folder: str = Field(description="where its relative paths start")
    added_stages: dict[str, str] = Field(
        {}, description="stages of third parties: the package and its version"
    )
    cell: float | None = None
    boundary: str | None = None
    assume_crs: str | None = None


class RunRecord(_Part):
    """Everything that is needed to trust, repeat or judge a run."""

    schema_version: Literal[1] = 1
    status: Status
    started: str = Field(description="ISO 8601, UTC")
    finished: str = Field(description="ISO 8601, UTC")
    seconds: float = Field(ge=0)
    peak_memory_bytes: int = Field(
        ge=0, description="largest resident memory of the process so far, and of all workers elsewhere"
    )
    scratch_bytes: int = Field(0, ge=0, description="largest size of the files that held points meanwhile")
    blocks: int = Field(0, ge=0, description="blocks that the points were worked on in")
    versions: dict[str, str]
    engine: Engine = "threads"
    workers: int = Field(ge=1, description="blocks at a time, all together")
    pipeline_source: str
    pipeline: dict[str, Any] = Field(description="as resolved, with every default filled in")
    asked: AskedRecord | None = None
    inputs: list[InputRecord]
    given: list[GivenRecord] = Field([], description="vector files that stages were given")
    site: SiteRecord | None = None
    reference_systems: dict[str, str] = Field(
        {}, description="well-known text of the reference systems that inputs and the site name"
    )
    boundary: BoundaryRecord | None = None
    stages: list[StageRecord] = []
    figures: dict[str, float] = {}
    assumed: list[str] = []
    warnings: list[str] = []
    outputs: list[OutputRecord] = []
    extra_dimensions: list[ExtraDimensionRecord] = Field(
        [], description="written to every delivered cloud beside the source's own"
    )
    gates: list[GateRecord] = []
    caution: str = CAUTION


def versions() -> dict[str, str]:
    """Return the versions that a result depends on."""
    found = {"cloudprep": __version__, "python": platform.python_version(), "platform": platform.platform()}
    for name in _REPORTED:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "missing"
    return found


def write_record(record: RunRecord, folder: Path) -> Path:
    """Write the record of a run; it is the last file to appear.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    target = folder / RECORD_NAME
    with whole_file(target) as part:
        part.write_text(_as_json(record) + "\n", encoding="utf-8")
    return target


def _as_json(record: RunRecord) -> str:
    try:
        return record.model_dump_json(indent=2)
    except PydanticSerializationError:
        # Names of files need be no text: what is none is spelled out, and read_record gives the same name.
        return json.dumps(record.model_dump(mode="json"), indent=2, ensure_ascii=True)


def read_record(folder: Path) -> dict[str, Any] | None:
    """Return the record of a finished run in a folder, or None where there is none that can be read."""
    path = folder / RECORD_NAME
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) and "status" in found else None


def record_schema() -> dict[str, Any]:
    """Return the JSON Schema of the run record."""
    schema = RunRecord.model_json_schema(mode="serialization")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "cloudprep run record",
        **schema,
    }


def main() -> None:
    """Print the schema: ``python -m cloudprep.engine.record > docs/run_record.schema.json``."""
    print(json.dumps(record_schema(), indent=2))  # noqa: T201


if __name__ == "__main__":
    main()
