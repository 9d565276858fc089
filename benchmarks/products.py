"""All terrain products of a classified flight: time over reading and writing the same file, and who takes it.

python benchmarks/products.py [--points 4000000] [--cell 0.5] [--workers 2] [--turns 3] [--pipeline NAME]

The flight is made up (airborne.py) and classified by its own truth. One turn reads and writes the file and
then runs the pipeline; the ratio is the median of the turns, after one that compiles. A stage's share
includes waiting for rasters of earlier stages that are still being written when it hands over its own;
"reading, clouds, index" is what is left of the run, "start" the time of the process around it.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import laspy
import numpy as np
from airborne import ground_height, write_airborne
from main_job import as_installed, read_and_write

if TYPE_CHECKING:
    from collections.abc import Mapping

# As far as its noise goes, and well below plants and roofs.
GROUND_WITHIN = 0.12


def write_classified(path: Path, points: int) -> None:
    """Write a flight whose ground, plants and buildings carry their classes."""
    plain = path.with_name("unclassified.laz")
    write_airborne(plain, points)
    cloud = laspy.read(plain)
    x, y = np.asarray(cloud.x) - 412_000, np.asarray(cloud.y) - 5_654_000
    above = np.asarray(cloud.z) - ground_height(x, y)
    several = np.asarray(cloud.number_of_returns) > 1
    classes = np.where(np.abs(above) <= GROUND_WITHIN, 2, np.where(several, 5, 6))
    classes[(above < -GROUND_WITHIN) | (above > 40)] = 7
    cloud.classification = classes.astype(np.uint8)
    cloud.write(path)
    plain.unlink()


def one_turn(source: Path, folder: Path, options: argparse.Namespace) -> tuple[float, float, Mapping]:
    """Return seconds of reading and writing, seconds of the run, and its record."""
    reference = read_and_write(source, folder)
    out = folder / "out"
    command = [sys.executable, "-m", "cloudprep", "run", options.pipeline, str(source), "--out", str(out)]
    command += ["--workers", str(options.workers), "--cell", str(options.cell), "--overwrite", "-q"]
    began = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env=as_installed())
    return reference, time.perf_counter() - began, json.loads((out / "run.json").read_text())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=4_000_000)
    parser.add_argument("--cell", type=float, default=0.5)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--turns", type=int, default=3)
    parser.add_argument("--pipeline", default="terrain_products")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = folder / "flight.laz"
        write_classified(source, options.points)
        one_turn(source, folder, options)
        turns = [one_turn(source, folder, options) for _ in range(options.turns)]
    ratios = sorted(wall / reference for reference, wall, _ in turns)
    record = turns[-1][2]
    points, cells = record["site"]["points"], record["figures"].get("terrain.cells", 0)
    print(
        f"{points:,} points, {cells / 1e6:.2f} million cells of {options.cell:g} m, {options.workers} workers"
    )
    print(
        f"{options.pipeline} over reading and writing the LAZ: {statistics.median(ratios):.2f} x "
        f"({ratios[0]:.2f} to {ratios[-1]:.2f} in {len(ratios)} turns)"
    )
    print(f"peak memory {record['peak_memory_bytes'] / points:.0f} bytes a point")
    print("\n| part | share of the run | over reading and writing |\n| --- | --- | --- |")
    shares: dict[str, list[tuple[float, float]]] = {}
    for reference, wall, done in turns:
        stages = {stage["stage"]: stage["seconds"] for stage in done["stages"]}
        rest = done["seconds"] - sum(stages.values())
        parts = {**stages, "reading, clouds, index": rest, "start": wall - done["seconds"]}
        for part, seconds in parts.items():
            shares.setdefault(part, []).append((seconds / wall, seconds / reference))
    for part, pairs in shares.items():
        share, times = (statistics.median(values) for values in zip(*pairs, strict=True))
        print(f"| {part} | {share:.1%} | {times:.2f} x |")


if __name__ == "__main__":
    main()
