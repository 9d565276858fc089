"""The report of a made-up airborne cloud: its time against reading the file, and how large the page is.

python benchmarks/report.py [--points 10000000] [--turns 3]

Points are in memory, as a run has them; ground is labelled by the true surface, so that all rules have work.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

import laspy
import numpy as np
from airborne import ground_height, write_airborne

from cloudprep.model.bounds import Bounds
from cloudprep.reporting.delivered import picked
from cloudprep.reporting.gathered import gather
from cloudprep.reporting.page import page, study
from cloudprep.reporting.place import Place

PIECE = 1_000_000


class InMemory:
    """Points in arrays."""

    def __init__(self, columns):
        self.columns = columns

    def pieces(self):  # noqa: D102
        for start in range(0, len(self.columns["x"]), PIECE):
            yield {name: values[start : start + PIECE] for name, values in self.columns.items()}

    def within(self, boxes):  # noqa: D102
        return [picked(self.columns, box) for box in boxes]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=10_000_000)
    parser.add_argument("--turns", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "flight.laz"
        write_airborne(path, options.points)
        for turn in range(options.turns):
            began = time.perf_counter()
            cloud = laspy.read(path, laz_backend=laspy.LazBackend.LazrsParallel)
            x, y, z = (np.asarray(cloud[axis]) for axis in ("x", "y", "z"))
            reading = time.perf_counter() - began
            x, y = x - 412_000.0, y - 5_654_000.0
            above = z - ground_height(x, y)
            codes = np.where(np.abs(above) < 0.2, 2, np.where(np.abs(above) > 40, 7, 1)).astype(np.uint8)
            columns = {
                "x": x,
                "y": y,
                "z": z,
                "classification": codes,
                "ground_confidence": np.where(codes == 2, 97, 90).astype(np.uint8),
                "intensity": np.asarray(cloud.intensity),
                "point_source_id": np.asarray(cloud.point_source_id),
            }
            place = Place(
                Bounds(0.0, 0.0, float(x.max()) + 0.01, float(y.max()) + 0.01),
                float(z.min()),
                float(z.max()),
                float(np.sqrt(x.max() * y.max() / len(x))),
                codes=np.bincount(codes, minlength=256),
            )
            record = {"outputs": [], "inputs": [], "pipeline": {}, "stages": []}
            began, work = time.perf_counter(), time.process_time()
            points = InMemory(columns)
            seen = study(points, gather(points, place), record, Path(name))
            middle = time.perf_counter()
            html = page(seen, record, "benchmark")
            end, work = time.perf_counter(), time.process_time() - work
            print(
                f"turn {turn + 1}: {len(x):,} points; reading {reading:.2f} s; report {end - began:.2f} s",
                end="",
            )
            print(
                f" ({middle - began:.2f} s points, {end - middle:.2f} s page; {work:.2f} s of processor)",
                end="",
            )
            print(f", {(end - began) / reading:.2f} times reading; page {len(html.encode()) / 1e6:.2f} MB")
        print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
