"""LAS and LAZ: checked reading, and writing by patching the source."""

from cloudprep.io.las.columns import column_type, fill_columns, read_columns
from cloudprep.io.las.coordinates import CoordinatePatch
from cloudprep.io.las.crs import assumed_crs, assumed_units
from cloudprep.io.las.extra_labels import check_room_for_labels
from cloudprep.io.las.fingerprint import fingerprint
from cloudprep.io.las.flight import Flight
from cloudprep.io.las.inspection import open_flight
from cloudprep.io.las.kept import KeptRecords, Shelf
from cloudprep.io.las.label_rows import ArrayLabels, LabelRows
from cloudprep.io.las.write import NothingWithinError, WriteOptions, WrittenCloud, write_patched

__all__ = [
    "ArrayLabels",
    "CoordinatePatch",
    "Flight",
    "KeptRecords",
    "LabelRows",
    "NothingWithinError",
    "Shelf",
    "WriteOptions",
    "WrittenCloud",
    "assumed_crs",
    "assumed_units",
    "check_room_for_labels",
    "column_type",
    "fill_columns",
    "fingerprint",
    "open_flight",
    "read_columns",
    "write_patched",
]
