"""The columns that a flight carries beyond the standard's, as its extra-bytes record describes them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.errors import UsageError
from cloudprep.stages.registry import did_you_mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.io.las import Flight

__all__ = ["ExtraColumn", "extra_column", "extra_columns"]


@dataclass(frozen=True)
class ExtraColumn:
    """One column of the extra bytes.

    Parameters
    ----------
    name : str
        As the file spells it.
    dtype : str
        Type of the stored values, as numpy spells it.
    start : int
        First byte in a point record.
    scale, offset : float
        Value = stored * scale + offset.
    """

    name: str
    dtype: str
    start: int
    scale: float = 1.0
    offset: float = 0.0

    def read(self, records: NDArray[np.uint8]) -> NDArray[np.float64]:
        """Return the values of point records given as bytes, shape (n, record length)."""
        size = np.dtype(self.dtype).itemsize
        stored = np.ascontiguousarray(records[:, self.start : self.start + size]).view(self.dtype)[:, 0]
        values: NDArray[np.float64] = stored.astype(np.float64) * self.scale + self.offset
        return values


def extra_columns(flight: Flight) -> dict[str, ExtraColumn]:
    """Return the described columns with one value a point, by name; the first of a name counts.

    Parameters
    ----------
    flight : Flight
        An opened flight.
    """
    found: dict[str, ExtraColumn] = {}
    for one in flight.dimensions.found:
        if one.dtype is not None:
            start = flight.layout.size + one.start
            found.setdefault(one.name, ExtraColumn(one.name, one.dtype, start, one.scale, one.offset))
    return found


def extra_column(flight: Flight, name: str) -> ExtraColumn:
    """Return one column.

    Raises
    ------
    UsageError
        If the flight has no such column, with those that it has.
    """
    found = extra_columns(flight)
    if name in found:
        return found[name]
    if not found:
        raise UsageError(f"{flight.path}: carries no extra columns, so none is called '{name}'")
    raise UsageError(f"{flight.path}: no extra column is called '{name}'{did_you_mean(name, list(found))}")
