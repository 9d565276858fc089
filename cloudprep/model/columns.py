"""The table of columns that points may carry; the standard's own in the spelling of the LAS standard.

A stage names what it reads (``needs``, ``uses``) and what it changes or makes (``provides``) by these names
only.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np


class Role(Enum):
    """What a column is for, and so what becomes of it."""

    GIVEN = "given"
    """Comes with the flights and is delivered bit for bit."""
    LABEL = "label"
    """A field of the standard that stages may change in the delivered clouds."""
    EXTRA_LABEL = "extra label"
    """A label that the standard has no field for: delivered as an extra dimension."""
    RUN = "run"
    """What the run itself knows of each point: read from no file, never delivered."""
    WORKING = "working"
    """A figure that one stage works out for later stages of the same run: held in memory, never delivered."""


@dataclass(frozen=True)
class Column:
    """Name, type, unit, meaning and role of one column.

    Parameters
    ----------
    name : str
        As stages and, but for working columns, files spell it.
    dtype : numpy.dtype
        Of its values.
    unit : str
        ``m``, ``s``, ``%`` or empty.
    meaning : str
        One line for people.
    role : Role
        What it is for.
    most : int, optional
        The largest value a stage may give.
    note : str
        What a file's own description of an extra dimension says: at most 32 bytes; ``{unit}`` stands for the
        unit of heights in that file.
    nothing : float
        The value of an extra label that says nothing.
    """

    name: str
    dtype: np.dtype[np.generic]
    unit: str
    meaning: str
    role: Role = Role.GIVEN
    most: int | None = None
    note: str = ""
    nothing: float = 0.0

    @property
    def label(self) -> bool:
        """Whether a pipeline may change it in the delivered clouds; all else comes out bit for bit."""
        return self.role in {Role.LABEL, Role.EXTRA_LABEL}


def _given(name: str, dtype: str, unit: str, meaning: str) -> Column:
    return Column(name, np.dtype(dtype), unit, meaning)


def _label(name: str, dtype: str, meaning: str) -> Column:
    return Column(name, np.dtype(dtype), "", meaning, Role.LABEL)


def _working(name: str, unit: str, meaning: str) -> Column:
    return Column(name, np.dtype("f4"), unit, meaning, Role.WORKING)


COLUMNS: dict[str, Column] = {
    c.name: c
    for c in (
        _given("x", "f8", "m", "easting from the site's origin, in metres whatever the file's unit"),
        _given("y", "f8", "m", "northing from the site's origin, in metres whatever the file's unit"),
        _given("z", "f8", "m", "height, in metres whatever the file's unit"),
        _given("intensity", "u2", "", "pulse return magnitude"),
        _given("return_number", "u1", "", "number of this return of its pulse"),
        _given("number_of_returns", "u1", "", "how many returns the pulse gave"),
        _label("classification", "u1", "class code"),
        _label("withheld", "?", "not to be used in processing"),
        _given("overlap", "?", "", "in the overlap of two flight lines"),
        _given("point_source_id", "u2", "", "flight line"),
        _given("gps_time", "f8", "s", "time of the pulse"),
        _given("red", "u2", "", "red channel, 16 bit"),
        _given("green", "u2", "", "green channel, 16 bit"),
        _given("blue", "u2", "", "blue channel, 16 bit"),
        _given("nir", "u2", "", "near-infrared channel, 16 bit"),
        Column(
            "flight",
            np.dtype("u2"),
            "",
            "which input of the run the point came from: 0 for the first",
            Role.RUN,
        ),
        Column(
            "ground_confidence",
            np.dtype("u1"),
            "%",
            "how sure the ground stage is of this point's label, 0 to 100; 0: not judged",
            Role.EXTRA_LABEL,
            most=100,
            note="percent sure, 0: not judged",
        ),
        Column(
            "height_above_ground",
            np.dtype("f4"),
            "m",
            "height above the terrain straight below, in metres whatever the file's unit; -9999: no terrain",
            Role.EXTRA_LABEL,
            note="{unit} above ground, -9999: none",
            nothing=-9999.0,
        ),
        _working("neighbour_distance", "m", "mean distance to the nearest neighbours"),
        _working("roughness", "m", "standard deviation of the neighbours across the local plane"),
        _working("extent", "m", "square root of the neighbours' second principal moment"),
        _working("normal_x", "", "upward unit normal of the local plane: its eastward part"),
        _working("normal_y", "", "upward unit normal of the local plane: its northward part"),
        _working("normal_z", "", "upward unit normal of the local plane: its upward part"),
    )
}

LABEL_COLUMNS = tuple(name for name, column in COLUMNS.items() if column.label)
STANDARD_LABELS = tuple(name for name, column in COLUMNS.items() if column.role is Role.LABEL)
EXTRA_LABELS = tuple(name for name, column in COLUMNS.items() if column.role is Role.EXTRA_LABEL)
WORKING_COLUMNS = tuple(name for name, column in COLUMNS.items() if column.role is Role.WORKING)
RUN_COLUMNS = tuple(name for name, column in COLUMNS.items() if column.role is Role.RUN)
MOST_FLIGHTS = 65_536
"""So many inputs can be told apart by the column ``flight``."""
