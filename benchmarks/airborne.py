"""A made-up airborne cloud of any size: rolling ground, a wood, houses, wires, noise; in scan order."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import laspy
import numpy as np
from pyproj import CRS

if TYPE_CHECKING:
    from pathlib import Path

POINTS_PER_M2 = 4.0
STRIP = 20.0


def ground_height(x, y):
    return 200 + 12 * np.sin(x / 140) * np.cos(y / 170) + 3 * np.sin(x / 31 + y / 47) + 0.02 * x


def crown_height(x, y):
    """Return the height of the canopy: crowns some 6 m wide."""
    return 14 + 5 * np.sin(x / 1.9) * np.cos(y / 2.1) + 3 * np.sin(x / 37 + y / 53)


def houses_between(west, east, north):
    """Return where houses stand, one in each square of 63 m: the same for flights that overlap."""
    i, j = np.meshgrid(np.arange(west // 63 - 1, east // 63 + 2), np.arange(0, north // 63 + 2))
    shake = [np.abs(np.sin(i * 12.9898 + j * 78.233 + k) * 43758.5453) % 1.0 for k in (0.0, 1.0)]
    return np.stack([(i + shake[0]) * 63, (j + shake[1]) * 63], axis=-1).reshape(-1, 2)


def write_airborne(
    path: Path, points: int, seed: int = 1, *, density: float = POINTS_PER_M2, west: float = 0.0
) -> None:
    """Write a LAZ of about so many points, strip by strip, so that memory stays small.

    Parameters
    ----------
    path : Path
        To write.
    points : int
        How many, about.
    seed : int
        Of the generator.
    density : float
        Pulses on a square metre; every fourth gives two returns, about.
    west : float
        Where the square begins, m from the others' western edge: flights that lie side by side.
    """
    rng = np.random.default_rng(seed)
    side = math.sqrt(points / (density * 1.25))
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = np.full(3, 0.01)
    header.offsets = np.array([412_000.0, 5_654_000.0, 0.0])
    header.add_crs(CRS.from_epsg(25832))
    houses = houses_between(west, west + side, side)
    with laspy.open(path, "w", header=header) as file:
        time = 0.0
        for y0 in np.arange(0.0, side, STRIP):
            depth = min(STRIP, side - y0)
            n = int(side * depth * density)
            x, y = rng.uniform(0, side, n), rng.uniform(y0, y0 + depth, n)
            z = ground_height(x + west, y) + rng.normal(0, 0.03, n)
            near = houses[np.abs(houses[:, 1] - y0) < 40]
            for hx, hy in near:
                roof = (np.abs(x + west - hx) < 6) & (np.abs(y - hy) < 9)
                z[roof] = (
                    ground_height(hx, hy)
                    + 6
                    + 0.3 * np.abs(x[roof] + west - hx)
                    + rng.normal(0, 0.02, roof.sum())
                )
            wood = (np.sin((x + west) / 90) + np.sin(y / 70) > 0.6) & (rng.random(n) < 0.6)
            top = z.copy()
            top[wood] += crown_height(x[wood] + west, y[wood]) * rng.uniform(0.75, 1.0, wood.sum())
            first = np.flatnonzero(wood)
            xs, ys, zs = np.r_[x, x[first]], np.r_[y, y[first]], np.r_[np.where(wood, top, z), z[first]]
            number = np.r_[np.ones(n, np.uint8), np.full(len(first), 2, np.uint8)]
            of = np.r_[np.where(wood, 2, 1), np.full(len(first), 2)].astype(np.uint8)
            noise = rng.random(len(xs)) < 2e-5
            zs[noise] += rng.choice([-8.0, 60.0], noise.sum())
            line = (ys // 0.6).astype(int)
            order = np.lexsort((np.where(line % 2, -xs, xs), line))
            cloud = laspy.ScaleAwarePointRecord.zeros(len(xs), header=header)
            cloud.x, cloud.y, cloud.z = xs[order] + 412_000 + west, ys[order] + 5_654_000, zs[order]
            cloud.return_number, cloud.number_of_returns = number[order], of[order]
            cloud.intensity = rng.integers(100, 4000, len(xs)).astype(np.uint16)
            cloud.gps_time = time + np.arange(len(xs)) * 1e-5
            time = float(cloud.gps_time[-1])
            cloud.point_source_id = np.full(len(xs), seed, np.uint16)
            file.write_points(cloud)
