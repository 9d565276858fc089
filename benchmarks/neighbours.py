"""Mean distance to the nearest neighbours: time against scipy and, where it loads, open3d in the same run.

python benchmarks/neighbours.py [--points 1000000] [--neighbours 8] [--threads 2]

The surface is taken in scan order and in random order: library trees depend on it. Times include building
the tree, are the better of two runs, and are CPU times unless said: other work on the machine hardly counts.
"""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from cloudprep.kernels.components import connected_components
from cloudprep.kernels.neighbours import mean_neighbour_distance

if TYPE_CHECKING:
    from collections.abc import Callable


def scanned(rng, n):
    """Return rolling ground in scan lines at 4 points/m2, with plants on it."""
    side = int(np.sqrt(n))
    line, place = np.divmod(np.arange(n), side)
    x = line * 0.5 + rng.normal(0, 0.05, n)
    y = np.where(line % 2 == 0, place, side - 1 - place) * 0.5 + rng.normal(0, 0.05, n)
    z = 8 * np.sin(x / 40) * np.cos(y / 35) + rng.normal(0, 0.03, n)
    plants = (np.sin(x / 9) * np.sin(y / 7) > 0.5) & (rng.random(n) < 0.7)
    return np.c_[x, y, z + plants * rng.uniform(0, 12, n)]


def uneven(rng, n):
    """Return a dense spot, duplicates and thin air: what breaks grids and curves."""
    dense = rng.normal(0, 0.3, (n // 4, 3))
    doubled = np.repeat(rng.uniform(-200, 200, (n // 64, 3)), 8, axis=0)
    far = rng.normal(0, 1000, (n // 8, 3))
    rest = n - len(dense) - len(doubled) - len(far)
    flat = np.c_[rng.uniform(-200, 200, (rest, 2)), rng.normal(0, 0.1, rest)]
    return rng.permutation(np.concatenate([dense, doubled, far, flat]))


def seconds(work: Callable[[], object]) -> tuple[float, float, object]:
    """Return wall and CPU seconds of the better of two runs, and the result."""
    best = (np.inf, np.inf)
    for _ in range(2):
        wall, cpu = time.perf_counter(), time.process_time()
        result = work()
        best = min(best, (time.perf_counter() - wall, time.process_time() - cpu))
    return *best, result


def open3d_or_reason():
    try:
        import open3d  # noqa: PLC0415
    except (ImportError, OSError) as error:
        return None, str(error)
    return open3d, ""


def open3d_outliers(open3d, xyz, k):
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(xyz))
    return cloud.remove_statistical_outlier(nb_neighbors=k + 1, std_ratio=3.0)[1]


def compare(name, xyz, args, open3d):
    x, y, z = xyz.T.copy()
    wall, cpu, (mean, _) = seconds(
        lambda: mean_neighbour_distance(x, y, z, args.neighbours, threads=args.threads)
    )

    def by_scipy():
        return cKDTree(xyz).query(xyz, args.neighbours + 1, workers=args.threads)[0][:, 1:].mean(axis=1)

    scipy_wall, scipy_cpu, expected = seconds(by_scipy)
    off = np.abs(mean - expected).max() / expected.max()
    line = (
        f"{name:24} {len(xyz) / wall / 1e6:6.2f} Mpt/s  {cpu / len(xyz) * 1e6:5.2f} us/pt"
        f"   scipy {scipy_cpu / cpu:5.1f} x slower (wall {scipy_wall / wall:.1f} x)   differs by {off:.0e}"
    )
    if open3d is not None:
        _, open3d_cpu, _ = seconds(lambda: open3d_outliers(open3d, xyz, args.neighbours))
        line += f"   open3d's outlier removal {open3d_cpu / cpu:5.1f} x slower"
    print(line, flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description="Time neighbour searches and components.")
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--neighbours", type=int, default=8)
    parser.add_argument("--threads", type=int, default=2)
    args = parser.parse_args()
    open3d, reason = open3d_or_reason()
    if open3d is None:
        print(f"open3d can't be loaded, so it isn't compared: {reason}")
    rng = np.random.default_rng(1)
    few = rng.uniform(0, 9, (3, 100))
    mean_neighbour_distance(*few, 8)  # compile
    connected_components(*few, 1.0)
    scan = scanned(rng, args.points)
    clouds = {
        "scan order": scan,
        "random order": rng.permutation(scan),
        "uneven, random order": uneven(rng, args.points),
    }
    print(f"{args.points:,} points, {args.neighbours} neighbours, {args.threads} threads")
    for name, xyz in clouds.items():
        compare(name, xyz, args, open3d)
    print("components, one thread")
    for name, xyz in clouds.items():
        x, y, z = xyz.T.copy()
        for gap in (1.0, 2.0):
            wall, cpu, (_, count) = seconds(lambda: connected_components(x, y, z, gap))  # noqa: B023
            speed = f"{len(xyz) / wall / 1e6:6.2f} Mpt/s  {cpu / len(xyz) * 1e6:5.2f} us/pt"
            print(f"{name:24} gap {gap} m {speed}  {count:,} components")


if __name__ == "__main__":
    main()
