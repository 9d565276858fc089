"""Plates, openings by disks and lines: time against scipy in the same run, and the plates' error.

python benchmarks/surface_fit.py [--sizes 100 300 1000] [--stiffness 0.1]

scipy solves the same sparse equations directly (spsolve) up to 300 x 300 cells, and by conjugate gradients
with the diagonal as preconditioner, to a relative residual of 1e-6, at any size; the error is the largest
difference from the direct solution. Times are CPU times, the better of two runs; ours include everything
(a cold fit with new weights).
"""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage, sparse
from scipy.sparse.linalg import cg, spsolve

from cloudprep.kernels.opening_disk import opened_by_disk
from cloudprep.kernels.opening_lines import directions_dropping
from cloudprep.kernels.thin_plate import SurfaceFitter

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

DIRECT_UP_TO = 300
CG_MOST = 300


def seconds(work: Callable[[], Any], times: int = 2) -> tuple[float, Any]:
    best, result = np.inf, None
    for _ in range(times):
        start = time.process_time()
        result = work()
        best = min(best, time.process_time() - start)
    return best, result


def terrain(side: int) -> NDArray[np.float64]:
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:side, :side]
    return 300 + 20 * np.sin(x / 37) * np.cos(y / 29) + 0.1 * x + rng.normal(0, 0.1, (side, side))


def scenes(side: int) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Yield the weights of the scenes."""
    rng = np.random.default_rng(2)
    shape = (side, side)
    yield "dense", np.ones(shape)
    yield "30 % gaps", (rng.random(shape) > 0.3).astype(float)
    hole = np.ones(shape)
    middle = slice(max(side // 2 - 50, 5), side // 2 + 45)
    hole[middle, middle] = 0
    yield "a wide gap", hole
    yield "3 % data", (rng.random(shape) < 0.03).astype(float)
    yield "weights 1 : 1000", 10 ** rng.uniform(-3, 0, shape)
    town = (rng.random(shape) > 0.3).astype(float)
    for _ in range(side * side // 3000):
        r, c = rng.integers(0, side, 2)
        town[r : r + rng.integers(8, 30), c : c + rng.integers(8, 30)] = 0
    yield "houses cut out", town


def differences(count: int, order: int) -> Any:
    parts = [1.0, -2.0, 1.0] if order == 2 else [-1.0, 1.0]
    return sparse.diags_array(parts, offsets=range(order + 1), shape=(count - order, count))


def equations(weights: NDArray[np.float64], stiffness: float) -> Any:
    side = len(weights)
    bend = differences(side, 2)
    twist = sparse.kron(differences(side, 1), differences(side, 1))
    one = sparse.identity(side)
    energy = sparse.kron(one, bend.T @ bend) + sparse.kron(bend.T @ bend, one) + 2 * twist.T @ twist
    return sparse.csc_matrix(sparse.diags_array(weights.ravel()) + stiffness * energy)


def compare_fit(name: str, side: int, weights: NDArray[np.float64], stiffness: float) -> None:
    values, cells = terrain(side), side * side
    fitter = SurfaceFitter(values.shape)
    ours, found = seconds(lambda: fitter.fit(values, weights, stiffness, free_reach=np.inf))
    matrix, right = equations(weights, stiffness), (weights * values).ravel()
    middle = right.sum() / weights.sum()
    centred = right - weights.ravel() * middle
    inverse = sparse.diags_array(1 / matrix.diagonal())
    theirs, (_, short) = seconds(lambda: cg(matrix, centred, rtol=1e-6, maxiter=CG_MOST, M=inverse), 1)
    line = f"{side:5} {name:17} {cells / ours / 1e6:6.2f} Mcell/s {fitter.rounds:3} steps"
    line += f"   cg {theirs / ours:6.1f} x slower" + (" (stopped short)" if short else " " * 16)
    if side <= DIRECT_UP_TO:
        direct, exact = seconds(lambda: spsolve(matrix, right), 1)
        error = np.abs(found.ravel() - exact).max()
        line += f"   spsolve {direct / ours:6.1f} x slower, largest difference {error * 1000:.2f} mm"
    print(line, flush=True)


def compare_openings(side: int) -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(10, 3, (side, side)).astype(np.float32)
    inside, cells = np.ones(values.shape, bool), side * side
    total = 0.0
    for radius in range(1, 19):
        ours, found = seconds(lambda: opened_by_disk(values, radius, inside))  # noqa: B023
        total += ours
        if radius not in (1, 2, 5, 9, 18):
            continue
        y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
        disk = x**2 + y**2 <= radius**2
        theirs, expected = seconds(lambda: ndimage.grey_opening(values, footprint=disk), 1)  # noqa: B023
        inner = np.s_[2 * radius : -2 * radius, 2 * radius : -2 * radius]
        same = "equal" if np.array_equal(found[inner], expected[inner]) else "DIFFERENT"
        line = f"{side:5} disk, radius {radius:3}  {ours / cells * 1e9:6.1f} ns/cell"
        print(f"{line}   scipy {theirs / ours:6.1f} x slower, {same} away from the edge", flush=True)
    print(f"{side:5} disks 1 to 18      {total / cells * 1e9:6.0f} ns/cell together", flush=True)
    threshold = np.full(values.shape, 0.5)
    for kind, raster in (("noise", values), ("terrain", terrain(side))):
        for length in (10, 50):
            ours, _ = seconds(lambda: directions_dropping(raster, length, threshold, inside))  # noqa: B023
            line = f"{side:5} lines of {length:2}, {kind:8}  {ours / cells * 1e9:6.0f} ns/cell"
            print(f"{line} for eight directions", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description="Time fits of plates, and openings by disks and lines.")
    parser.add_argument("--sizes", type=int, nargs="+", default=[100, 300, 1000])
    parser.add_argument("--stiffness", type=float, default=0.1)
    args = parser.parse_args()
    few, everywhere = np.ones((9, 9), np.float32), np.ones((9, 9), bool)
    start = time.process_time()
    SurfaceFitter((9, 9)).fit(few, few, 1.0)
    opened_by_disk(few, 2, everywhere)
    directions_dropping(few, 2, few, everywhere)
    print(f"loading (or compiling) the kernels took {time.process_time() - start:.1f} s")
    for side in args.sizes:
        for name, weights in scenes(side):
            compare_fit(name, side, weights, args.stiffness)
    compare_openings(max(args.sizes))


if __name__ == "__main__":
    main()
