"""The main job on a made-up airborne cloud: time against reading and writing the same file, peak memory.

python benchmarks/main_job.py [--points 4000000] [--workers 2]
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from airborne import write_airborne

READ_WRITE = """
import sys, time, laspy
began = time.perf_counter()
cloud = laspy.read(sys.argv[1], laz_backend=laspy.LazBackend.LazrsParallel)
cloud.write(sys.argv[2], laz_backend=laspy.LazBackend.LazrsParallel)
print(time.perf_counter() - began)
"""


def read_and_write(source: Path, folder: Path) -> float:
    done = subprocess.run(
        [sys.executable, "-c", READ_WRITE, str(source), str(folder / "copy.laz")],
        check=True,
        capture_output=True,
        text=True,
    )
    return float(done.stdout)


def as_installed() -> dict[str, str]:
    """Return an environment in which Python keeps modules compiled, as those of an installed package are."""
    return {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=4_000_000)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = folder / "flight.laz"
        write_airborne(source, options.points)
        print(f"{source.stat().st_size / 1e6:.0f} MB of LAZ")
        for turn in ("first", "second"):
            reference = read_and_write(source, folder)
            out = folder / f"out_{turn}"
            command = [sys.executable, "-m", "cloudprep", "run", "bare_earth", str(source)]
            command += ["--out", str(out), "--workers", str(options.workers), "-q"]
            began = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True, env=as_installed())
            wall = time.perf_counter() - began
            record = json.loads((out / "run.json").read_text())
            points = record["site"]["points"]
            print(f"\n{turn} run: {points:,} points, {wall:.1f} s, {record['seconds']:.1f} s of them inside")
            print(f"  against reading and writing the file ({reference:.2f} s): {wall / reference:.1f} times")
            print(
                f"  peak memory {record['peak_memory_bytes'] / 1e9:.2f} GB, "
                f"{record['peak_memory_bytes'] / points:.0f} bytes a point"
            )
            for stage in record["stages"]:
                print(f"  {stage['stage']:24} {stage['seconds']:7.2f} s  {stage['changed']:>10,} changed")


if __name__ == "__main__":
    main()
