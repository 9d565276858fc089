"""What changed in a raster between two runs, cell by cell, read in windows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from rasterio.errors import RasterioError
from rasterio.windows import Window as Pixels

from cloudprep.errors import BadInputError
from cloudprep.io.raster_reading import height_unit
from cloudprep.runs.differences import Differences

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

__all__ = ["GridChange", "compare_grids"]

# Side of a window, cells: whole tiles of the files.
_SIDE = 1024
# Corners may differ by rounding, in cells.
_CLOSE = 1e-3


@dataclass
class GridChange:
    """How a raster differs.

    Parameters
    ----------
    unit : str
        Of the differences, second run less first: ``m`` for heights, empty for codes.
    heights, codes : bool
        What it holds; figures of another kind where neither.
    both, only_first, only_second : int
        Cells that hold something in both runs, or in one of them.
    differing : int
        Cells of both with another value or code.
    beyond : int
        Cells of both that differ by more than the tolerance, or in their code.
    differences : Differences
        Of cells of both; of codes none.
    why_not : str
        Why the cells could not be compared; empty where they were.
    """

    unit: str = ""
    heights: bool = False
    codes: bool = False
    both: int = 0
    only_first: int = 0
    only_second: int = 0
    differing: int = 0
    beyond: int = 0
    differences: Differences = field(default_factory=Differences)
    why_not: str = ""

    @property
    def cells(self) -> int:
        """Cells that hold something in one of the runs or both."""
        return self.both + self.only_first + self.only_second

    def as_dict(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "unit": self.unit,
            "cells_in_both": self.both,
            "cells_only_in_first": self.only_first,
            "cells_only_in_second": self.only_second,
            "cells_differing": self.differing,
            "cells_beyond": self.beyond,
            **({} if self.codes else self.differences.figures()),
            "not_compared": self.why_not,
        }


def compare_grids(
    first: Path, second: Path, height_tolerance: float = 0.0, other_tolerance: float = 0.0
) -> GridChange:
    """Compare the same raster as two runs delivered it.

    The rasters may reach differently far; their cells must be the same cells of the ground.

    Parameters
    ----------
    first, second : Path
        GeoTIFFs of one band.
    height_tolerance : float
        By how much heights may differ, m.
    other_tolerance : float
        By how much other figures may differ, in their unit.

    Raises
    ------
    BadInputError
        If one can't be read.
    """
    try:
        with rasterio.open(first) as one, rasterio.open(second) as two:
            change = _prepared(one, two)
            if not change.why_not:
                _compare(change, one, two, height_tolerance if change.heights else other_tolerance)
            return change
    except RasterioError as error:
        raise BadInputError(f"{first} or {second}", f"can't be read as a raster: {error}") from error


def _prepared(one: Any, two: Any) -> GridChange:
    codes = [np.dtype(file.dtypes[0]) == np.uint8 for file in (one, two)]
    units = [height_unit(file) for file in (one, two)]
    heights = units[0] is not None and units[1] is not None
    change = GridChange(unit="m" if heights else str(two.units[0] or ""), heights=heights, codes=all(codes))
    a, b = one.transform, two.transform
    across, down = (b.c - a.c) / a.a, (b.f - a.f) / a.e
    if codes[0] != codes[1]:
        change.why_not = "one holds codes, the other figures"
    elif (units[0] is None) != (units[1] is None) or (
        not heights and (one.units[0] or "") != (two.units[0] or "")
    ):
        change.why_not = (
            f"its unit is '{one.units[0] or ''}' in the first run, '{two.units[0] or ''}' in the second"
        )
    elif one.crs != two.crs:
        change.why_not = "the reference systems differ"
    elif abs(a.a - b.a) > 1e-9 * a.a or abs(a.e - b.e) > 1e-9 * abs(a.e):
        change.why_not = f"cells of {a.a:g} in the first run, of {b.a:g} in the second"
    elif abs(across - round(across)) > _CLOSE or abs(down - round(down)) > _CLOSE:
        change.why_not = "their cells don't lie on each other"
    return change


def _compare(change: GridChange, one: Any, two: Any, tolerance: float) -> None:
    a, b = one.transform, two.transform
    # Columns and rows are those of the first file.
    across, down = round((b.c - a.c) / a.a), round((b.f - a.f) / a.e)
    left, top = min(0, across), min(0, down)
    right, bottom = max(one.width, across + two.width), max(one.height, down + two.height)
    for rows, columns in _windows(top, bottom, left, right):
        before, has = _read(one, rows, columns, (0, 0))
        after, has_now = _read(two, rows, columns, (down, across))
        both = has & has_now
        change.both += int(np.count_nonzero(both))
        change.only_first += int(np.count_nonzero(has & ~has_now))
        change.only_second += int(np.count_nonzero(has_now & ~has))
        differences = after[both] - before[both]
        change.differing += int(np.count_nonzero(differences))
        change.beyond += int(np.count_nonzero(np.abs(differences) > (0.0 if change.codes else tolerance)))
        if not change.codes:
            change.differences.add(differences)


def _windows(top: int, bottom: int, left: int, right: int) -> Iterator[tuple[range, range]]:
    for row in range(top, bottom, _SIDE):
        for column in range(left, right, _SIDE):
            yield range(row, min(row + _SIDE, bottom)), range(column, min(column + _SIDE, right))


def _read(
    file: Any, rows: range, columns: range, corner: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return values of a window, in metres if they are heights, and where there are any."""
    values = np.zeros((len(rows), len(columns)))
    there = np.zeros(values.shape, bool)
    r0, r1 = max(rows.start, corner[0]), min(rows.stop, corner[0] + file.height)
    c0, c1 = max(columns.start, corner[1]), min(columns.stop, corner[1] + file.width)
    if r0 >= r1 or c0 >= c1:
        return values, there
    part = file.read(1, window=Pixels(c0 - corner[1], r0 - corner[0], c1 - c0, r1 - r0))
    found = np.ones(part.shape, bool) if file.nodata is None else part != file.nodata
    if part.dtype.kind == "f":
        found &= np.isfinite(part)
    here = np.s_[r0 - rows.start : r1 - rows.start, c0 - columns.start : c1 - columns.start]
    there[here] = found
    values[here] = np.where(found, part, 0) * (height_unit(file) or 1.0)
    return values, there
