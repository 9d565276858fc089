"""How high and how low ground points may lie, agreed between surfaces of rasters that start elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import ndimage

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_seeds import steepness

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.ground_fine import FineSurface
    from cloudprep.kernels.ground_surface import Surface

    Raster = NDArray[np.float32]

# Slopes beyond this count as this one.
_STEEPEST = 4.0
# Below the surface, points may lie so much deeper than the height allowed above it, m.
_DEEPER = 0.5


class Limits(NamedTuple):
    """Rasters on the fine lattice; heights at the cell centres, m from the level of the fit.

    Parameters
    ----------
    column, row : int
        First cell.
    low, centre, high : ndarray of float32, shape (rows, columns)
        Ground lies between ``low`` and ``high``; ``centre`` is the surface.
    split : ndarray of float32, shape (rows, columns)
        How far the surfaces differ, m.
    far : ndarray of float32, shape (rows, columns)
        Distance to the next cell whose lowest point is ground on most of the surfaces, m.
    plants, objects : ndarray of float32, shape (rows, columns)
        In how many of eight directions the place sticks out of its 10 m and 50 m, on average.
    """

    column: int
    row: int
    low: Raster
    centre: Raster
    high: Raster
    split: Raster
    far: Raster
    plants: Raster
    objects: Raster


def agreed_limits(
    surfaces: Sequence[Surface],
    phases: Sequence[tuple[int, int]],
    *,
    first: tuple[int, int],
    shape: tuple[int, int],
    fine: float,
    nearness: float,
    slope_share: float,
) -> Limits:
    """Take the median of several surfaces' limits.

    Parameters
    ----------
    surfaces : sequence of Surface
        Fitted on rasters that start elsewhere.
    phases : sequence of tuple of int
        Columns and rows of the fine lattice by which each raster is shifted.
    first : tuple of int
        First column and row of the limits on the fine lattice.
    shape : tuple of int
        Rows and columns of the limits.
    fine : float
        Side of the fine cells, m.
    nearness, slope_share : float
        A ground point lies at most ``nearness`` (m) plus ``slope_share`` times the slope above the surface,
        and at most 0.5 m more below it.

    Returns
    -------
    Limits
        A point within the medians is within the limits of most surfaces.
    """
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]]
    x, y = column.ravel() + first[0] + 0.5, row.ravel() + first[1] + 0.5
    layers: dict[str, list[NDArray[np.float32]]] = {
        k: [] for k in ("low", "centre", "high", "plants", "objects", "support")
    }
    for surface, phase in zip(surfaces, phases, strict=True):
        side = round(surface.cell / fine)
        across, up = (x - phase[0]) / side - surface.column, (y - phase[1]) / side - surface.row

        def at(
            raster: NDArray[np.float64], across: NDArray[np.float64] = across, up: NDArray[np.float64] = up
        ) -> NDArray[np.float32]:
            return bilinear(raster, across, up).reshape(shape).astype(np.float32)

        centre: Raster = at(surface.height)
        slope = at(np.minimum(steepness(surface.height, surface.cell), _STEEPEST))
        near = (nearness + slope_share * slope).astype(np.float32)
        layers["centre"].append(centre)
        layers["high"].append(centre + near)
        layers["low"].append(centre - near - np.float32(_DEEPER))
        layers["plants"].append(at(surface.seeds.plants.astype(np.float64)))
        layers["objects"].append(at(surface.seeds.objects.astype(np.float64)))
        r = np.clip(up.astype(np.int64), 0, surface.support.shape[0] - 1)
        c = np.clip(across.astype(np.int64), 0, surface.support.shape[1] - 1)
        layers["support"].append(surface.support[r, c].reshape(shape).astype(np.float32))
    centre = np.stack(layers["centre"])
    support = np.median(layers["support"], axis=0) > 0
    far = ndimage.distance_transform_edt(~support) * fine if support.any() else np.full(shape, np.inf)
    return Limits(
        *first,
        low=np.median(layers["low"], axis=0),
        centre=np.median(centre, axis=0),
        high=np.median(layers["high"], axis=0),
        split=centre.max(axis=0) - centre.min(axis=0),
        far=far.astype(np.float32),
        plants=np.mean(layers["plants"], axis=0),
        objects=np.mean(layers["objects"], axis=0),
    )


def narrowed(limits: Limits, surface: FineSurface, *, first: tuple[int, int], side: int = 2) -> Limits:
    """Narrow the limits to a finer surface, but for places with steps.

    Parameters
    ----------
    limits : Limits
        Of the coarse surfaces.
    surface : FineSurface
        Its cells measure ``side`` by ``side`` fine ones.
    first : tuple of int
        First column and row of that surface, in its own cells.
    side : int
        Fine cells along a side of its cells.

    Returns
    -------
    Limits
        With the finer surface as centre.
    """
    rows, columns = limits.centre.shape
    row, column = np.mgrid[0:rows, 0:columns]
    across = (column.ravel() + limits.column + 0.5) / side - first[0]
    up = (row.ravel() + limits.row + 0.5) / side - first[1]

    def at(raster: NDArray[np.float64]) -> Raster:
        return bilinear(raster, across, up).reshape(rows, columns).astype(np.float32)

    centre, near = at(surface.height), at(surface.tolerance)
    r = np.clip(up.astype(np.int64), 0, surface.steps.shape[0] - 1)
    c = np.clip(across.astype(np.int64), 0, surface.steps.shape[1] - 1)
    steps = surface.steps[r, c].reshape(rows, columns)
    return limits._replace(
        low=np.where(steps, limits.low, np.maximum(limits.low, centre - near)),
        centre=np.where(steps, limits.centre, centre),
        high=np.where(steps, limits.high, np.minimum(limits.high, centre + near)),
    )
