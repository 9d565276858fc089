"""The table of columns that points may carry, in the spelling of the LAS standard.

A stage names what it reads (``needs``, ``uses``) and what it changes (``provides``) by these names only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Column:
    """Name, type, unit and meaning of one column."""

    name: str
    dtype: np.dtype[np.generic]
    unit: str
    meaning: str
    # Labels are what a pipeline may change in the delivered clouds; everything else comes out bit for bit.
    label: bool = False


def _column(name: str, dtype: str, unit: str, meaning: str, *, label: bool = False) -> Column:
    return Column(name, np.dtype(dtype), unit, meaning, label)


COLUMNS: dict[str, Column] = {
    c.name: c
    for c in (
        _column("x", "f8", "m", "easting from the site's origin, in metres whatever the file's unit"),
        _column("y", "f8", "m", "northing from the site's origin, in metres whatever the file's unit"),
        _column("z", "f8", "m", "height, in metres whatever the file's unit"),
        _column("intensity", "u2", "", "pulse return magnitude"),
        _column("return_number", "u1", "", "number of this return of its pulse"),
        _column("number_of_returns", "u1", "", "how many returns the pulse gave"),
        _column("classification", "u1", "", "class code", label=True),
        _column("withheld", "?", "", "not to be used in processing", label=True),
        _column("overlap", "?", "", "in the overlap of two flight lines"),
        _column("point_source_id", "u2", "", "flight line"),
        _column("gps_time", "f8", "s", "time of the pulse"),
        _column("red", "u2", "", "red channel, 16 bit"),
        _column("green", "u2", "", "green channel, 16 bit"),
        _column("blue", "u2", "", "blue channel, 16 bit"),
        _column("nir", "u2", "", "near-infrared channel, 16 bit"),
    )
}

LABEL_COLUMNS = tuple(name for name, column in COLUMNS.items() if column.label)
