"""What a batch costs beside its runs: the same flights one by one, and a look through what is done.

``python benchmarks/batches.py [--flights N] [--points N] [--repeats N] [--finished N]``
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import laspy
import numpy as np
from pyproj import CRS

PIPELINE = "bare_earth"
# What a batch is held against: run_site for each flight, in one process that imports everything once.
SINGLY = """
import sys
from pathlib import Path
from cloudprep.config import load_pipeline
from cloudprep.engine.progress import Silent
from cloudprep.engine.run import RunRequest, run_site
pipeline, out = load_pipeline(sys.argv[1]), Path(sys.argv[2])
for path in sys.argv[3:]:
    run_site(RunRequest(pipeline, (path,), out / Path(path).stem), Silent())
"""
CHEAP = "cloudprep: 1\nstages:\n  - stage: simple_morphological\n"


def write_flight(path: Path, east: float, side: float, points: int, seed: int) -> None:
    """Write a hilly flight with some boxes on it."""
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, side, (2, points))
    z = 8 * np.sin(x / 40) * np.cos(y / 55) + random.normal(0, 0.03, points)
    z += np.where((x % 60 < 14) & (y % 75 < 20), 6.0, 0.0)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = np.full(3, 0.001), np.array([400_000.0, 5_600_000.0, 0.0])
    header.add_crs(CRS.from_epsg(25832))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = x + 400_000 + east, y + 5_600_000, z
    cloud.return_number[:] = cloud.number_of_returns[:] = 1
    cloud.write(path)


def seconds(words: list[str]) -> float:
    """Return how long a command takes."""
    began = time.perf_counter()
    done = subprocess.run(words, check=False, capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stderr)
    return time.perf_counter() - began


def overhead(folder: Path, flights: int, points: int, repeats: int) -> None:
    """Print what a batch takes against its runs, turn by turn."""
    inputs = []
    (folder / "flights").mkdir()
    for i in range(flights):
        inputs.append(folder / "flights" / f"f{i:03}.laz")
        write_flight(inputs[-1], 5000.0 * i, (points / 8) ** 0.5, points, i)
    out = folder / "out"
    cloudprep = [sys.executable, "-m", "cloudprep"]
    single = [sys.executable, "-c", SINGLY, PIPELINE, str(out), *map(str, inputs)]
    batch = [*cloudprep, "batch", PIPELINE, *map(str, inputs), "--out", str(out), "-qq"]
    each = [[*cloudprep, "run", PIPELINE, str(p), "--out", str(out / p.stem), "-qq"] for p in inputs]
    ways = {"singly": [single], "batch": [batch], "commands": each}
    times: dict[str, list[float]] = {name: [] for name in ways}
    seconds(single)  # compiles what this machine hasn't compiled yet
    for _ in range(repeats):
        for name, commands in ways.items():
            shutil.rmtree(out)
            times[name].append(sum(seconds(words) for words in commands))
    print(f"{flights} flights of {points:,} points, {PIPELINE}, {repeats} times in turn")
    base = times["singly"]
    for name, label in (
        ("singly", "run_site for each, one process"),
        ("batch", "cloudprep batch"),
        ("commands", "cloudprep run for each"),
    ):
        ratios = [t / b for t, b in zip(times[name], base, strict=True)]
        print(
            f"  {label:32} {statistics.median(times[name]):8.1f} s   "
            f"{statistics.median(ratios):6.3f} of singly ({min(ratios):.3f} to {max(ratios):.3f})"
        )


def finished(folder: Path, count: int, repeats: int) -> None:
    """Print how long it takes to find that a finished batch needs nothing."""
    flights = folder / "many"
    flights.mkdir()
    write_flight(flights / "n000.laz", 0.0, 30.0, 2000, 1)
    for i in range(1, count):
        write_flight(flights / f"n{i:03}.laz", 5000.0 * i, 30.0, 2000, i)
    declared = folder / "cheap.yaml"
    declared.write_text(CHEAP, encoding="utf-8")
    time.sleep(2.5)  # beyond the grain of the file systems' times
    out = folder / "done"
    words = [sys.executable, "-m", "cloudprep", "batch", str(declared), str(flights), "--out", str(out)]
    whole = seconds([*words, "-qq"])
    took, used = [], []
    for _ in range(repeats):
        before = os.times()
        took.append(seconds([*words, "--resume", "-qq"]))
        after = os.times()
        used.append(
            after.children_user + after.children_system - before.children_user - before.children_system
        )
    start = statistics.median(
        seconds([sys.executable, "-m", "cloudprep", "--version"]) for _ in range(repeats)
    )
    record = json.loads((out / "batch.json").read_text(encoding="utf-8"))
    print(f"{len(record['sites'])} finished sites of {count} flights (the batch itself: {whole:.0f} s)")
    print(f"  --resume {statistics.median(took):.2f} s (processor {statistics.median(used):.2f} s)")
    print(f"  cloudprep --version, for comparison: {start:.2f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=10)
    parser.add_argument("--points", type=int, default=400_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--finished", type=int, default=200)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        if options.finished:
            finished(Path(name), options.finished, options.repeats)
        if options.flights:
            overhead(Path(name), options.flights, options.points, options.repeats)


if __name__ == "__main__":
    main()
