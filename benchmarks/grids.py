"""Rasters made from points against reading and writing the same points as LAZ, in one run.

    python benchmarks/grids.py [--points 1000000] [--cell 0.5] [--density 8]

Prints CPU seconds for a million points (the shortest of some repeats) and the ratio to LAZ: CPU time, so that
other work on the machine counts little.
"""

from __future__ import annotations

import argparse
import io
import time
from typing import TYPE_CHECKING, Any

import laspy
import numpy as np

from cloudprep.model.points import Points
from cloudprep.stages.base import whole_cloud_context
from cloudprep.stages.registry import stage_class
from cloudprep.testing import facts_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from cloudprep.stages.base import Stage

STAGES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("surface_grid", {}),
    ("surface_grid", {"quantile": 0.95}),
    ("intensity_grid", {}),
    ("intensity_grid", {"statistic": "median"}),
    ("density_grids", {}),
    ("terrain_grid", {}),
    ("terrain_grid", {"method": "natural_neighbour"}),
    ("terrain_grid", {"method": "smooth"}),
    ("terrain_grid", {"method": "inverse_distance"}),
)


def flight(count: int, density: float) -> dict[str, np.ndarray]:
    """Return a rolling terrain in strips of two metres, three of five points ground, four of five first."""
    rng = np.random.default_rng(1)
    x, y = np.round(rng.uniform(0, (count / density) ** 0.5, (2, count)), 3)
    order = np.lexsort((x, y // 2))
    x, y = x[order], y[order]
    return {
        "x": x,
        "y": y,
        "z": np.round(300 + 20 * np.sin(x / 50) * np.cos(y / 70) + rng.normal(0, 0.03, count), 3),
        "intensity": rng.normal(20_000, 3000, count).astype(np.uint16),
        "classification": np.where(rng.random(count) < 0.6, 2, 1).astype(np.uint8),
        "withheld": np.zeros(count, bool),
        "return_number": np.where(rng.random(count) < 0.8, 1, 2).astype(np.uint8),
        "number_of_returns": np.full(count, 2, np.uint8),
    }


def packed(columns: dict[str, np.ndarray]) -> bytes:
    """Return the points as LAZ, point format 6, millimetres."""
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, 0.001)
    cloud = laspy.LasData(header)
    for name, values in columns.items():
        setattr(cloud, name, values)
    file = io.BytesIO()
    cloud.write(file, do_compress=True)
    return file.getvalue()


def read_and_write(data: bytes) -> None:
    laspy.read(io.BytesIO(data)).write(io.BytesIO(), do_compress=True)


def made(stage: Stage, points: Points, site: Any) -> None:
    """Let a stage make its rasters of the whole cloud, in one thread."""
    context = whole_cloud_context(site, len(points))
    solution = None
    if stage.summarises:
        solution = stage.solve(stage.merge([stage.summarise(points, context).part]), site)
    drawing = stage.draw(points, context, solution)
    grids = {c.name: v for c, v in zip(stage.canvas(site), drawing.arrays, strict=True)}
    stage.finish(grids, [drawing.share], site)


def cpu(work: Callable[[], object], repeats: int = 3) -> float:
    """Return the shortest CPU time of some repeats, s."""
    best = np.inf
    for _ in range(repeats):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--cell", type=float, default=0.5)
    parser.add_argument("--density", type=float, default=8.0)
    args = parser.parse_args()
    columns = flight(args.points, args.density)
    site, points = facts_of(columns, (0.0, 0.0)), Points(columns)
    data = packed(columns)
    millions = args.points / 1e6
    against = cpu(lambda: read_and_write(data)) / millions
    print(f"{'LAZ read and written':44}{against:8.3f} s a million points (CPU)")
    for name, given in STAGES:
        made_of = stage_class(name)
        cell = {} if name == "density_grids" else {"cell": args.cell}
        stage = made_of(made_of.Params(**cell, **given)).resolved(site)
        made(stage, points, site)  # compile
        seconds = cpu(lambda stage=stage: made(stage, points, site)) / millions
        words = " ".join((name, *(f"{k}={v}" for k, v in given.items())))
        print(f"{words:44}{seconds:8.3f}  {seconds / against:6.3f} times LAZ")


if __name__ == "__main__":
    main()
