"""Voids as groups of cells: their areas, widths and outlines, and how much of them lies in what."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely
from rasterio.features import shapes
from rasterio.transform import Affine

from cloudprep.kernels.voids import groups_of, rim_of, width_of
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.model.grid import Window

FIRST_RETURNS, TERRAIN = "first returns", "terrain"


class Rim(NamedTuple):
    """The cells around a void: the rows and columns of a rectangle, and which of its cells."""

    place: tuple[slice, slice]
    cells: NDArray[np.bool_]


class Found:
    """Voids of one kind.

    Parameters
    ----------
    labels : ndarray of int32, shape (rows, columns)
        Number of the void of each cell, from 1; 0: none.
    places : list of tuple of slice
        Rectangles around them.
    cells : list of int
        How many cells each has.
    window : Window
        Where the cells lie.
    of : str
        What they are voids of.
    """

    def __init__(
        self,
        labels: NDArray[np.int32],
        places: list[tuple[slice, slice]],
        cells: list[int],
        window: Window,
        of: str,
    ) -> None:
        self.labels, self.places, self.window, self.of = labels, places, window, of
        self.cells = cells
        self.areas = [n * window.lattice.cell**2 for n in cells]
        self.cause = [""] * len(cells)
        self.hidden = False
        """Whether they are left out of the layer."""

    def __len__(self) -> int:
        return len(self.cells)

    def widths(self) -> list[float]:
        """Return the diameter of the widest circle in each, m."""
        cell = self.window.lattice.cell
        return [width_of(self.labels[place] == n) * cell for n, place in enumerate(self.places, 1)]

    def rim(self, number: int) -> Rim:
        """Return the cells around a void, counted from 0."""
        (r, c), (rows, columns) = self.places[number], self.labels.shape
        place = (
            slice(max(r.start - 1, 0), min(r.stop + 1, rows)),
            slice(max(c.start - 1, 0), min(c.stop + 1, columns)),
        )
        return Rim(place, rim_of(self.labels[place] == number + 1))

    def covering(self, causes: tuple[str, ...]) -> NDArray[np.bool_]:
        """Return the cells of the voids of some causes."""
        table = np.zeros(len(self) + 1, bool)
        table[1:] = [cause in causes for cause in self.cause]
        return table[self.labels]

    def share_in(self, flags: NDArray[np.bool_], window: Window) -> NDArray[np.float64]:
        """Return the share of each void's cells whose centres lie in flagged cells of another window."""
        if len(self) == 0:
            return np.zeros(0)
        rows, columns = np.nonzero(self.labels)
        cell = self.window.lattice.cell
        x, y = self.window.left + (columns + 0.5) * cell, self.window.bottom + (rows + 0.5) * cell
        column = window.lattice.column_of(np.asarray(x, np.float64)) - window.column
        row = window.lattice.row_of(np.asarray(y, np.float64)) - window.row
        within = (column >= 0) & (column < window.columns) & (row >= 0) & (row < window.rows)
        hit = np.zeros(len(rows), bool)
        hit[within] = flags[row[within], column[within]]
        number = self.labels[rows, columns]
        both = np.bincount(number[hit], minlength=len(self) + 1)[1:]
        return np.asarray(both / np.array(self.cells), np.float64)

    def outlines(self) -> list[shapely.Polygon]:
        """Return the polygons along cell edges, with holes, in local metres; one a void, in their order."""
        if len(self) == 0:
            return []
        cell = self.window.lattice.cell
        frame = Affine(cell, 0.0, self.window.left, 0.0, cell, self.window.bottom)
        by_number = {
            int(number): shapely.geometry.shape(outline)
            for outline, number in shapes(self.labels, self.labels > 0, connectivity=4, transform=frame)
        }
        return [shapely.normalize(by_number[n]) for n in range(1, len(self) + 1)]


def voids_in(empty: NDArray[np.bool_], window: Window, of: str, *, least: float = 0.0) -> Found:
    """Return the groups of empty cells as voids.

    Parameters
    ----------
    empty : ndarray of bool, shape (rows, columns)
        The cells.
    window : Window
        Where they lie.
    of : str
        What they are voids of.
    least : float
        Smaller groups (m2) are left out.
    """
    groups = groups_of(empty)
    kept = np.flatnonzero(groups.cells * window.lattice.cell**2 >= least)
    table = np.zeros(len(groups.cells) + 1, np.int32)
    table[kept + 1] = np.arange(1, len(kept) + 1)
    places = [groups.places[k] for k in kept.tolist()]
    return Found(table[groups.labels], places, groups.cells[kept].tolist(), window, of)


def layer_of(found: Sequence[Found]) -> Layer:
    """Return voids of all kinds as one layer."""
    shown = [one for one in found if not one.hidden]
    polygons = [polygon for one in shown for polygon in one.outlines()]
    geometries = np.empty(len(polygons), object)
    geometries[:] = polygons
    return Layer(
        "voids",
        "polygon",
        geometries,
        {
            "of": np.array([one.of for one in shown for _ in range(len(one))], "U13"),
            "area_m2": np.array([area for one in shown for area in one.areas], np.float64),
            "width_m": np.array([width for one in shown for width in one.widths()], np.float64),
            "cause": np.array([cause for one in shown for cause in one.cause], "U27"),
        },
        "area without first returns, or of the terrain without ground points",
    )
