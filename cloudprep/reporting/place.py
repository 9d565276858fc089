"""Where a site lies and how its figures are told to people."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.cell_summary import round_cell
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT
from cloudprep.model.grid import Lattice

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from typing import Protocol

    from numpy.typing import NDArray

    from cloudprep.model.bounds import Bounds
    from cloudprep.model.grid import Window

    Columns = Mapping[str, NDArray[Any]]

    class PointSource(Protocol):
        """The points of a run, in metres from the site's origin, with the classes that the run gave them.

        Columns are ``x y z classification``, and where they are there ``ground_confidence``, ``intensity``,
        ``point_source_id`` and ``flight`` (number of the input, from 0).
        """

        def pieces(self) -> Iterator[Columns]:
            """Yield all points, some at a time, in any order."""

        def within(self, boxes: Sequence[Bounds]) -> list[Columns]:
            """Return the points in each of some half-open rectangles."""


# Cells along the longest side of a picture at most.
MOST_CELLS = 900
# Spacings of points in a cell of a picture: about four points each.
_SPACINGS = 2.0
_UNIT_NAMES = {METRE: "m", INTERNATIONAL_FOOT: "ft", US_SURVEY_FOOT: "ftUS"}


def short_unit(unit: float) -> str:
    """Return the short name of a length, given in metres.

    >>> short_unit(1.0), short_unit(0.3048), short_unit(0.5)
    ('m', 'ft', 'x 0.5 m')
    """
    return next((n for u, n in _UNIT_NAMES.items() if abs(u - unit) < 1e-9), f"x {unit:.6g} m")


@dataclass(frozen=True)
class Place:
    """A site's extent, units and number of points.

    Parameters
    ----------
    bounds : Bounds
        Local metres.
    lowest, highest : float
        Range of heights, m.
    spacing : float
        Mean point spacing, m.
    origin : tuple of float
        Easting and northing of the local zero, m.
    horizontal_unit, vertical_unit : float
        Metres in one unit of the clouds' plan and heights.
    codes : ndarray of int64, shape (256,)
        Points of each class, as far as known beforehand.
    cell : float, optional
        Cell of the run's rasters, m.
    """

    bounds: Bounds
    lowest: float
    highest: float
    spacing: float
    origin: tuple[float, float] = (0.0, 0.0)
    horizontal_unit: float = METRE
    vertical_unit: float = METRE
    codes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(256, np.int64))
    cell: float | None = None

    @property
    def unit(self) -> str:
        """Short name of the unit of heights."""
        return short_unit(self.vertical_unit)

    @property
    def plan_unit(self) -> str:
        """Short name of the unit of the plan."""
        return short_unit(self.horizontal_unit)

    def picture_window(self, most: int = MOST_CELLS) -> Window:
        """Return the cells of the pictures: whole multiples of the rasters' cell where possible."""
        longest = max(self.bounds.width, self.bounds.height)
        least = max(_SPACINGS * self.spacing, longest / most, 0.05)
        if self.cell:
            cell = self.cell * max(1, math.ceil(least / self.cell - 1e-9))
        else:
            cell = round_cell(least) if least <= 100.0 else math.ceil(least / 100.0) * 100.0
        return Lattice(cell, self.origin).window(self.bounds)

    def east(self, x: float) -> float:
        """Return a local easting (m) as the reference system has it, in the clouds' unit."""
        return (x + self.origin[0]) / self.horizontal_unit

    def north(self, y: float) -> float:
        """Return a local northing (m) as the reference system has it, in the clouds' unit."""
        return (y + self.origin[1]) / self.horizontal_unit

    def height(self, z: float) -> float:
        """Return a height (m) in the clouds' unit."""
        return z / self.vertical_unit
