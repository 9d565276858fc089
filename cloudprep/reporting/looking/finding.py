"""One odd place, and how odd places are weighed against each other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.reporting.gathered import Gathered

# Beyond these, more height or more width doesn't make a place more urgent.
_MOST_HEIGHT, _MOST_WIDTH = 15.0, 60.0
# Weight at which the score is 63 of 100.
_SCALE = 25.0


@dataclass(frozen=True)
class Finding:
    """A place where something may be wrong.

    Parameters
    ----------
    rule : str
        Key of the rule that found it.
    title, reason : str
        What may be wrong, and what was measured there.
    x, y, z : float
        Where, local m.
    area : float
        m2.
    height : float
        How much height is at stake, m.
    likelihood : float
        How often the rule is right about places like this: 0 to 1, set on made-up scenes.
    also : tuple of str
        What other rules say of the same place.
    """

    rule: str
    title: str
    reason: str
    x: float
    y: float
    z: float
    area: float
    height: float
    likelihood: float
    also: tuple[str, ...] = ()

    @property
    def weight(self) -> float:
        """Likelihood times metres of height at stake times width, m."""
        width = min(math.sqrt(self.area), _MOST_WIDTH)
        return self.likelihood * min(self.height, _MOST_HEIGHT) * width

    @property
    def score(self) -> int:
        """The weight on a scale that ends at 100, for people."""
        return round(100.0 * (1.0 - math.exp(-self.weight / _SCALE)))

    @property
    def reach(self) -> float:
        """Half the side of the pictures of it, m."""
        return min(max(1.2 * math.sqrt(self.area), 12.0), 45.0)


class Patch(NamedTuple):
    """Cells that hang together.

    Parameters
    ----------
    rows, columns : ndarray of int64, shape (n,)
        The cells.
    x, y : float
        The middle of that cell which lies nearest to the middle of all, local m.
    """

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    x: float
    y: float

    @property
    def at(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Index of the cells."""
        return self.rows, self.columns


def patches(
    mask: NDArray[np.bool_], gathered: Gathered, *, factor: int = 1, least: int = 1, most: int | None = None
) -> Iterator[Patch]:
    """Give the connected groups of cells (corners connect) of a mask, the largest thousand of them.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, columns)
        Cells, or blocks of cells.
    gathered : Gathered
        Where the cells lie.
    factor : int
        Cells along a side of a block.
    least, most : int
        Cells of a group, at least and at most.
    """
    labels, count = ndimage.label(mask, structure=np.ones((3, 3), int))
    if count == 0:
        return
    sizes = np.bincount(labels.ravel())[1:]
    chosen = np.flatnonzero((sizes >= least) & (sizes <= (most or mask.size)))
    chosen = chosen[np.argsort(-sizes[chosen], kind="stable")][:1000]
    boxes = ndimage.find_objects(labels)
    step = gathered.cell * factor
    for number in chosen.tolist():
        box = boxes[number]
        rows, columns = np.nonzero(labels[box] == number + 1)
        rows, columns = rows + box[0].start, columns + box[1].start
        far = (rows - rows.mean()) ** 2 + (columns - columns.mean()) ** 2
        middle = int(np.argmin(far))
        yield Patch(
            rows,
            columns,
            gathered.window.left + (columns[middle] + 0.5) * step,
            gathered.window.bottom + (rows[middle] + 0.5) * step,
        )


def blocks(values: NDArray[Any], factor: int) -> NDArray[Any]:
    """Return cells as blocks, shape (block rows, block columns, cells of a block); 0 or NaN fills up."""
    rows, columns = (-(-n // factor) * factor for n in values.shape)
    fill = np.nan if values.dtype.kind == "f" else 0
    padded = np.full((rows, columns), fill, values.dtype)
    padded[: values.shape[0], : values.shape[1]] = values
    parts = padded.reshape(rows // factor, factor, columns // factor, factor).swapaxes(1, 2)
    return parts.reshape(rows // factor, columns // factor, factor * factor)
