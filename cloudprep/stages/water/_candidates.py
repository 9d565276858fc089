"""Groups of cells that may be water, and what speaks for each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely
from scipy import ndimage

from cloudprep.kernels.polygons import banded, cell_runs
from cloudprep.stages.water._features import edges_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.model.grid import Window
    from cloudprep.stages.water._cells import CellFacts

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]

_EIGHT = np.ones((3, 3), bool)
# The shore: cells this near a group; the bank behind it: those beyond, up to the second figure.
_SHORE, _BANK = 2, 6
_LEAST_SHORE = 12
_RISE = 0.15
_TURNS = 8
_AT_LEVEL = 0.15
_GROWS = 2
# Where fewer of the cells hold points, these are what hangs over the shore.
_ENOUGH = 0.2
# Islands of fewer cells are filled; corners may move by this share of a cell.
_SPECK = 12
_CUT = 0.7


@dataclass(frozen=True)
class Candidate:
    """A group of cells that may be water.

    Parameters
    ----------
    cells : ndarray of bool, shape (rows, columns)
        Which cells of its own window.
    row, column : int
        Where that window starts in the raster.
    level : float
        Height of the plane through the lower part of the shore, in the middle of the group, m.
    slope : float
        Of that plane, m a metre.
    scatter : float
        How far points on the group lie about that plane, m: half the range of the middle half; NaN where
        there are hardly any.
    rise : float
        Share of the bank behind the shore that lies higher than that plane by 0.15 m.
    closed : float
        Share of the shore that was seen.
    void, dark : float
        Share of cells with hardly any first returns, and of cells that are dark and flat.
    length, width : float
        The longer side of the smallest rectangle around it, and area by that, m.
    """

    cells: Mask
    row: int
    column: int
    level: float
    slope: float
    scatter: float
    rise: float
    closed: float
    void: float
    dark: float
    length: float
    width: float


def seen_area(facts: CellFacts) -> Mask:
    """Return the cells within the convex hull of all that hold points: what lies outside wasn't flown."""
    some = facts.lowest == facts.lowest
    rows = np.flatnonzero(some.any(axis=1))
    if len(rows) == 0:
        return np.zeros(facts.first.shape, bool)
    # Corners of the hull are the first and the last of a row.
    west = some[rows].argmax(axis=1)
    east = some.shape[1] - 1 - some[rows, ::-1].argmax(axis=1)
    places = np.c_[np.r_[west, east] + 0.5, np.r_[rows, rows] + 0.5]
    hull = shapely.convex_hull(shapely.multipoints(places))
    found: Mask = np.zeros(facts.first.shape, bool)
    if hull.geom_type != "Polygon":
        return found
    runs = cell_runs(
        banded(edges_of(np.array([hull], object), [0])), 0.0, 0.0, 1.0, (found.shape[0], found.shape[1])
    )
    for row, first, beyond in zip(runs.row, runs.first, runs.beyond, strict=True):
        found[row, first:beyond] = True
    return found


def wet_cells(facts: CellFacts, seen: Mask, sparse: float, dark: float, flat: float) -> tuple[Mask, Mask]:
    """Return the cells that look like water because they are void, and because they are dark and flat.

    Parameters
    ----------
    facts : CellFacts
        What cells hold.
    seen : ndarray of bool, shape (rows, columns)
        Cells within the flown area.
    sparse : float
        Void: fewer first returns than this share of what is usual.
    dark : float
        Dark: less bright than this share of what is usual.
    flat : float
        Flat: the lowest and highest point of a cell and its eight neighbours are no farther apart, m.
    """
    usual = float(np.median(facts.first[facts.first > 0])) if (facts.first > 0).any() else 1.0
    # Over three by three cells: a single empty cell is chance.
    around = ndimage.uniform_filter(np.where(seen, facts.first, usual).astype(np.float64), 3, mode="nearest")
    void = seen & (around < sparse * usual)
    bright = facts.bright[facts.bright == facts.bright]
    if not len(bright) or not bright.any():
        return void, np.zeros_like(void)
    low = ndimage.minimum_filter(np.where(np.isnan(facts.lowest), np.inf, facts.lowest), 3, mode="nearest")
    high = ndimage.maximum_filter(
        np.where(np.isnan(facts.highest), -np.inf, facts.highest), 3, mode="nearest"
    )
    total = ndimage.uniform_filter(np.nan_to_num(facts.bright * facts.first), 3, mode="nearest")
    count = ndimage.uniform_filter(facts.first.astype(np.float64), 3, mode="nearest")
    with np.errstate(invalid="ignore", divide="ignore"):
        dim = total < dark * float(np.median(bright)) * count
        level = high - low <= flat
    return void, seen & dim & level & (count > 0)


def groups(wet: Mask, least: int) -> Iterator[tuple[Mask, int, int]]:
    """Give the groups of wet cells of at least some number, each in a window of its own with a margin.

    Gaps of a cell are closed, and what hangs on by less than three cells is taken off.
    """
    solid = ndimage.binary_opening(ndimage.binary_closing(wet, _EIGHT), _EIGHT)
    labels, _ = ndimage.label(solid)
    sizes = np.bincount(labels.ravel())
    margin = _BANK + 1
    for number, place in enumerate(ndimage.find_objects(labels), 1):
        if sizes[number] < least:
            continue
        (r0, r1), (c0, c1) = ((s.start, s.stop) for s in place)
        r0, c0 = max(r0 - margin, 0), max(c0 - margin, 0)
        r1, c1 = min(r1 + margin, wet.shape[0]), min(c1 + margin, wet.shape[1])
        yield labels[r0:r1, c0:c1] == number, r0, c0


def examined(
    cells: Mask, row: int, column: int, facts: CellFacts, marks: tuple[Mask, Mask], cell: float
) -> Candidate | None:
    """Return what speaks for a group; None where hardly anything of its shore was seen.

    Parameters
    ----------
    cells : ndarray of bool, shape (rows, columns)
        The group, in a window of its own.
    row, column : int
        Where that window starts.
    facts : CellFacts
        Of the whole raster.
    marks : tuple of ndarray of bool
        Void cells, and dark ones, of the whole raster.
    cell : float
        Cell size, m.
    """
    part = slice(row, row + cells.shape[0]), slice(column, column + cells.shape[1])
    lowest = facts.lowest[part]
    there = np.isfinite(lowest)
    # One cell wider than the window: what lies outside the raster is a shore that nobody saw.
    edge = ndimage.binary_dilation(np.pad(cells, 1), _EIGHT) & ~np.pad(cells, 1)
    shore = edge[1:-1, 1:-1] & there
    bank = ndimage.binary_dilation(cells, _EIGHT, iterations=_BANK) & there
    bank &= ~ndimage.binary_dilation(cells, _EIGHT, iterations=_SHORE)
    if np.count_nonzero(shore) < _LEAST_SHORE or not bank.any():
        return None
    plane = _low_plane(*_centres(shore, cell), lowest[shore])
    cells = _grown(cells, facts, part, plane, cell)
    on_group = cells & there
    scatter = np.nan
    if np.count_nonzero(on_group) >= max(_LEAST_SHORE, _ENOUGH * np.count_nonzero(cells)):
        off = lowest[on_group] - plane.at(*_centres(on_group, cell))
        scatter = float(np.subtract(*np.quantile(off, [0.75, 0.25]))) / 2
    higher = lowest[bank] - plane.at(*_centres(bank, cell)) > _RISE
    x, y = _centres(cells, cell)
    length = _length(x, y, cell)
    return Candidate(
        cells=cells,
        row=row,
        column=column,
        level=float(np.median(plane.at(x, y))),
        slope=float(np.hypot(plane.east, plane.north)),
        scatter=scatter,
        rise=float(higher.mean()),
        closed=float(np.count_nonzero(shore)) / max(1, int(np.count_nonzero(edge))),
        void=float(marks[0][part][cells].mean()),
        dark=float(marks[1][part][cells].mean()),
        length=length,
        width=float(np.count_nonzero(cells)) * cell * cell / length,
    )


def _grown(cells: Mask, facts: CellFacts, part: tuple[slice, slice], plane: _Plane, cell: float) -> Mask:
    """Return a group with the cells along it whose points all lie at its level, or that hold none.

    The outermost cells of a water are missing from it, because they were looked at together with the bank.
    """
    rows, columns = np.indices(cells.shape)
    level = plane.at((columns + 0.5) * cell, (rows + 0.5) * cell)
    low, high = facts.lowest[part], facts.highest[part]
    fits = np.isnan(low) | ((np.abs(low - level) <= _AT_LEVEL) & (np.abs(high - level) <= _AT_LEVEL))
    grown: Mask = ndimage.binary_dilation(cells, _EIGHT, iterations=_GROWS, mask=fits | cells)
    return grown


class _Plane(NamedTuple):
    base: float
    east: float
    north: float

    def at(self, x: Any, y: Any) -> Floats:
        return np.asarray(self.base + self.east * x + self.north * y, np.float64)


def _centres(mask: Mask, cell: float) -> tuple[Floats, Floats]:
    rows, columns = np.nonzero(mask)
    return (columns.astype(np.float64) + 0.5) * cell, (rows.astype(np.float64) + 0.5) * cell


def _low_plane(x: Floats, y: Floats, z: Floats) -> _Plane:
    """Return a plane through the lower part of heights: what lies above it draws it a ninth as strongly.

    Asymmetric least squares (Newey and Powell 1987, Econometrica 55:819-847).
    """
    a = np.c_[np.ones(len(x)), x - x.mean(), y - y.mean()]
    weight = np.ones(len(x))
    found = np.zeros(3)
    for _ in range(_TURNS):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(a * root[:, None], z * root, rcond=None)[0]
        weight = np.where(z > a @ found, 0.1, 0.9)
    east, north = float(found[1]), float(found[2])
    return _Plane(float(found[0]) - east * float(x.mean()) - north * float(y.mean()), east, north)


def _length(x: Floats, y: Floats, cell: float) -> float:
    """Return the longer side of the smallest turned rectangle around cells, m."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapely.multipoints(np.c_[x, y])))
    return float(np.hypot(*np.diff(box, axis=0).T).max(initial=0.0)) + cell


def outline(found: Candidate, window: Window) -> shapely.Geometry:
    """Return the polygon of a group, in local metres; corners of cells are cut, specks of land filled."""
    cell = window.lattice.cell
    solid = ~_large(~found.cells, _SPECK)
    padded = np.pad(solid, ((0, 0), (1, 1))).astype(np.int8)
    row, first = np.nonzero(np.diff(padded, axis=1) == 1)
    beyond = np.nonzero(np.diff(padded, axis=1) == -1)[1]
    left = window.left + (found.column + first) * cell
    right = window.left + (found.column + beyond) * cell
    bottom = window.bottom + (found.row + row) * cell
    whole = shapely.union_all(shapely.box(left, bottom, right, bottom + cell))
    return shapely.simplify(shapely.buffer(shapely.buffer(whole, cell / 2), -cell / 2), cell * _CUT)


def _large(mask: Mask, least: int) -> Mask:
    """Return what of a mask hangs together in groups of at least so many cells."""
    labels, _ = ndimage.label(mask)
    keep = np.bincount(labels.ravel()) >= least
    keep[0] = False
    return keep[labels]
