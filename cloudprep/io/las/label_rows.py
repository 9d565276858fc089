"""Labels of a flight by rows of its file: whole arrays, or whatever can give a stretch of rows at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from cloudprep.model.columns import COLUMNS, LABEL_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

# Rows at a time where all of them are looked through.
_STRETCH = 4_000_000


class LabelRows(Protocol):
    """Labels of one flight. Stretches are asked for in the order of the file, now and then from its start."""

    @property
    def names(self) -> tuple[str, ...]:
        """Which labels there are."""

    def __len__(self) -> int:
        """Return the number of rows."""

    def stretch(self, rows: slice) -> Mapping[str, NDArray[Any]]:
        """Return the labels of consecutive rows."""


class ArrayLabels:
    """Labels that are held as arrays.

    Parameters
    ----------
    arrays : mapping of str to ndarray of shape (n,)
        By name, in the types of the column table.

    Raises
    ------
    ValueError
        If one is no label, or of another type or length than it should be.
    """

    def __init__(self, arrays: Mapping[str, NDArray[Any]], count: int) -> None:
        for name, values in arrays.items():
            if name not in LABEL_COLUMNS:
                raise ValueError(
                    f"'{name}' is no label that can be patched (there are: {', '.join(LABEL_COLUMNS)})"
                )
            dtype = COLUMNS[name].dtype
            if values.shape != (count,) or values.dtype != dtype:
                raise ValueError(
                    f"label '{name}' must be {dtype} of shape ({count},), got {values.dtype} of"
                    f" shape {values.shape}"
                )
        self._arrays = arrays
        self._count = count

    @property
    def names(self) -> tuple[str, ...]:
        """Which labels there are."""
        return tuple(self._arrays)

    def __len__(self) -> int:
        return self._count

    def stretch(self, rows: slice) -> dict[str, NDArray[Any]]:
        """Return the labels of consecutive rows, without a copy."""
        return {name: values[rows] for name, values in self._arrays.items()}


def codes_in(labels: LabelRows) -> NDArray[np.bool_]:
    """Return which class codes occur, shape (256,)."""
    occurs = np.zeros(256, bool)
    for here in _stretches(labels):
        occurs |= np.bincount(here["classification"], minlength=256) > 0
    return occurs


def _stretches(labels: LabelRows) -> Iterator[Mapping[str, NDArray[Any]]]:
    for start in range(0, len(labels), _STRETCH):
        yield labels.stretch(slice(start, min(start + _STRETCH, len(labels))))
