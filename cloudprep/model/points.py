"""A block of points as named, read-only columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.errors import MissingColumnError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from numpy.typing import NDArray


class Points:
    """Columns of equal length under the names of :data:`cloudprep.model.columns.COLUMNS`.

    The arrays are read-only views: a stage returns what it changes, it never writes in place.

    Parameters
    ----------
    columns : mapping of str to ndarray of shape (n,)
        The columns.

    Raises
    ------
    ValueError
        If the columns differ in length.
    """

    __slots__ = ("_columns", "_size")

    def __init__(self, columns: Mapping[str, NDArray[Any]]) -> None:
        sizes = {name: len(values) for name, values in columns.items()}
        if len(set(sizes.values())) > 1:
            raise ValueError(f"columns differ in length: {sizes}")
        self._size = next(iter(sizes.values()), 0)
        self._columns: dict[str, NDArray[Any]] = {}
        for name, values in columns.items():
            view = np.asarray(values).view()
            view.flags.writeable = False
            self._columns[name] = view

    def __len__(self) -> int:
        return self._size

    def __contains__(self, name: str) -> bool:
        return name in self._columns

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns)

    def __getitem__(self, name: str) -> NDArray[Any]:
        try:
            return self._columns[name]
        except KeyError:
            have = ", ".join(self._columns) or "none"
            raise MissingColumnError(f"the points carry no column '{name}' (they have: {have})") from None

    def take(self, rows: NDArray[Any]) -> Points:
        """Return the rows that an index array or a boolean mask picks, as new points."""
        return Points({name: values[rows] for name, values in self._columns.items()})

    def replaced(self, columns: Mapping[str, NDArray[Any]]) -> Points:
        """Return the points with some columns added or exchanged."""
        return Points({**self._columns, **columns})

    def only(self, names: Iterable[str]) -> Points:
        """Return the points with just the named columns (those that exist)."""
        return Points({name: self._columns[name] for name in names if name in self._columns})

    def as_dict(self) -> dict[str, NDArray[Any]]:
        """Return the read-only columns by name."""
        return dict(self._columns)
