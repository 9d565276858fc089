"""Speed and memory in one table: ratios against named libraries, measured in the same run, beside the bars.

python benchmarks/speed.py [--points 1000000] [--turns 3] [--main 4000000] [--cold]

Ratios of kernels are CPU times of one thread (of linear algebra too: blas_alone.py), trees and triangulations
included: the median of some turns in which one follows the other. "Scan order" is the order of a flight,
"random order" the worst case.
--main runs the ready pipeline on a made-up airborne cloud (airborne.py); --cold installs the package into a
folder of its own, for the first run on a new machine. `large.py` does sites larger than memory.
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
from typing import TYPE_CHECKING, NamedTuple

import blas_alone  # noqa: F401 - before what it is about
import numpy as np
import terrain
from airborne import write_airborne
from main_job import as_installed, read_and_write
from neighbours import open3d_or_reason, open3d_outliers, scanned, uneven
from scipy import ndimage
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay, cKDTree

from cloudprep.kernels.neighbours import mean_neighbour_distance
from cloudprep.kernels.opening import opening
from cloudprep.kernels.tin_points import sites_of
from cloudprep.kernels.triangulation import triangulate

if TYPE_CHECKING:
    from collections.abc import Callable

K = 8
CHAIN = """cloudprep: 1
stages:
  - stage: statistical_outliers
  - stage: isolated_clusters
  - stage: progressive_ground
  - stage: terrain_grid
"""


class Row(NamedTuple):
    """One line of the table."""

    what: str
    measured: str
    bar: str


def cpu(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def ratio(ours: Callable[[], object], theirs: Callable[[], object], turns: int) -> float:
    """Return how many times longer theirs takes: the median of turns that do one after the other."""
    return statistics.median(cpu(theirs) / cpu(ours) for _ in range(turns))


def neighbour_rows(count: int, turns: int) -> list[Row]:
    rng = np.random.default_rng(1)
    scan = scanned(rng, count)
    open3d, _ = open3d_or_reason()
    rows = []
    mean_neighbour_distance(*scan[:500].T.copy(), K)
    times = {}
    for name, xyz, bar in (("scan order", scan, "6"), ("random order", rng.permutation(scan), "14")):
        x, y, z = xyz.T.copy()

        def ours(x=x, y=y, z=z):
            return mean_neighbour_distance(x, y, z, K)[0]

        def by_scipy(xyz=xyz):
            return cKDTree(xyz).query(xyz, K + 1)[0][:, 1:].mean(axis=1)

        off = np.abs(ours() / by_scipy() - 1).max()
        rows.append(
            Row(
                f"kNN mean distance, k = {K}, {name} (differs by {off:.0e})",
                f"{ratio(ours, by_scipy, turns):.1f} x scipy cKDTree",
                bar,
            )
        )
        if open3d is not None and name == "scan order":
            slower = ratio(ours, lambda xyz=xyz: open3d_outliers(open3d, xyz, K), turns)
            rows.append(Row("the same against open3d's outlier removal", f"{slower:.1f} x", "4.5"))
        times[name] = ours
    x, y, z = uneven(rng, count).T.copy()
    even = times["random order"]
    more = 1 / ratio(lambda: mean_neighbour_distance(x, y, z, K), even, turns)
    rows.append(Row("uneven cloud against an even one, random order", f"{more:.2f} x", "1.2 at most"))
    return rows


def terrain_rows(count: int, turns: int) -> list[Row]:
    rows = []
    for name, scan in (("scan order", True), ("random order", False)):
        x, y, z = terrain.points(count // 4, scan=scan)
        sites = sites_of(x, y, z, terrain.STEP)
        slower = ratio(lambda s=sites: triangulate(s.steps), lambda x=x, y=y: Delaunay(np.c_[x, y]), turns)
        rows.append(Row(f"Delaunay, {name}", f"{slower:.1f} x scipy", "20"))
    x, y, z = terrain.points(100_000, scan=True)
    size = int(x.max() / terrain.CELL)
    centres = (np.arange(size) + 0.5) * terrain.CELL
    east, north = np.meshgrid(centres, centres)
    mine = terrain.ours(x, y, z)
    theirs = LinearNDInterpolator(np.c_[x, y], z)(east, north)
    off = np.nanmax(np.abs(mine - theirs))
    slower = ratio(
        lambda: terrain.ours(x, y, z), lambda: LinearNDInterpolator(np.c_[x, y], z)(east, north), turns
    )
    rows.append(Row(f"TIN gridding, 100,000 points (differs by {off:.0e} m)", f"{slower:.0f} x scipy", "80"))
    return rows


def opening_rows(turns: int) -> list[Row]:
    rows = []
    for kind, size in ((np.float32, 5), (np.float32, 19), (np.float64, 19)):
        heights = np.random.default_rng(2).normal(0, 3, (1500, 1500)).astype(kind)
        same = np.array_equal(opening(heights, size), ndimage.grey_opening(heights, (size, size)))
        slower = ratio(
            lambda heights=heights, size=size: opening(heights, size),
            lambda heights=heights, size=size: ndimage.grey_opening(heights, (size, size)),
            turns,
        )
        rows.append(
            Row(
                f"opening by {size} x {size} cells of {kind.__name__} (equal: {same})",
                f"{slower:.1f} x scipy.ndimage",
                "3.5",
            )
        )
    return rows


def run(
    pipeline: str, source: Path, out: Path, *, workers: int, env: dict[str, str], cwd: Path | None = None
) -> tuple[float, dict]:
    command = [sys.executable, "-m", "cloudprep", "run", pipeline, str(source), "--out", str(out)]
    command += ["--workers", str(workers), "--overwrite", "-q"]
    began = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env={**as_installed(), **env}, cwd=cwd)
    return time.perf_counter() - began, json.loads((out / "run.json").read_text())


def main_rows(points: int, turns: int) -> list[Row]:
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source, chain = folder / "flight.laz", folder / "chain.yaml"
        write_airborne(source, points)
        chain.write_text(CHAIN)
        for what, pipeline, bar in (
            ("bare_earth", "bare_earth", "4.0"),
            ("outliers, clusters, progressive ground, TIN", str(chain), "2.6"),
        ):
            run(pipeline, source, folder / "out", workers=2, env={})
            ratios, peak, gains = [], 0.0, []
            for _ in range(turns):
                reference = read_and_write(source, folder)
                two, record = run(pipeline, source, folder / "out", workers=2, env={})
                one, _ = run(pipeline, source, folder / "out", workers=1, env={})
                ratios.append(two / reference)
                gains.append(one / two)
                peak = record["peak_memory_bytes"] / record["site"]["points"]
            rows += [
                Row(
                    f"{what}, {points / 1e6:g} M points, warm", f"{statistics.median(ratios):.1f} x LAZ", bar
                ),
                Row("  its peak memory", f"{peak:.0f} bytes a point", "300"),
                Row("  2 workers against 1", f"{statistics.median(gains):.2f} x", "1.7"),
            ]
    return rows


def cold_rows() -> list[Row]:
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source, site = folder / "flight.laz", folder / "site"
        write_airborne(source, 100_000)
        install = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--target", str(site), "."]
        began = time.perf_counter()
        bare = {k: v for k, v in as_installed().items() if k not in {"NUMBA_CACHE_DIR", "PYTHONPATH"}}
        subprocess.run(install, check=True, capture_output=True, cwd=Path(__file__).parents[1], env=bare)
        rows.append(Row("install, kernels compiled, without what it depends on", took(began), ""))
        installed = {"PYTHONPATH": str(site), "NUMBA_CACHE_DIR": ""}
        for what, env, bar in (
            ("first run after install, 100,000 points", installed, "20 s"),
            ("the second", installed, ""),
            ("first run where nothing is compiled", {"NUMBA_CACHE_DIR": str(folder / "cache")}, ""),
        ):
            began = time.perf_counter()
            run("bare_earth", source, folder / "out", workers=2, env=env, cwd=folder)
            rows.append(Row(what, took(began), bar))
    return rows


def took(began: float) -> str:
    return f"{time.perf_counter() - began:.1f} s"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--turns", type=int, default=3)
    parser.add_argument("--main", type=int, default=0)
    parser.add_argument("--cold", action="store_true")
    options = parser.parse_args()
    print("| what | measured | bar |\n| --- | --- | --- |")
    makers: list[Callable[[], list[Row]]] = [
        lambda: neighbour_rows(options.points, options.turns),
        lambda: terrain_rows(options.points, options.turns),
        lambda: opening_rows(options.turns),
    ]
    if options.main:
        makers.append(lambda: main_rows(options.main, options.turns))
    if options.cold:
        makers.append(cold_rows)
    for make in makers:
        for row in make():
            print(f"| {row.what} | {row.measured} | {row.bar} |", flush=True)


if __name__ == "__main__":
    main()
