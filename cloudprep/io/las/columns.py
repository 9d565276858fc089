"""Named columns of a flight, streamed."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.errors import MissingColumnError
from cloudprep.io.las.extra_bytes import carried_labels
from cloudprep.io.las.layout import LEGACY_CLASS_MASK, LEGACY_WITHHELD, MODERN_OVERLAP, MODERN_WITHHELD
from cloudprep.io.las.stream import EVERYTHING, PART_OF_COLUMN, XY_AND_RETURNS, iter_records
from cloudprep.model.columns import COLUMNS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping

    from numpy.typing import NDArray

    from cloudprep.io.las.flight import Flight
    from cloudprep.io.las.kept import KeptRecords
    from cloudprep.io.las.layout import Layout

RAW_COORDINATES = ("X", "Y", "Z")
# Records of which columns are taken out at a time: half a megabyte or so.
_AT_A_TIME = 16_384


def read_columns(
    flight: Flight, names: Iterable[str], chunk_points: int = 1_000_000
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
    return _read(flight, wanted, chunk_points)


def fill_columns(
    flight: Flight,
    columns: Mapping[str, NDArray[Any]],
    kept: KeptRecords | None = None,
    *,
    chunk_points: int = 1_000_000,
    threads: int = 1,
) -> Iterator[slice]:
    """Read a whole flight into columns that are there already, piece by piece, in the file's order.

    Parameters
    ----------
    flight : Flight
        The source.
    columns : mapping of str to ndarray of shape (flight.count,)
        To be filled: those of the names have the types of :func:`column_type`.
    kept : KeptRecords, optional
        Takes the whole records, if the flight is compressed.
    chunk_points : int
        Rows at a time, at most.
    threads : int
        Pieces at a time.

    Yields
    ------
    slice
        The rows that were filled: some at a time, none twice.

    Raises
    ------
    BadInputError
        If points can't be read or decompressed.
    """
    start = 0
    with ThreadPoolExecutor(threads) as pool:
        kept = kept if flight.compressed else None
        for records in _records(flight, columns, chunk_points, whole=kept is not None):
            rows = slice(start, start + len(records))
            start = rows.stop
            keeping = pool.submit(kept.add, records.raw) if kept is not None else None
            outs = {name: values[rows] for name, values in columns.items()}
            # Some at a time, so that every column but the first finds them in the cache.
            list(pool.map(partial(records.put_some, outs), _pieces(len(records))))
            if keeping is not None:
                keeping.result()
            yield rows


def _pieces(count: int) -> Iterator[slice]:
    """Cut rows into pieces whose records fit a core's own cache."""
    return (slice(first, min(first + _AT_A_TIME, count)) for first in range(0, count, _AT_A_TIME))


def column_type(name: str) -> np.dtype[Any]:
    """Return the type of a column as it is read."""
    return np.dtype(np.int32) if name in RAW_COORDINATES else COLUMNS[name].dtype


def _read(flight: Flight, wanted: tuple[str, ...], chunk_points: int) -> Iterator[dict[str, NDArray[Any]]]:
    for records in _records(flight, wanted, chunk_points, whole=False):
        piece = {name: np.empty(len(records), column_type(name)) for name in wanted}
        for name, out in piece.items():
            records.put(name, out)
        yield piece


def _records(
    flight: Flight, wanted: Collection[str], chunk_points: int, *, whole: bool
) -> Iterator[_Records]:
    """Yield records: whole ones, or the parts that hold the wanted columns."""
    parts = EVERYTHING if whole else XY_AND_RETURNS
    for name in wanted:
        parts |= PART_OF_COLUMN.get(name, XY_AND_RETURNS)
    extra = carried_labels(flight.dimensions)
    for _, raw in iter_records(flight, chunk_points, parts):
        yield _Records(raw, flight.layout, extra)


class _Records:
    """Some records, and how their columns are taken out of them."""

    def __init__(self, raw: NDArray[np.uint8], layout: Layout, extra: Mapping[str, int]) -> None:
        self.raw = raw
        self.layout = layout
        self.extra = extra
        self.fields = raw.reshape(-1).view(layout.record_type(raw.shape[1]))

    def __len__(self) -> int:
        return len(self.raw)

    def put_some(self, outs: Mapping[str, NDArray[Any]], rows: slice) -> None:
        """Write these rows of columns out."""
        some = _Records(self.raw[rows], self.layout, self.extra)
        for name, values in outs.items():
            some.put(name, values[rows])

    def put(self, name: str, out: NDArray[Any]) -> None:
        """Write a column out, shape (n,), of the column's type."""
        legacy = self.layout.legacy
        if name in self.extra:
            start = self.layout.size + self.extra[name]
            dtype = COLUMNS[name].dtype
            stored = np.array(self.raw[:, start : start + dtype.itemsize])
            out[:] = stored.view(dtype.newbyteorder("<"))[:, 0]
        elif name in {"return_number", "number_of_returns"}:
            bits, mask = (3, 0x07) if legacy else (4, 0x0F)
            np.right_shift(self.fields["returns"], 0 if name == "return_number" else bits, out=out)
            out &= np.uint8(mask)
        elif name == "classification":
            np.bitwise_and(self.fields["class"], np.uint8(LEGACY_CLASS_MASK if legacy else 0xFF), out=out)
        elif name in {"withheld", "overlap"}:
            flag = MODERN_OVERLAP if name == "overlap" else LEGACY_WITHHELD if legacy else MODERN_WITHHELD
            np.not_equal(self.fields["flags"] & np.uint8(flag), 0, out=out)
        else:
            out[:] = self.fields[name]
