"""The outline of a flight: the ground that its points lie on, as polygons of whole cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from cloudprep.model.bounds import NOWHERE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.model.bounds import Bounds

# Sides of cells are powers of two times this, m: a cell of one size is whole cells of every smaller one.
_FINEST = 4.0
# So many cells show the shape of a flight on a map; of more, none would be seen.
_MOST_CELLS = 6000
# Cells that hardly hold two points would be full of chance holes.
_POINTS_PER_CELL = 4.0
# Points taken at a time: what is worked out for them meanwhile stays small.
_AT_A_TIME = 100_000
_WIDEST_MASK = 4_000_000
_ROW = 1 << 32
_MIDDLE = 1 << 30


class Outline:
    """Collects which cells hold points, in any order, and makes polygons of them.

    Cells become wider as the ground they cover grows, so that there are never many. Which they are follows
    from the points alone: not from the order or the pieces in which they come.

    Examples
    --------
    >>> from cloudprep.model.bounds import Bounds
    >>> outline = Outline()
    >>> outline.add(np.arange(0.0, 64.0, 0.5), np.zeros(128))
    >>> outline.polygon(Bounds(0.0, 0.0, 63.5, 0.0)).bounds
    (0.0, 0.0, 63.5, 4.0)
    """

    def __init__(self) -> None:
        self._cell = _FINEST
        self._keys = np.empty(0, np.int64)
        self._points = 0

    def add(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """Take points in, global metres, shape (n,)."""
        for start in range(0, len(x), _AT_A_TIME):
            stop = start + _AT_A_TIME
            self._keys = np.union1d(self._keys, _occupied(x[start:stop], y[start:stop], self._cell))
            while len(self._keys) > _MOST_CELLS:
                self._widen()
        self._points += len(x)

    def polygon(self, extent: Bounds) -> shapely.MultiPolygon:
        """Return where points lie, global metres.

        Parameters
        ----------
        extent : Bounds
            Of the points that are used; what lies outside doesn't count.

        Returns
        -------
        MultiPolygon
            Cells that hold points, and gaps a cell wide between them, within the extent; empty if no point
            is used. An extent without width is made a cell wide.
        """
        if extent == NOWHERE or not len(self._keys):
            return shapely.MultiPolygon()
        while self._points < _POINTS_PER_CELL * len(self._keys) and len(self._keys) > 1:
            self._widen()
        cells = shapely.union_all(_rectangles(_closed(self._keys), self._cell))
        within = shapely.intersection(cells, shapely.box(*_with_width(extent, self._cell)))
        polygons = [p for p in shapely.get_parts(shapely.simplify(within, 0.0)) if p.geom_type == "Polygon"]
        return shapely.MultiPolygon(polygons).normalize()

    def _widen(self) -> None:
        self._cell *= 2
        columns, rows = _unpacked(self._keys)
        self._keys = np.unique(_packed(columns >> 1, rows >> 1))


def _indices(values: NDArray[np.float64], cell: float) -> tuple[NDArray[np.float64], float, float]:
    """Return whole cells from the least one on, the least one, and how many there are from it on."""
    cells = values * (1 / cell)
    np.floor(cells, out=cells)
    if cells.min() < -_MIDDLE or cells.max() >= _MIDDLE:
        np.clip(cells, -_MIDDLE, _MIDDLE - 1, out=cells)
    least = float(cells.min())
    cells -= least
    return cells, least, float(cells.max()) + 1


def _packed(columns: NDArray[np.int64], rows: NDArray[np.int64]) -> NDArray[np.int64]:
    return (rows + _MIDDLE) * _ROW + (columns + _MIDDLE)


def _unpacked(keys: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    return keys % _ROW - _MIDDLE, keys // _ROW - _MIDDLE


def _occupied(x: NDArray[np.float64], y: NDArray[np.float64], cell: float) -> NDArray[np.int64]:
    """Return the cells of points, each once: through a mask where it is small, since that spares a sort."""
    columns, c0, width = _indices(x, cell)
    rows, r0, height = _indices(y, cell)
    if width * height > _WIDEST_MASK:
        return np.unique(_packed((columns + c0).astype(np.int64), (rows + r0).astype(np.int64)))
    rows *= width
    rows += columns
    mask = np.zeros(int(width * height), bool)
    mask[rows.astype(np.int64)] = True
    found = np.flatnonzero(mask)
    return _packed(found % int(width) + int(c0), found // int(width) + int(r0))


def _closed(keys: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return cells with gaps a cell wide closed: widened by a cell all round, and narrowed again."""
    around = [dy * _ROW + dx for dy in (-1, 0, 1) for dx in (-1, 0, 1)]
    wide = np.unique(np.concatenate([keys + step for step in around]))
    inside = np.ones(len(wide), bool)
    for step in around:
        inside &= np.isin(wide + step, wide, assume_unique=True)
    return wide[inside]


def _rectangles(keys: NDArray[np.int64], cell: float) -> NDArray[np.object_]:
    """Return a rectangle for every run of cells in a row."""
    columns, rows = _unpacked(keys)
    new = np.r_[True, np.diff(keys) != 1]
    starts = np.flatnonzero(new)
    stops = np.r_[starts[1:], len(keys)] - 1
    boxes: NDArray[np.object_] = shapely.box(
        columns[starts] * cell, rows[starts] * cell, (columns[stops] + 1) * cell, (rows[starts] + 1) * cell
    )
    return boxes


def _with_width(extent: Bounds, cell: float) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = extent
    return x0, y0, (x1 if x1 > x0 else x0 + cell), (y1 if y1 > y0 else y0 + cell)


def outline_text(outline: Outline, extent: Bounds, unit: float) -> str:
    """Return an outline as well-known text (OGC 06-103r4) in the unit of the cloud, to a thousandth.

    Parameters
    ----------
    outline : Outline
        The cells of a flight.
    extent : Bounds
        Of its points that are used, global metres.
    unit : float
        Metres in one unit of the plan.

    Returns
    -------
    str
        ``MULTIPOLYGON (...)``; empty if no point is used.
    """
    found = outline.polygon(extent)
    if found.is_empty:
        return ""
    text: str = shapely.to_wkt(shapely.transform(found, lambda c: c / unit), rounding_precision=3)
    return text
