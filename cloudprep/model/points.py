"""A block of points as named, read-only columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.errors import MissingColumnError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from numpy.typing import NDArray


class Later:
    """A column that is put together when somebody first looks at it: many are never looked at.

    Parameters
    ----------
    size : int
        How many values it has.
    make : callable
        Returns them; called once.
    """

    __slots__ = ("_made", "_make", "_size")

    def __init__(self, size: int, make: Callable[[], NDArray[Any]]) -> None:
        self._size = size
        self._make = make
        self._made: NDArray[Any] | None = None

    def __len__(self) -> int:
        return self._size

    def values(self) -> NDArray[Any]:
        """Return the values."""
        if self._made is None:
            self._made = self._make()
        return self._made


class Points:
    """Columns of equal length under the names of :data:`cloudprep.model.columns.COLUMNS`.

    The arrays are read-only views: a stage returns what it changes, it never writes in place.

    Parameters
    ----------
    columns : mapping of str to ndarray of shape (n,) or Later
        The columns.

    Raises
    ------
    ValueError
        If the columns differ in length.
    """

    __slots__ = ("_columns", "_size")

    def __init__(self, columns: Mapping[str, NDArray[Any] | Later]) -> None:
        sizes = {name: len(values) for name, values in columns.items()}
        if len(set(sizes.values())) > 1:
            raise ValueError(f"columns differ in length: {sizes}")
        self._size = next(iter(sizes.values()), 0)
        self._columns: dict[str, NDArray[Any] | Later] = {
            name: values if isinstance(values, Later) else _read_only(values)
            for name, values in columns.items()
        }

    def __len__(self) -> int:
        return self._size

    def __contains__(self, name: str) -> bool:
        return name in self._columns

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns)

    def __getitem__(self, name: str) -> NDArray[Any]:
        try:
            values = self._columns[name]
        except KeyError:
            have = ", ".join(self._columns) or "none"
            raise MissingColumnError(f"the points carry no column '{name}' (they have: {have})") from None
        if isinstance(values, Later):
            values = self._columns[name] = _read_only(values.values())
        return values

    def take(self, rows: NDArray[Any]) -> Points:
        """Return the rows that an index array or a boolean mask picks, as new points."""
        return Points({name: self[name][rows] for name in self})

    def replaced(self, columns: Mapping[str, NDArray[Any]]) -> Points:
        """Return the points with some columns added or exchanged."""
        return Points({**self._columns, **columns})

    def only(self, names: Iterable[str]) -> Points:
        """Return the points with just the named columns (those that exist)."""
        return Points({name: self._columns[name] for name in names if name in self._columns})

    def named(self, names: Mapping[str, str]) -> Points:
        """Return the points with columns under new names: by new name, the name that each has here."""
        return Points({new: self._columns[name] for new, name in names.items()})

    def as_dict(self) -> dict[str, NDArray[Any]]:
        """Return the read-only columns by name."""
        return {name: self[name] for name in self}


def _read_only(values: NDArray[Any]) -> NDArray[Any]:
    """Return a view that can't be written to."""
    view = np.asarray(values).view()
    view.flags.writeable = False
    return view
