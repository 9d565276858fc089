"""Triangulation and gridding against scipy, in one run: CPU microseconds a point, and the ratio.

    python benchmarks/terrain.py [--points 1000000] [--reference 200000]

Points are uniform at four to the square metre, stored in millimetres; "scan order" walks them in strips, as
a flight stores them. The interpolator runs on fewer points, since it would take minutes; ratios compare times
a point.
"""

from __future__ import annotations

import argparse
import gc
import resource
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import blas_alone  # noqa: F401 - before what it is about
import numpy as np
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from cloudprep.kernels.tin import tin_heights
from cloudprep.kernels.tin_points import sites_of, substeps
from cloudprep.kernels.triangulation import triangulate
from cloudprep.model.points import Points
from cloudprep.stages.base import whole_cloud_context
from cloudprep.stages.surface.terrain_grid import TerrainGrid, TerrainGridParams
from cloudprep.testing import facts_of

if TYPE_CHECKING:
    from collections.abc import Callable

CELL = 0.5
STEP = 0.001


def points(count: int, *, scan: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return x, y, z of a rolling terrain, distinct in x and y."""
    rng = np.random.default_rng(1)
    side = (count / 4) ** 0.5
    xy = np.unique(np.round(rng.random((count, 2)) * side, 3), axis=0)
    order = np.lexsort((xy[:, 1], xy[:, 0] // 2)) if scan else rng.permutation(len(xy))
    x, y = np.ascontiguousarray(xy[order].T)
    return x, y, 300 + 20 * np.sin(x / 50) * np.cos(y / 70)


def cpu(work: Callable[[], object], repeats: int) -> tuple[float, object]:
    """Return the shortest CPU time of some repeats, s, and the last result."""
    best, result = np.inf, None
    for _ in range(repeats):
        start = time.process_time()
        result = work()
        best = min(best, time.process_time() - start)
    return best, result


def ours(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    sites = sites_of(x, y, z, STEP)
    size = int(x.max() / CELL)
    columns = substeps(sites, CELL / 2, CELL, size, along=0)
    rows = substeps(sites, CELL / 2, CELL, size, along=1)
    return tin_heights(sites.steps, sites.z, triangulate(sites.steps), columns, rows)


class Drawn:
    """The stage itself on ground points: tiles, in some threads, as a run has them in one block."""

    def __init__(self, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> None:
        columns = {"x": x, "y": y, "z": z, "classification": np.full(len(x), 2, np.uint8)}
        self.site = facts_of(columns, (0.0, 0.0))
        self.stage = TerrainGrid(TerrainGridParams(cell=CELL)).resolved(self.site)
        self.points = Points(columns)

    def __call__(self, threads: int = 1) -> np.ndarray:
        """Return the heights."""
        context = whole_cloud_context(self.site, len(self.points), threads=threads)
        part = self.stage.summarise(self.points, context).part
        solution = self.stage.solve(self.stage.merge([part]), self.site)
        drawing = self.stage.draw(self.points, context, solution)
        grids = {c.name: v for c, v in zip(self.stage.canvas(self.site), drawing.arrays, strict=True)}
        return self.stage.finish(grids, [drawing.share], self.site).grids[0].values


def resident() -> int:
    """Return the memory in use, bytes (Linux)."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


def most_memory(work: Callable[[], object]) -> int:
    """Return how much memory a piece of work adds at its peak, bytes."""
    gc.collect()
    before, most, done = resident(), [0], threading.Event()

    def watch() -> None:
        while not done.wait(0.002):
            most[0] = max(most[0], resident())

    watcher = threading.Thread(target=watch)
    watcher.start()
    work()
    done.set()
    watcher.join()
    return most[0] - before


def wall(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def stage_alone(count: int) -> None:
    """Print memory of the stage, and how much faster two threads are (only telling on an idle machine)."""
    drawn = Drawn(*points(count, scan=True))
    most = most_memory(lambda: drawn(2))
    print(f"{'':12}the stage in 2 threads adds {most / count:.0f} bytes a point at its peak")
    pairs = [(wall(lambda: drawn(1)), wall(lambda: drawn(2))) for _ in range(5)]
    ratios = sorted(one / two for one, two in pairs)
    print(
        f"{'':12}two threads are {ratios[2]:.2f} times as fast as one ({ratios[0]:.2f} to {ratios[-1]:.2f})"
    )
    one, _ = cpu(lambda: drawn(1), 3)
    both, alone = time.process_time(), time.thread_time()
    drawn(2)
    both, alone = time.process_time() - both, time.thread_time() - alone
    shared = alone + (both - alone) / 2
    print(f"{'':12}by CPU time (what one thread does alone, half of the rest) {one / shared:.2f} times")


def theirs(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    size = int(x.max() / CELL)
    centres = (np.arange(size) + 0.5) * CELL
    return LinearNDInterpolator(np.column_stack((x, y)), z)(*np.meshgrid(centres, centres))


def sorted_and_triangulated(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    return triangulate(sites_of(x, y, z, STEP).steps)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--reference", type=int, default=200_000)
    args = parser.parse_args()
    ours(*points(1000, scan=True))  # compile
    Drawn(*points(1000, scan=True))()
    stage_alone(args.points)

    print(f"{'order':12}{'step':34}{'us a point':>12}{'scipy':>10}{'ratio':>8}")
    for scan in (True, False):
        order = "scan" if scan else "random"
        many, few = points(args.points, scan=scan), points(args.reference, scan=scan)
        reference = [column[: args.points] for column in many[:2]]
        seconds, _ = cpu(lambda many=many: sorted_and_triangulated(*many), 3)
        against, _ = cpu(lambda xy=reference: Delaunay(np.column_stack(xy)), 1)
        line(order, "Delaunay, sort and duplicates too", seconds / len(many[0]), against / len(many[0]))
        seconds, _ = cpu(lambda many=many: ours(*many), 3)
        against, expected = cpu(lambda few=few: theirs(*few), 1)
        line(order, f"the same and heights at {CELL} m", seconds / len(many[0]), against / len(few[0]))
        drawn = Drawn(*many)
        seconds, _ = cpu(drawn, 3)
        line(order, "the stage, in tiles", seconds / len(many[0]), against / len(few[0]))
        found = ours(*few)
        difference = np.nanmax(np.abs(found - expected))
        same = np.array_equal(np.isnan(found), np.isnan(expected))
        print(f"{'':12}largest difference {difference:.1e} m, gaps {'the same' if same else 'DIFFER'}")
    print(
        f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:,.0f} MB (scipy's part too)"
    )


def line(order: str, step: str, seconds: float, against: float) -> None:
    print(f"{order:12}{step:34}{seconds * 1e6:12.3f}{against * 1e6:10.2f}{against / seconds:8.1f}")


if __name__ == "__main__":
    main()
