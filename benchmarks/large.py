"""bare_earth on flights that don't fit into memory: peak memory, scratch space, time a point as sites grow.

python benchmarks/large.py FOLDER [--flights 8] [--points 25000000] [--memory 4GB] [--workers 2]
    [--small 2000000]
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import time
from pathlib import Path

import psutil
from airborne import write_airborne

DENSITY = 40.0


def flights(folder: Path, count: int, points: int) -> list[Path]:
    """Return made-up flights that lie side by side and overlap by a twentieth; those that are there stay."""
    side = math.sqrt(points / (DENSITY * 1.25))
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for i in range(count):
        path = folder / f"flight_{i + 1}.laz"
        if not path.exists():
            part = path.with_name(f"part_{i + 1}.laz")
            write_airborne(part, points, seed=i + 1, density=DENSITY, west=round(0.95 * i * side, 2))
            part.rename(path)
        made.append(path)
    return made


def watched(command: list[str]) -> tuple[float, int]:
    """Run a command; return seconds and the largest memory that all its processes held together."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    peak = 0
    while process.poll() is None:
        peak = max(peak, resident(process.pid))
        time.sleep(0.1)
    if process.returncode not in (0, 3):
        raise SystemExit(process.stderr.read() if process.stderr else "failed")
    return time.perf_counter() - began, peak


def resident(pid: int) -> int:
    total = 0
    try:
        parent = psutil.Process(pid)
        for one in (parent, *parent.children(recursive=True)):
            total += one.memory_info().rss
    except psutil.Error:
        pass
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--flights", type=int, default=8)
    parser.add_argument("--points", type=int, default=25_000_000)
    parser.add_argument("--memory", default="4GB")
    parser.add_argument("--workers", type=int, nargs="+", default=[2])
    parser.add_argument("--small", type=int, default=2_000_000)
    options = parser.parse_args()
    sites = {
        "small": flights(options.folder / "small", 1, options.small),
        "large": flights(options.folder / "large", options.flights, options.points),
    }
    print("| site | points | workers | s | us a point | peak, all processes | its own record | scratch |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for name, paths in sites.items():
        for workers in options.workers:
            out = options.folder / f"out_{name}"
            command = [sys.executable, "-m", "cloudprep", "run", "bare_earth", *map(str, paths)]
            command += [
                "--out",
                str(out),
                "--workers",
                str(workers),
                "--memory",
                options.memory,
                "--overwrite",
                "-q",
            ]
            seconds, peak = watched(command)
            record = json.loads((out / "run.json").read_text())
            points = record["site"]["points"]
            print(
                f"| {name} | {points:,} | {workers} | {seconds:.0f} | {1e6 * seconds / points:.3f} "
                f"| {peak / 1e9:.2f} GB | {record['peak_memory_bytes'] / 1e9:.2f} GB "
                f"| {record.get('scratch_bytes', 0) / 1e9:.2f} GB |",
                flush=True,
            )
            for stage in record["stages"]:
                print(f"  {stage['stage']:22} {stage['seconds']:8.1f} s", file=sys.stderr)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
