"""Named columns of a flight, streamed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.errors import MissingColumnError
from cloudprep.io.las.extra_bytes import carried_labels
from cloudprep.io.las.layout import LEGACY_CLASS_MASK, LEGACY_WITHHELD, MODERN_OVERLAP, MODERN_WITHHELD
from cloudprep.io.las.stream import EVERYTHING, PART_OF_COLUMN, XY_AND_RETURNS, iter_records
from cloudprep.model.columns import COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from cloudprep.io.las.flight import Flight
    from cloudprep.io.las.kept import KeptRecords
    from cloudprep.io.las.layout import Layout

RAW_COORDINATES = ("X", "Y", "Z")


def read_columns(
    flight: Flight, names: Iterable[str], chunk_points: int = 1_000_000, kept: KeptRecords | None = None
) -> Iterator[dict[str, NDArray[Any]]]:
    """Yield the named columns of a flight, piece by piece, in the file's order.

    Memory does not grow with the file.

    Parameters
    ----------
    flight : Flight
        The source.
    names : iterable of str
        Names of :data:`cloudprep.model.columns.COLUMNS` that the flight carries, and ``X``, ``Y``, ``Z`` for
        the raw integers (int32; coordinate = integer * scale + offset).
    chunk_points : int
        Rows at a time, at most.
    kept : KeptRecords, optional
        Takes the whole records, if the flight is compressed.

    Yields
    ------
    dict of str to ndarray of shape (n,)
        Fresh arrays in the types of the column table; ``n`` is at least 1.

    Raises
    ------
    MissingColumnError
        If the flight doesn't carry a column.
    BadInputError
        If points can't be read or decompressed.
    """
    wanted = tuple(dict.fromkeys(names))
    for name in wanted:
        if name not in RAW_COORDINATES and name not in flight.columns:
            have = ", ".join((*RAW_COORDINATES, *sorted(flight.columns)))
            raise MissingColumnError(
                f"{flight.path}: the points carry no column '{name}' (they have: {have})"
            )
    return _read(flight, wanted, chunk_points, kept if flight.compressed else None)


def _read(
    flight: Flight, wanted: tuple[str, ...], chunk_points: int, kept: KeptRecords | None
) -> Iterator[dict[str, NDArray[Any]]]:
    parts = XY_AND_RETURNS
    for name in wanted:
        parts |= PART_OF_COLUMN.get(name, XY_AND_RETURNS)
    kind = flight.layout.record_type(flight.record_length)
    extra = carried_labels(flight.dimensions)
    for _, raw in iter_records(flight, chunk_points, parts if kept is None else EVERYTHING):
        if kept is not None:
            kept.add(raw)
        records = raw.reshape(-1).view(kind)
        yield {
            name: _extra(raw, name, flight.layout.size + extra[name])
            if name in extra
            else _column(records, name, flight.layout)
            for name in wanted
        }


def _extra(raw: NDArray[np.uint8], name: str, start: int) -> NDArray[Any]:
    """Return a label that lies in the extra bytes."""
    dtype = COLUMNS[name].dtype
    stored = np.array(raw[:, start : start + dtype.itemsize]).view(dtype.newbyteorder("<"))[:, 0]
    return stored.astype(dtype, copy=False)


def _column(records: NDArray[np.void], name: str, layout: Layout) -> NDArray[Any]:
    if name in {"return_number", "number_of_returns"}:
        bits, mask = (3, 0x07) if layout.legacy else (4, 0x0F)
        shift = 0 if name == "return_number" else bits
        return (records["returns"] >> shift) & np.uint8(mask)
    if name == "classification":
        return records["class"] & np.uint8(LEGACY_CLASS_MASK) if layout.legacy else records["class"].copy()
    if name == "withheld":
        return _is_set(records, LEGACY_WITHHELD if layout.legacy else MODERN_WITHHELD)
    if name == "overlap":
        return _is_set(records, MODERN_OVERLAP)
    return np.ascontiguousarray(records[name])


def _is_set(records: NDArray[np.void], bit: int) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = (records["flags"] & np.uint8(bit)) != 0
    return found
