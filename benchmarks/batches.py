"""What a batch costs beside its runs: the same flights one by one, and a look through what is done.

``python benchmarks/batches.py [--flights N] [--points N] [--repeats N] [--finished N] [--commands]``
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


def took(words: list[str]) -> tuple[float, float]:
    """Return how long a command takes, and the processor time of all its processes, seconds."""
    began, before = time.perf_counter(), os.times()
    done = subprocess.run(words, check=False, capture_output=True, text=True)
    after = os.times()
    if done.returncode:
        sys.exit(done.stderr)
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return time.perf_counter() - began, used


def overhead(folder: Path, flights: int, points: int, repeats: int, *, commands: bool) -> None:
    """Print what a batch takes against its runs, turn by turn."""
    inputs = []
    (folder / "flights").mkdir()
    for i in range(flights):
        inputs.append(folder / "flights" / f"f{i:03}.laz")
        write_flight(inputs[-1], 5000.0 * i, (points / 8) ** 0.5, points, i)
    out = folder / "out"
    cloudprep = [sys.executable, "-m", "cloudprep"]
    single = [sys.executable, "-c", SINGLY, PIPELINE, str(out), *map(str, inputs)]
    ways = {
        "run_site for each, one process": [single],
        "cloudprep batch": [
            [*cloudprep, "batch", PIPELINE, *map(str, inputs), "--out", str(out), "-qq"],
        ],
    }
    if commands:
        each = [[*cloudprep, "run", PIPELINE, str(p), "--out", str(out / p.stem), "-qq"] for p in inputs]
        ways["cloudprep run for each"] = each
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
    took(single)  # compiles what this machine hasn't compiled yet
    print(f"{flights} flights of {points:,} points, {PIPELINE}, {repeats} times in turn; median ratios")
    for turn in range(repeats):
        # Whoever comes first in a turn comes last in the next: load of other programs drifts.
        for name in list(ways)[:: 1 if turn % 2 else -1]:
            shutil.rmtree(out)
            both = [took(words) for words in ways[name]]
            times[name].append((sum(t for t, _ in both), sum(u for _, u in both)))
    base = times["run_site for each, one process"]
    for name, found in times.items():
        wall = [t / b for (t, _), (b, _) in zip(found, base, strict=True)]
        used = [u / b for (_, u), (_, b) in zip(found, base, strict=True)]
        print(
            f"  {name:32} {statistics.median(t for t, _ in found):7.1f} s, ratio "
            f"{statistics.median(wall):.3f} ({min(wall):.3f} to {max(wall):.3f}); processor "
            f"{statistics.median(u for _, u in found):7.1f} s, ratio "
            f"{statistics.median(used):.3f} ({min(used):.3f} to {max(used):.3f})"
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
    whole, _ = took([*words, "-qq"])
    again = [took([*words, "--resume", "-qq"]) for _ in range(repeats)]
    start = [took([sys.executable, "-m", "cloudprep", "--version"]) for _ in range(repeats)]
    record = json.loads((out / "batch.json").read_text(encoding="utf-8"))
    print(f"{len(record['sites'])} finished sites of {count} flights (the batch itself: {whole:.0f} s)")
    for label, found in (("--resume", again), ("cloudprep --version", start)):
        wall, used = (statistics.median(one[i] for one in found) for i in (0, 1))
        print(f"  {label:20} {wall:.2f} s, processor {used:.2f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=10)
    parser.add_argument("--points", type=int, default=400_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--finished", type=int, default=200)
    parser.add_argument("--commands", action="store_true", help="also a command of its own for each flight")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        if options.finished:
            finished(Path(name), options.finished, options.repeats)
        if options.flights:
            overhead(Path(name), options.flights, options.points, options.repeats, commands=options.commands)


if __name__ == "__main__":
    main()
