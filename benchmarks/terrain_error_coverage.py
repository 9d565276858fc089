"""How many true heights lie within the standard errors that the terrain is said to have.

    python benchmarks/terrain_error_coverage.py [--seeds 7] [--own-ground] [--horizontal 0.15]
        [--method smooth]

On demo scenes whose terrain is known exactly: the share of cells within 1 and 1.96 standard errors, which
should be 68 and 95 %, and the errors themselves (root mean squares). By default ground points are those that
truly lie on the ground, and the declared errors of measurement those that the scene was made with.
``--own-ground`` takes the labels of the ready pipeline; ``--horizontal`` moves each point by chance in its
place, and declares it.

Kinds of ground are those of cells with support: a ground point lies within two mean spacings of the scene's
ground points. What is farther away (beneath buildings, in dense bushes) is in a row of its own, and so is
what lies outside the ground points' convex hull.
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.spatial import ConvexHull, Delaunay, cKDTree

sys.path.append(str(Path(__file__).parents[1]))

import ground_scores as scores

from cloudprep.stages.registry import stage_class
from cloudprep.testing import run_stage
from demo_clouds.kinds import Kind

GROUND = scores.GROUND
# Scene: cell (m), and the standard deviation of ranges that it is made with (m).
EVEN = {
    "rolling": (1.0, 0.03),
    "vineyard": (0.5, 0.03),
    "steep_forest": (1.0, 0.04),
    "drone_grass": (0.25, 0.02),
}
BROKEN = {
    "stockpiles": (1.0, 0.03),
    "embankment": (1.0, 0.03),
    "quarry": (1.0, 0.03),
    "terraces": (1.0, 0.03),
    "hillside_houses": (1.0, 0.03),
}
"""Land with faces, walls and sharp edges."""
SCENES = {**EVEN, **BROKEN}
_FLAT = 10.0
_STEEPEST = 1.5
_FEWEST = 1000
# A void is four spacings wide, as in the agencies' rule for terrain without points.
_SUPPORT = 2.0
UNSUPPORTED, RIM = "without support", "outside the hull"
"""Kinds of cells that no ground point is near, or that lie beyond the outermost; any number of cells."""


class Row(NamedTuple):
    """Cells of one kind in a scene: number, shares within 1 and 1.96 errors (%), errors said and true (m)."""

    scene: str
    kind: str
    cells: int
    within_1: float
    within_2: float
    said: float
    true: float


def _labelled(cloud: scores.Cloud, own_ground: bool) -> dict[str, np.ndarray]:
    columns = dict(cloud.columns)
    if own_ground:
        found = scores.score(cloud, [scores.default_stage()])[scores.default_stage()].found
    else:
        found = cloud.reference
    columns["classification"] = np.where(found, GROUND, 1).astype(np.uint8)
    return columns


def coverage(
    name: str, seed: int, *, own_ground: bool = False, horizontal: float = 0.0, method: str = "auto"
) -> list[Row]:
    """Return a row for each kind of ground that a scene has at least 1000 cells of, and for those without.

    All cells with a height count where the true ground rises no more than 1.5: on faces the place decides and
    not the height. Open ground and slopes (from 10 degrees) are those without plants overhead.
    """
    cell, noise = SCENES[name]
    cloud = scores.make_scene(name, seed)
    columns = _labelled(cloud, own_ground)
    if horizontal:
        rng = np.random.default_rng(seed)
        for axis in "xy":
            columns[axis] = columns[axis] + rng.normal(0.0, horizontal, len(columns[axis]))
    gridding = stage_class("terrain_grid")
    rasters = {
        g.name: g
        for g in run_stage(
            gridding(gridding.Params(cell=cell, method=method)), columns, origin=cloud.origin
        ).result.grids
    }
    judging = stage_class("terrain_error")
    stage = judging(judging.Params(vertical_error=noise, horizontal_error=horizontal))
    run = run_stage(stage, columns, origin=cloud.origin, rasters={"dtm": rasters["dtm"]})
    said = run.result.grids[0].values
    window = rasters["dtm"].window
    rows, cols = np.nonzero(np.isfinite(said) & np.isfinite(rasters["dtm"].values))
    x, y = window.left + (cols + 0.5) * cell, window.bottom + (rows + 0.5) * cell
    at = cloud.terrain
    rise = np.hypot(at(x + 0.25, y) - at(x - 0.25, y), at(x, y + 0.25) - at(x, y - 0.25)) / 0.5
    plants = np.isin(cloud.kind, (Kind.TREE, Kind.SHRUB))
    under = np.zeros(len(x), bool)
    if plants.any():
        over = cKDTree(np.column_stack([cloud.columns["x"], cloud.columns["y"]])[plants])
        under = over.query(np.column_stack([x, y]))[0] < cell
    calm = rise <= _STEEPEST
    steep = np.degrees(np.arctan(rise)) >= _FLAT
    ground = columns["classification"] == GROUND
    places = np.column_stack([columns["x"], columns["y"]])[ground]
    hull = places[ConvexHull(places).vertices]
    rim = Delaunay(hull).find_simplex(np.column_stack([x, y])) < 0
    spacing = math.sqrt(ConvexHull(places).volume / len(places))
    near = cKDTree(places).query(np.column_stack([x, y]))[0] <= _SUPPORT * spacing
    held = near & ~rim
    kinds = {
        "open": held & ~under & ~steep,
        "slope": held & ~under & steep,
        "under plants": held & under,
        UNSUPPORTED: ~near & ~rim,
        RIM: rim,
    }
    error = rasters["dtm"].values[rows, cols] - at(x, y)
    sd = said[rows, cols].astype(float)
    found = []
    for kind, chosen in kinds.items():
        k = chosen & calm
        if np.count_nonzero(k) < (1 if kind in {UNSUPPORTED, RIM} else _FEWEST):
            continue
        z = np.abs(error[k]) / sd[k]
        shares = [100 * float(np.mean(z <= limit)) for limit in (1.0, 1.96)]
        rms = [float(np.sqrt(np.mean(v[k] ** 2))) for v in (sd, error)]
        found.append(Row(name, kind, int(np.count_nonzero(k)), *shares, *rms))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[scores.SEED])
    parser.add_argument("--own-ground", action="store_true")
    parser.add_argument("--horizontal", type=float, default=0.0)
    parser.add_argument("--method", default="auto", help="how the terrain is interpolated")
    asked = parser.parse_args()
    print("| scene | seed | kind | cells | within 1 | within 1.96 | said, m | true, m |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for name in SCENES:
        for seed in asked.seeds:
            how = {"own_ground": asked.own_ground, "horizontal": asked.horizontal, "method": asked.method}
            for row in coverage(name, seed, **how):
                figures = f"{row.within_1:.1f} % | {row.within_2:.1f} % | {row.said:.3f} | {row.true:.3f}"
                print(f"| {row.scene} | {seed} | {row.kind} | {row.cells} | {figures} |", flush=True)


if __name__ == "__main__":
    main()
