"""How many intervals of volumes hold the truth, from points to the figure, through the project's own grids.

    python benchmarks/interval_coverage.py                    # cells of 0.5 m, 100 surveys
    python benchmarks/interval_coverage.py --cell 0.25 --surveys 200

Surveys of the demo's stockpile: even points 0.36 m apart with random errors of 0.02 m, gridded by
``terrain_grid``, judged by ``terrain_error``, with the density of points beside. For each base: the share of
95 % intervals that hold the truth, the standard deviation of volumes over the surveys, and the mean of those
that were said. (What neighbours share and datums: ``tests/measuring/test_intervals_are_true.py``, on grids.)
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
import pyogrio
import rasterio
import shapely

sys.path.append(str(Path(__file__).parents[1]))

from cloudprep.measuring.volumes import measure_volumes
from cloudprep.stages.registry import stage_class
from cloudprep.testing import run_stage
from demo_clouds.surveys import SPACING, STOCKPILE, STOCKPILE_RADIUS, SurveyErrors, ground

EAST, NORTH, SIDE = 412_000.0, 5_654_000.0, 36.0
BASES = ("level:206.7", "edge-plane", "edge-surface", "lowest-edge")


def write(path: Path, z: np.ndarray, cell: float) -> Path:
    """Write heights, row 0 the southernmost."""
    transform = rasterio.Affine(cell, 0, EAST, 0, -cell, NORTH + len(z) * cell)
    with rasterio.open(
        path, "w", driver="GTiff", width=z.shape[1], height=z.shape[0], count=1, dtype="float64",
        nodata=-9999, crs="EPSG:25832", transform=transform,
    ) as file:  # fmt: skip
        file.write(np.where(np.isnan(z), -9999, z)[::-1], 1)
    return path


def gridded(x: np.ndarray, y: np.ndarray, z: np.ndarray, cell: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the terrain and its standard errors over the square."""
    columns = {"x": x, "y": y, "z": z, "classification": np.full(len(x), 2, np.uint8)}
    gridding, judging = stage_class("terrain_grid"), stage_class("terrain_error")
    dtm = run_stage(gridding(gridding.Params(cell=cell)), columns, origin=(0.0, 0.0)).result.grids[0]
    params = judging.Params(vertical_error=SurveyErrors().point, horizontal_error=0.0)
    said = run_stage(judging(params), columns, origin=(0.0, 0.0), rasters={"dtm": dtm}).result.grids[0]
    r, c, n = (round(v / cell) for v in (-dtm.window.bottom, -dtm.window.left, SIDE))
    a, b = (g.values[r : r + n, c : c + n].astype(np.float64) for g in (dtm, said))
    return a, b


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cell", type=float, default=0.5)
    parser.add_argument("--surveys", type=int, default=100)
    asked = parser.parse_args()
    rng = np.random.default_rng(5)
    west, south = STOCKPILE[0] - SIDE / 2, STOCKPILE[1] - SIDE / 2
    n = round(SIDE / asked.cell)
    c = (np.arange(n) + 0.5) * asked.cell
    errors, said, held = [], [], np.zeros(len(BASES))
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        over = folder / "pile.gpkg"
        pile = shapely.Point(EAST + SIDE / 2, NORTH + SIDE / 2).buffer(STOCKPILE_RADIUS, quad_segs=32)
        pyogrio.raw.write(
            over, shapely.to_wkb(np.array([pile], object)), field_data=[np.array(["pile"])], fields=["name"],
            crs="EPSG:25832", geometry_type="Polygon", driver="GPKG",
        )  # fmt: skip
        exact = write(folder / "exact.tif", ground(west + c, (south + c)[:, None]), asked.cell)
        truth = [measure_volumes(exact, over, base=base).volumes[0].net for base in BASES]
        write(folder / "ground_density.tif", np.full((n, n), 1 / SPACING**2), asked.cell)
        grid = np.arange(-2, SIDE + 2, SPACING)
        for _ in range(asked.surveys):
            x, y = (v.ravel() + rng.uniform(0, SPACING, v.size) for v in np.meshgrid(grid, grid))
            z = ground(west + x, south + y) + SurveyErrors().point * rng.standard_normal(x.size)
            dtm, error = gridded(x, y, z, asked.cell)
            path = write(folder / "dtm.tif", dtm, asked.cell)
            write(folder / "dtm_standard_error.tif", error, asked.cell)
            found = [measure_volumes(path, over, base=base).volumes[0] for base in BASES]
            off = np.array([v.net - true for v, true in zip(found, truth, strict=True)])
            held += np.abs(off) <= [v.error.interval_95 for v in found]
            errors.append(off)
            said.append([v.error.total for v in found])
    print(f"cells of {asked.cell:g} m, {asked.surveys} surveys")
    print("| base | intervals that hold | deviation, m3 | said, m3 |\n| --- | --- | --- | --- |")
    rows = zip(BASES, held, np.std(errors, axis=0), np.mean(said, axis=0), strict=True)
    for base, count, true, told in rows:
        print(f"| {base} | {count / asked.surveys:.1%} | {true:.2f} | {told:.2f} |")


if __name__ == "__main__":
    main()
