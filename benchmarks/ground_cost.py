"""What the ground stages cost: cells and points a second on one core, beside reading the same cloud from LAZ.

python benchmarks/ground_cost.py [--stages fitted_ground,...] [--sides 300 1000] [--densities 1 4 10 100]

The cloud is rolling land with houses and trees, in scan order; a cell is one square metre. Times are CPU
times of the labelling pass alone with one worker, the better of two runs, everything compiled; memory
that is let go is kept for what comes next, as runs keep it. The reference is laspy's reading (lazrs, one
thread) of the same points from a LAZ file, in the same run.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import laspy
import numpy as np

from cloudprep.engine.heap import keep_freed, one_heap
from cloudprep.engine.passes import StagePass
from cloudprep.engine.progress import Silent
from cloudprep.engine.store_memory import MemoryStore
from cloudprep.stages.registry import stage_class
from cloudprep.testing import facts_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Columns = dict[str, NDArray[Any]]


def seconds(work: Callable[[], Any], times: int = 2) -> float:
    best = np.inf
    for _ in range(times):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def land(side: int, density: float, seed: int = 1) -> Columns:
    """Return a cloud of so many points a square metre: a tenth on roofs, a third in trees."""
    rng = np.random.default_rng(seed)
    n = int(side * side * density)
    # Lines along y, so that neighbours in the file are neighbours on the ground.
    x = np.sort(rng.uniform(0, side, n))
    y = np.abs((np.arange(n) * side / (side * np.sqrt(density)) + rng.normal(0, 0.1, n)) % side)
    z = 200 + 8 * np.sin(x / 90) * np.cos(y / 70) + 0.03 * x + rng.normal(0, 0.03, n)
    houses = ((x // 30 + y // 30) % 3 == 0) & (x % 30 > 9) & (x % 30 < 21) & (y % 30 > 9) & (y % 30 < 21)
    z = np.where(houses, z + 6, z)
    trees = ((x // 30 + y // 30) % 3 == 1) & (rng.random(n) < 0.9) & ~houses
    z = np.where(trees, z + rng.uniform(0.5, 15, n), z)
    labels = {"classification": np.zeros(n, np.uint8), "withheld": np.zeros(n, bool)}
    return {"x": x, "y": y, "z": z, **labels}


def reading(columns: Columns) -> float:
    """Return how long laspy reads the cloud from LAZ."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cloud.laz"
        header = laspy.LasHeader(version="1.4", point_format=6)
        header.scales, header.offsets = np.full(3, 0.001), np.zeros(3)
        cloud = laspy.LasData(header)
        for axis in "xyz":
            setattr(cloud, axis, columns[axis])
        cloud.write(path)
        return seconds(lambda: laspy.read(path, laz_backend=laspy.LazBackend.Lazrs))


def labelling(name: str, columns: Columns) -> float:
    """Return how long a stage takes, without measuring the site."""
    site = facts_of(columns)

    def work() -> None:
        store = MemoryStore(dict(columns))
        store.cut(site)
        stage = stage_class(name)().resolved(site)
        StagePass(stage, store, site, workers=1, progress=Silent()).carry_out()

    return seconds(work)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--stages", default="fitted_ground,progressive_ground")
    parser.add_argument("--sides", type=int, nargs="+", default=[300, 1000])
    parser.add_argument("--densities", type=float, nargs="+", default=[1, 4, 10, 100])
    parser.add_argument("--most", type=float, default=30e6, help="leave out clouds of more points")
    given = parser.parse_args()
    one_heap()
    keep_freed(True)
    print("| stage | cells | points a cell | s | cells/s | points/s | times reading LAZ |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for name in given.stages.split(","):
        labelling(name, land(60, 1.0))
        labelling(name, land(60, 20.0))
        for side in given.sides:
            for density in given.densities:
                if side * side * density > given.most:
                    continue
                columns = land(side, density)
                took, reference = labelling(name, columns), reading(columns)
                print(
                    f"| {name} | {side}^2 | {density:g} | {took:.2f} | {side * side / took:,.0f} | "
                    f"{side * side * density / took:,.0f} | {took / reference:.1f} |",
                    flush=True,
                )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"\nPeak memory of the process: {peak:.1f} GiB")


if __name__ == "__main__":
    main()
