"""What holds the points of a site while stages work on it, in memory or on disk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np

from cloudprep.model.bounds import EVERYWHERE

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.engine.rasters import Rasters
    from cloudprep.io.las import LabelRows
    from cloudprep.model.bounds import Bounds
    from cloudprep.model.grid import Canvas
    from cloudprep.model.points import Points

# Points in a block at most: large enough that buffers cost little, small enough to share among workers.
BLOCK_POINTS = 4_000_000
# Points of a flight at a time, where nothing but counting is done with them.
STRETCH_POINTS = 1_000_000


@dataclass(frozen=True)
class Block:
    """One block of a run.

    Parameters
    ----------
    index : int
        Its place in the list of blocks.
    bounds : Bounds
        Half-open, local metres; everywhere for the only block of a small site. Blocks cover the site without
        gap or overlap.
    count : int
        Number of points.
    """

    index: int
    bounds: Bounds
    count: int


class Surrounded(NamedTuple):
    """A block's points with those around it.

    Parameters
    ----------
    points : Points
        Block and buffer.
    core : ndarray of bool, shape (n,)
        Which of them are the block's own.
    buffered : Bounds
        Every point of the site within these bounds is among them.
    """

    points: Points
    core: NDArray[np.bool_]
    buffered: Bounds


class FlightStretch(NamedTuple):
    """Some points of one flight, in any order.

    Parameters
    ----------
    columns : mapping of str to ndarray of shape (n,)
        As asked for, where they are there.
    stray : ndarray of bool, shape (n,)
        Points at absurd coordinates.
    beyond : ndarray of bool, shape (n,)
        Other points beyond the area of the run.
    """

    columns: Mapping[str, NDArray[Any]]
    stray: NDArray[np.bool_]
    beyond: NDArray[np.bool_]


class Store(Protocol):
    """Columns of all points of a run, read by block, exchanged whole.

    New values are given block by block with :meth:`put`; whoever reads meanwhile gets the old ones. Once
    all blocks are done, :meth:`exchange` makes the new ones current.
    """

    @property
    def blocks(self) -> Sequence[Block]:
        """The blocks of the site."""

    @property
    def usable_count(self) -> int:
        """Number of points that stages see."""

    @property
    def stray_codes(self) -> NDArray[np.int64]:
        """Number of stray points of each class code, shape (256,); no block holds them.

        Points beyond the area of the run are in no block either, and not counted here.
        """

    @property
    def scratch_bytes(self) -> int:
        """Largest size of its files so far."""

    def __len__(self) -> int:
        """Return the number of points, stray ones included."""

    def __contains__(self, name: object) -> bool:
        """Tell whether a column is there."""

    def around(self, block: Block, names: Sequence[str], reach: float) -> Surrounded:
        """Return a block's points and those within reach (m) of it."""

    def flights_of(self, block: Block) -> NDArray[np.uint16]:
        """Return the number of the flight of each of a block's own points, in the order of :meth:`around`."""

    def within(self, bounds: Bounds, names: Sequence[str]) -> Points:
        """Return all usable points within half-open bounds."""

    def put(self, block: Block, columns: Mapping[str, NDArray[Any]]) -> None:
        """Give new values for a block's own points, in the order in which :meth:`around` gave them."""

    def exchange(self, dtypes: Mapping[str, np.dtype[Any]]) -> None:
        """Make columns that were put current. Stray points keep their labels; they have 0 in new columns."""

    def rasters(self, canvases: Sequence[Canvas]) -> Rasters:
        """Return rasters to draw into, held where the points are."""

    def forget(self, names: Iterable[str]) -> None:
        """Let go of columns that nothing needs any more (those that are there)."""

    def label_rows(self, flight: int, extra: Sequence[str]) -> LabelRows:
        """Return the labels of a flight, by rows of its file, as they are delivered."""

    def flight_stretches(self, flight: int, names: Sequence[str]) -> Iterator[FlightStretch]:
        """Give all points of a flight once, no more than :data:`STRETCH_POINTS` at a time."""


def buffered_bounds(block: Block, reach: float) -> Bounds:
    """Return the bounds of a block and its buffer."""
    return block.bounds if block.bounds == EVERYWHERE or reach <= 0 else block.bounds.grown(reach)


def code_counts(store: Store) -> NDArray[np.int64]:
    """Return how many points have each class code, stray ones included, shape (256,)."""
    codes = store.stray_codes.copy()
    for block in store.blocks:
        codes += np.bincount(
            store.around(block, ("classification",), 0.0).points["classification"], minlength=256
        )
    return codes
