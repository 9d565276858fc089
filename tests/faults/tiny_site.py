"""A tiny site, the command line on it, and what must hold whatever goes wrong."""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING

import laspy
import numpy as np
from folders import checksums, contents, deliverables, halves
from pyproj import CRS
from rasterio.io import MemoryFile
from typer.testing import CliRunner

from cloudprep.testing import example_cloud

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

STAGES = """stages:
  - stage: progressive_ground
  - stage: terrain_grid
    cell: 1.0
"""
WITH_REPORT = f"cloudprep: 1\n{STAGES}"
PIPELINE = f"cloudprep: 1\noutput:\n  report: false\n{STAGES}"


def write_flight(path: Path, rows: slice, east: float = 412_000.0, north: float = 5_654_000.0) -> None:
    """Write some rows of the made-up cloud as a flight."""
    columns = {name: values[rows] for name, values in example_cloud().items()}
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, 0.001), np.array([east, north, 0.0])
    header.add_crs(CRS.from_epsg(32632))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = columns["x"] + east, columns["y"] + north, columns["z"]
    for name in ("return_number", "number_of_returns", "classification", "intensity", "point_source_id"):
        setattr(cloud, name, columns[name])
    path.parent.mkdir(parents=True, exist_ok=True)
    cloud.write(path)


def unpacked(data: bytes) -> tuple[object, ...]:
    """Return all that a GeoTIFF holds, however it is packed."""
    with MemoryFile(data) as memory, memory.open() as file:
        return (
            file.read().tobytes(),
            file.tags(),
            file.tags(1),
            str(file.transform),
            str(file.crs),
            file.nodata,
        )


@dataclass
class Site:
    """Two tiny flights, a pipeline, and the folder of results that an uninterrupted run makes of them."""

    folder: Path
    reference: Path

    @property
    def flights(self) -> Path:
        return self.folder / "flights"

    @property
    def out(self) -> Path:
        return self.folder / "out"

    def run(
        self,
        *more: str | Path,
        out: Path | None = None,
        pipeline: Path | None = None,
        flights: Path | None = None,
    ) -> Result:
        """Run the command line in this process."""
        from cloudprep.cli.main import app

        pipeline = pipeline or self.folder / "pipeline.yaml"
        words = ["run", pipeline, flights or self.flights, "--out", out or self.out, "--workers", "1"]
        return CliRunner().invoke(app, [str(w) for w in (*words, *more)], prog_name="cloudprep")

    def fresh(self, before: Path | None = None) -> Path:
        """Empty the folder of results, or put an earlier one there; return it."""
        shutil.rmtree(self.out, ignore_errors=True)
        if before is not None:
            shutil.copytree(before, self.out)
        return self.out

    def wanted(self) -> dict[str, bytes]:
        """Return what a finished folder holds."""
        return contents(self.reference)

    def check_whole(self, out: Path | None = None, *earlier: Path, packed_alike: bool = True) -> None:
        """Hold what lies under final names to be whole: of this run, or of an earlier one.

        Where memory is short the library may pack rasters in another way: what they hold must be the same.
        """
        out = out or self.out
        good = [self.wanted(), *(contents(e) for e in earlier)]
        found = deliverables(out) if out.exists() else {}
        for name, data in found.items():
            if name != "run.json":
                alike = name.endswith(".tif") and not packed_alike
                assert any(
                    data == one.get(name) or (alike and name in one and unpacked(data) == unpacked(one[name]))
                    for one in good
                ), f"{name} is neither whole nor an earlier one"
        check_record(out)
        if "run.json" in found and not any(found["run.json"] == one["run.json"] for one in good):
            self.check_honest(found["run.json"], found)

    def check_honest(self, record: bytes, found: dict[str, bytes]) -> None:
        """Hold a record of a run with failures to what lies there."""
        told = json.loads(record)
        assert told["status"] != "done"
        assert {o["path"] for o in told["outputs"]} == set(found) - {"run.json"}

    def check_inputs(self) -> None:
        """Hold the inputs to be as they were."""
        assert checksums(self.flights) == self.before

    def check_finishes(self, *more: str) -> None:
        """Run again where nothing goes wrong: the same bytes as an undisturbed run, and no others."""
        result = self.run(*more)
        assert result.exit_code == 0, result.stderr
        assert halves(self.out) == []
        assert_same(contents(self.out), self.wanted())

    def __post_init__(self) -> None:
        self.before = checksums(self.flights)


def check_record(out: Path) -> None:
    """Hold a record, where there is one, to what lies beside it: every file that it names, to the bit."""
    if (out / "run.json").exists():
        for output in json.loads((out / "run.json").read_text(encoding="utf-8"))["outputs"]:
            assert hashlib.sha256((out / output["path"]).read_bytes()).hexdigest() == output["sha256"], output


def assert_same(found: dict[str, bytes], wanted: dict[str, bytes]) -> None:
    """Compare two folders byte by byte, and name the files that differ."""
    assert sorted(found) == sorted(wanted)
    assert [name for name in wanted if found[name] != wanted[name]] == []


def one_line(result: Result) -> str:
    """Return the last line of stderr, which tells no traceback and no fault of the program."""
    assert result.exception is None or isinstance(result.exception, SystemExit), repr(result.exception)
    assert "Traceback" not in result.stderr
    assert "fault of the program" not in result.stderr, result.stderr
    lines = result.stderr.strip().splitlines()
    assert all(line.startswith("cloudprep: ") for line in lines), result.stderr
    return lines[-1] if lines else ""
