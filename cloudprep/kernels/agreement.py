"""How far two classifications of the same points agree: error rates and Cohen's kappa."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


class Confusion(NamedTuple):
    """Counts of ground against the rest.

    Parameters
    ----------
    ground_kept : int
        a: ground in both.
    ground_lost : int
        b: ground in the reference only.
    object_taken : int
        c: ground in the result only.
    object_kept : int
        d: ground in neither.
    """

    ground_kept: int
    ground_lost: int
    object_taken: int
    object_kept: int

    @property
    def type_1(self) -> float:
        """Share of the reference's ground that was lost."""
        return type_1_error(*self)

    @property
    def type_2(self) -> float:
        """Share of the reference's objects that were taken for ground."""
        return type_2_error(*self)

    @property
    def total(self) -> float:
        """Share of all points with the wrong label."""
        return total_error(*self)

    @property
    def kappa(self) -> float:
        """Agreement beyond chance."""
        return kappa([[self.ground_kept, self.ground_lost], [self.object_taken, self.object_kept]])


def confusion(result: NDArray[np.bool_], reference: NDArray[np.bool_]) -> Confusion:
    """Count ground against the rest.

    Parameters
    ----------
    result, reference : ndarray of bool, shape (n,)
        Which points are ground.

    Returns
    -------
    Confusion
        The four counts.

    Raises
    ------
    ValueError
        If the lengths differ.

    Examples
    --------
    >>> confusion(np.array([True, False, True]), np.array([True, True, False]))
    Confusion(ground_kept=1, ground_lost=1, object_taken=1, object_kept=0)
    """
    if len(result) != len(reference):
        raise ValueError(f"{len(result)} results, but {len(reference)} in the reference")
    kept = int(np.count_nonzero(result & reference))
    lost = int(np.count_nonzero(reference)) - kept
    taken = int(np.count_nonzero(result)) - kept
    return Confusion(kept, lost, taken, len(result) - kept - lost - taken)


def type_1_error(a: int, b: int, c: int, d: int) -> float:
    """Return b / (a + b): ground that was lost; NaN without ground (Sithole and Vosselman 2004)."""
    del c, d
    return b / (a + b) if a + b else math.nan


def type_2_error(a: int, b: int, c: int, d: int) -> float:
    """Return c / (c + d): objects taken for ground; NaN without objects (Sithole and Vosselman 2004)."""
    del a, b
    return c / (c + d) if c + d else math.nan


def total_error(a: int, b: int, c: int, d: int) -> float:
    """Return (b + c) / (a + b + c + d); NaN without points (Sithole and Vosselman 2004)."""
    count = a + b + c + d
    return (b + c) / count if count else math.nan


def kappa(matrix: ArrayLike) -> float:
    """Return Cohen's kappa of a square matrix of counts.

    Parameters
    ----------
    matrix : array-like of shape (k, k)
        Counts; rows are one classification, columns the other.

    Returns
    -------
    float
        (po - pe) / (1 - pe); NaN where it is undefined (no points, or both say one class throughout).

    Raises
    ------
    ValueError
        If the matrix is not square.

    References
    ----------
    Cohen 1960, A coefficient of agreement for nominal scales, Educ. Psychol. Meas. 20:37-46.

    Examples
    --------
    >>> kappa([[20, 5], [10, 15]])
    0.4
    """
    counts: NDArray[Any] = np.asarray(matrix, np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise ValueError(f"a square matrix is wanted, got shape {counts.shape}")
    total = counts.sum()
    if total == 0:
        return math.nan
    observed = float(np.trace(counts) / total)
    expected = float((counts.sum(0) * counts.sum(1)).sum() / total**2)
    return math.nan if expected == 1.0 else round((observed - expected) / (1 - expected), 15)
