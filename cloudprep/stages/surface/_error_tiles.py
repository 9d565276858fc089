"""What ground points say of the terrain's error: triangles around cells, points left out, tile by tile."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.facets import facets_at, facets_without, points_within
from cloudprep.kernels.facets_mesh import Differences, cell_facets, left_out_facets, mesh_of
from cloudprep.kernels.height_error import Residuals, add_residuals, summed
from cloudprep.kernels.roughness_mixture import CLASSES
from cloudprep.kernels.tin_points import SUBSTEPS, frame_of
from cloudprep.stages.surface._tiles import Places

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.kernels.facets import Binned
    from cloudprep.kernels.tin_points import Frame
    from cloudprep.model.grid import Window
    from cloudprep.model.site import SiteFacts

    Floats = NDArray[np.float64]
    Part = tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]

FARTHEST = 20
"""How far windows around cells reach, bins."""
AROUND_POINTS = 10
"""How far windows around points that are left out reach, bins."""
NODE = 5
"""Edge of the squares for which chances of roughness are worked out, bins: five of any usual bins are a whole
part of a kilometre, so that a cloud moved by kilometres keeps its squares."""
# Tiles are at most this many bins a side: their rims are triangulated twice.
_TILE = 256


class Found(NamedTuple):
    """What the points of a block tell.

    Attributes
    ----------
    sums : Residuals
        Running sums over bins, right as far as windows around the cells reach.
    points : tuple of ndarray of float64, shape (n,)
        Of each point: its difference from what those around it give (m, NaN where unknown or unasked), the
        weight and gap of that, the variance of heights there that measurement explains (m2).
    cells : tuple of ndarray of float32, shape (rows, columns)
        Weight, gap and bend as in :class:`cloudprep.kernels.facets.Facets`; NaN where no point is near.
    holder : ndarray of int32, shape (rows, columns)
        Which row of its tile's ``likely`` is that of each cell's triangle; -1: nothing is seen there.
    seen : tuple of Seen
        What is seen in each tile; together they hold all cells.
    """

    sums: Residuals
    points: tuple[Floats, Floats, Floats, Floats]
    cells: Part
    holder: NDArray[np.int32]
    seen: tuple[Seen, ...] = ()


class Seen(NamedTuple):
    """What is seen of the triangles around the cells of a tile.

    Attributes
    ----------
    rows, columns : slice
        Cells of the tile, counted from the block's first.
    likely : ndarray of float32, shape (t, 10)
        How likely what is seen of each triangle would be for each class of roughness, as a part of the
        likeliest.
    """

    rows: slice
    columns: slice
    likely: NDArray[np.float32]


class GroundBins:
    """A block's ground points in bins and on whole steps.

    Parameters
    ----------
    points : Binned
        The points.
    bins : Window
        Their bins.
    site : SiteFacts
        The site.
    """

    def __init__(self, points: Binned, bins: Window, site: SiteFacts) -> None:
        self.points = points
        self.bins = bins
        self.frame = frame_of((*site.bounds,), site.resolution)
        self.columns = np.rint((points.x - self.frame.left) / self.frame.step)
        self.rows = np.rint((points.y - self.frame.bottom) / self.frame.step)


class CellCentres:
    """Where the cells of a block lie: in metres, in steps, in bins.

    Parameters
    ----------
    window : Window
        All cells of the site.
    part : Window
        Those of the block.
    bins : Window
        The bins.
    frame : Frame
        The site's steps.
    """

    def __init__(self, window: Window, part: Window, bins: Window, frame: Frame) -> None:
        row, column, cell = part.row - window.row, part.column - window.column, window.lattice.cell
        places = Places.of(window, frame)
        self.shape = part.shape
        self.columns = places.columns[column : column + part.columns]
        self.rows = places.rows[row : row + part.rows]
        self.x: Floats = np.asarray(window.left + (column + np.arange(part.columns) + 0.5) * cell, np.float64)
        self.y: Floats = np.asarray(window.bottom + (row + np.arange(part.rows) + 0.5) * cell, np.float64)
        self.column_bins = bins.lattice.column_of(self.x) - bins.column
        self.row_bins = bins.lattice.row_of(self.y) - bins.row


def facets_and_residuals(
    ground: GroundBins,
    cells: CellCentres,
    known: NDArray[np.bool_],
    noise: Callable[[Floats, Floats], Floats],
    threads: int,
) -> Found:
    """Return what points differ by from those around them, and what the triangles around cells tell.

    Parameters
    ----------
    ground : GroundBins
        Ground points.
    cells : CellCentres
        The cells of the block.
    known : ndarray of bool, shape (rows, columns)
        Cells that have a height.
    noise : callable
        Variance of points' heights (m2) that their measurement explains, from x and y (m).
    threads : int
        Threads to use.

    Returns
    -------
    Found
        All of it.
    """
    bins = ground.bins
    sums = Residuals.none(*bins.shape)
    weight = np.full(cells.shape, np.nan, np.float32)
    figures = weight, weight.copy(), weight.copy()
    n = len(ground.points.x)
    of_points = np.full(n, np.nan), np.zeros(n), np.zeros(n), np.ones(n)
    found = Found(sums, of_points, figures, np.full(cells.shape, -1, np.int32))
    reach = FARTHEST + NODE
    r0, r1 = max(int(cells.row_bins[0]) - reach, 0), min(int(cells.row_bins[-1]) + reach + 1, bins.rows)
    c0 = max(int(cells.column_bins[0]) - reach, 0)
    c1 = min(int(cells.column_bins[-1]) + reach + 1, bins.columns)

    def work(tile: tuple[tuple[int, int], tuple[int, int]]) -> Seen:
        return _tile(ground, cells, known, noise, tile, found)

    tiles = [(rows, columns) for rows in _cuts(r0, r1) for columns in _cuts(c0, c1)]
    with ThreadPoolExecutor(threads) as pool:
        seen = tuple(pool.map(work, tiles))
    summed(sums, threads=threads)
    return found._replace(seen=seen)


def _nothing_seen() -> NDArray[np.float32]:
    return np.empty((0, len(CLASSES)), np.float32)


def _cuts(first: int, last: int) -> list[tuple[int, int]]:
    edges = np.linspace(first, last, -(-(last - first) // _TILE) + 1).round().astype(int).tolist()
    return list(pairwise(edges))


def _tile(
    ground: GroundBins,
    cells: CellCentres,
    known: NDArray[np.bool_],
    noise: Callable[[Floats, Floats], Floats],
    tile: tuple[tuple[int, int], tuple[int, int]],
    found: Found,
) -> Seen:
    """Put in what a tile's points and cells tell; return what is seen of the triangles around its cells."""
    (r0, r1), (c0, c1) = tile
    points, bins, step = ground.points, ground.bins, ground.frame.step
    halo = FARTHEST + 1
    index = points_within(
        points,
        (max(r0 - halo, 0), min(r1 + halo, bins.rows)),
        (max(c0 - halo, 0), min(c1 + halo, bins.columns)),
    )
    rows = slice(*np.searchsorted(cells.row_bins, (r0, r1)).tolist())
    columns = slice(*np.searchsorted(cells.column_bins, (c0, c1)).tolist())
    if len(index) == 0:
        return Seen(rows, columns, _nothing_seen())
    mesh = mesh_of(ground.columns[index], ground.rows[index], points.z[index])
    at = index[mesh.given]
    row, column = points.bin[at] // bins.columns, points.bin[at] % bins.columns
    own = (row >= r0) & (row < r1) & (column >= c0) & (column < c1)
    # Corners of the triangles around cells lie beyond the tile too, where it has cells up to its rim.
    north, south, west, east = _corners_within(cells, rows, columns, tile)
    near = (row >= south) & (row < north) & (column >= west) & (column < east)
    z = points.z[at]
    scatter = noise(points.x[at], points.y[at])
    inner, height, weight, gap = left_out_facets(mesh, z, near, step, AROUND_POINTS * points.edge / step)
    corners = Differences(z, scatter, np.where(inner, z - height, np.nan), weight.copy(), gap.copy(), CLASSES)
    # On the rim and beside wide gaps: from all points in the widest window.
    rest = np.flatnonzero(own & ~inner)
    if len(rest):
        without = facets_without(points, AROUND_POINTS, which=at[rest], first=AROUND_POINTS)
        height[rest], weight[rest], gap[rest] = without.height, without.weight, without.gap
    at = at[own]
    off = z[own] - height[own], weight[own], gap[own], scatter[own]
    add_residuals(found.sums, points.bin[at], off[0], off[1])
    for of_points, values in zip(found.points, off, strict=True):
        of_points[at] = values
    wanted = known[rows, columns].copy()
    if not wanted.any():
        return Seen(rows, columns, _nothing_seen())
    weights, gaps, bends = (figure[rows, columns] for figure in found.cells)
    part = weights, gaps, bends
    at_columns = cells.columns[columns] - mesh.left * SUBSTEPS
    at_rows = cells.rows[rows] - mesh.bottom * SUBSTEPS
    farthest = FARTHEST * points.edge / step
    holder = found.holder[rows, columns]
    likely = cell_facets(mesh, at_columns, at_rows, step, farthest, wanted, part, corners, holder)
    r, c = np.nonzero(wanted)
    if len(r):
        x, y = cells.x[columns][c], cells.y[rows][r]
        place = cells.row_bins[rows][r] * bins.columns + cells.column_bins[columns][c]
        around = facets_at(points, x, y, place, FARTHEST, first=FARTHEST)
        for figure, values in zip(part, around[1:], strict=True):
            figure[r, c] = values
    return Seen(rows, columns, likely)


def _corners_within(
    cells: CellCentres, rows: slice, columns: slice, tile: tuple[tuple[int, int], tuple[int, int]]
) -> tuple[int, int, int, int]:
    """Return the sides of the bins of a tile's own points, and of the corners of triangles around its cells.

    Northern and eastern sides are one past the last bin, the others the first one.
    """
    (south, north), (west, east) = tile
    row, column = cells.row_bins[rows], cells.column_bins[columns]
    if len(row) and len(column):
        south, north = min(south, row[0] - AROUND_POINTS), max(north, row[-1] + AROUND_POINTS + 1)
        west, east = min(west, column[0] - AROUND_POINTS), max(east, column[-1] + AROUND_POINTS + 1)
    return north, south, west, east
