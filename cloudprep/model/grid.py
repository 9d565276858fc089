"""Grids on one global lattice: cell edges lie on whole multiples of the cell, wherever a cloud starts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.model.file_names import check_file_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import DTypeLike, NDArray

    from cloudprep.model.bounds import Bounds

# Places whose cells are worked out together.
_AT_A_TIME = 32_768


@dataclass(frozen=True)
class Lattice:
    """Square cells whose edges are whole multiples of ``cell`` in global metres.

    Indices are global integers (column to the east, row to the NORTH), so two blocks, two runs or two sites
    that use the same cell agree on every cell. Points carry site-local metres; ``origin`` is what was
    subtracted from them.

    Parameters
    ----------
    cell : float
        Cell size, m, > 0.
    origin : tuple of float
        Global easting and northing of the site's local zero, m.
    """

    cell: float
    origin: tuple[float, float] = (0.0, 0.0)

    @property
    def base(self) -> tuple[int, int]:
        """Column and row of the cell that the local zero lies in."""
        return math.floor(self.origin[0] / self.cell), math.floor(self.origin[1] / self.cell)

    @property
    def phase(self) -> tuple[float, float]:
        """Distance from the last lattice edge to the local zero, m; 0 where the cell divides the origin."""
        base = self.base
        return self.origin[0] - base[0] * self.cell, self.origin[1] - base[1] * self.cell

    def column_of(self, x: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return global column indices of local eastings (m)."""
        return _cells(x, self.phase[0], self.cell, self.base[0])

    def row_of(self, y: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return global row indices of local northings (m)."""
        return _cells(y, self.phase[1], self.cell, self.base[1])

    def left_edge(self, column: int) -> float:
        """Return the local easting (m) of a column's western edge."""
        return (column - self.base[0]) * self.cell - self.phase[0]

    def lower_edge(self, row: int) -> float:
        """Return the local northing (m) of a row's southern edge."""
        return (row - self.base[1]) * self.cell - self.phase[1]

    def window(self, bounds: Bounds) -> Window:
        """Return the smallest window of whole cells that covers half-open bounds (at least one cell)."""
        c0 = int(self.column_of(np.array([bounds.x0]))[0])
        r0 = int(self.row_of(np.array([bounds.y0]))[0])
        c1 = c0 + max(1, math.ceil((bounds.x1 - self.left_edge(c0)) / self.cell))
        r1 = r0 + max(1, math.ceil((bounds.y1 - self.lower_edge(r0)) / self.cell))
        return Window(self, c0, r0, c1 - c0, r1 - r0)


def _cells(places: NDArray[np.float64], phase: float, cell: float, base: int) -> NDArray[np.int64]:
    """Return in which cells places lie."""
    if np.ndim(places) != 1:
        return np.floor((places + phase) / cell).astype(np.int64) + base
    found = np.empty(len(places), np.int64)
    # A few at a time, so that what comes between stays in the cache and takes no fresh memory.
    for start in range(0, len(places), _AT_A_TIME):
        some = found[start : start + _AT_A_TIME]
        far = places[start : start + _AT_A_TIME] + phase
        far /= cell
        some[:] = np.floor(far, out=far)
        some += base
    return found


@dataclass(frozen=True)
class Window:
    """A rectangle of cells of a lattice: first column and row (south-west cell), and how many of each."""

    lattice: Lattice
    column: int
    row: int
    columns: int
    rows: int

    @property
    def shape(self) -> tuple[int, int]:
        """Array shape (rows, columns); array row 0 is the SOUTHERNMOST."""
        return self.rows, self.columns

    @property
    def left(self) -> float:
        """Local easting (m) of the western edge."""
        return self.lattice.left_edge(self.column)

    @property
    def bottom(self) -> float:
        """Local northing (m) of the southern edge."""
        return self.lattice.lower_edge(self.row)


@dataclass(frozen=True)
class Grid:
    """One raster product.

    Parameters
    ----------
    name : str
        File name without ending, e.g. ``dtm``.
    values : ndarray of shape (rows, columns)
        Row 0 is the southernmost. Heights are float32/float64 metres with NaN where there is nothing; codes
        are uint8.
    window : Window
        Where the values lie.
    meaning : str
        One line that says what a cell holds.
    unit : str
        ``m`` for heights (written in the vertical unit of the cloud), empty for codes.
    legend : mapping of int to str
        Meaning of each code, for code rasters.
    shaded : bool
        Whether a hillshade picture is drawn beside the file.
    blends : bool
        Whether a mean of neighbouring values means something; coarser views are made of means then.
    smooth : bool
        Whether heights bend across the points that they follow from, instead of running straight from one to
        the next.
    """

    name: str
    values: NDArray[Any]
    window: Window
    meaning: str
    unit: str = "m"
    legend: Mapping[int, str] = field(default_factory=dict)
    shaded: bool = False
    blends: bool = True
    smooth: bool = False

    def __post_init__(self) -> None:
        """Refuse a name that is no plain file name."""
        check_file_name(self.name)


@dataclass(frozen=True)
class Canvas:
    """What a raster will be before any cell of it is known; whoever runs the stage allocates it.

    Parameters
    ----------
    name, window, meaning, unit, legend, shaded
        As for :class:`Grid`.
    dtype : dtype
        Of the values.
    empty : float or int
        What a cell holds where nothing is drawn: NaN for heights.
    """

    name: str
    window: Window
    dtype: DTypeLike
    empty: float
    meaning: str
    unit: str = "m"
    legend: Mapping[int, str] = field(default_factory=dict)
    shaded: bool = False

    def grid(self, values: NDArray[Any]) -> Grid:
        """Return the raster product once its values are there."""
        return Grid(self.name, values, self.window, self.meaning, self.unit, self.legend, self.shaded)


@dataclass(frozen=True)
class Drawing:
    """What one block drew: a rectangle of cells of every canvas.

    Parameters
    ----------
    window : Window
        The cells; part of the canvases' window, maybe of no columns or no rows.
    arrays : tuple of ndarray of shape (rows, columns)
        One for each canvas, in their order.
    share : object
        This block's share of the site's figures; it must pickle.
    """

    window: Window
    arrays: tuple[NDArray[Any], ...]
    share: Any = None
