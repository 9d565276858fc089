"""Points at absurd coordinates: told apart before anything is gridded, so that no grid explodes."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A point is stray when it lies more than REACH spreads beyond the central part of its flight. The spread has
# a floor so that a small patch doesn't lose its rim. Heights get a far wider band: a mast, a bird or a low
# echo is for the noise stages to judge; stray is only what no flight can have seen.
_REACH_PLAN = 3.0
_FLOOR_PLAN = 50.0
_REACH_HEIGHT = 10.0
_FLOOR_HEIGHT = 100.0
# With fewer points the outer percentiles are the outliers themselves: use the quartiles, and more reach.
_FEW = 200
_REACH_FEW = 20.0

# Values that are put into order to guess at percentiles.
_TRIED = 2_000

LARGEST_STRAY_SHARE = 0.01


@dataclass(frozen=True)
class Band:
    """Closed interval of raw coordinates (metres) that a flight's points plausibly lie in."""

    low: float
    high: float


def plausible_band(values: NDArray[np.float64], *, height: bool) -> Band:
    """Return the interval that a flight's coordinates plausibly lie in.

    Parameters
    ----------
    values : ndarray of shape (n,)
        One coordinate, m; n >= 1.
    height : bool
        Whether they are heights (a wider band).

    Returns
    -------
    Band
        From the 2nd and 98th percentiles (quartiles for few points), which don't depend on the order.
    """
    lower, upper = outer_ranks(len(values))
    ordered = np.partition(values, [lower, upper])
    return band_between(float(ordered[lower]), float(ordered[upper]), len(values), height=height)


def _narrower_band(values: NDArray[np.float64], *, height: bool) -> Band | None:
    """Return an interval within :func:`plausible_band`, found without putting all values into order, or None.

    Between two values with at least as many below and above as the percentiles have, the spread is no larger;
    all that follows from it grows with it, rounding too. Which values are tried doesn't matter to the answer.
    """
    few = np.sort(values[:: max(1, len(values) // _TRIED)])
    low, high = float(few[len(few) // 20]), float(few[-1 - len(few) // 20])
    lower, upper = outer_ranks(len(values))
    below, above = np.count_nonzero(values <= low), np.count_nonzero(values >= high)
    if below <= lower or above < len(values) - upper:
        return None
    return band_between(low, high, len(values), height=height)


def outer_ranks(count: int) -> tuple[int, int]:
    """Return the ranks (from 0) of the two percentiles that a band is judged by."""
    shares = (0.25, 0.75) if count < _FEW else (0.02, 0.98)
    return int((count - 1) * shares[0]), int((count - 1) * shares[1])


def band_between(low: float, high: float, count: int, *, height: bool) -> Band:
    """Return the band around two percentiles (m) of so many coordinates."""
    reach = _REACH_FEW if count < _FEW else (_REACH_HEIGHT if height else _REACH_PLAN)
    spread = max(high - low, _FLOOR_HEIGHT if height else _FLOOR_PLAN)
    return Band(low - reach * spread, high + reach * spread)


def find_stray(
    x: NDArray[np.float64], y: NDArray[np.float64], z: NDArray[np.float64], *, threads: int = 1
) -> NDArray[np.bool_] | None:
    """Return a mask of the stray points of one flight, or None where there are none.

    Parameters
    ----------
    x, y, z : ndarray of shape (n,)
        Coordinates, m.
    threads : int
        Threads to use.

    Returns
    -------
    ndarray of bool, shape (n,), or None
        True for points that no flight can have seen.
    """
    if len(x) == 0:
        return None

    def beyond(axis: int) -> NDArray[np.bool_] | None:
        values = (x, y, z)[axis]
        lowest, highest = float(values.min()), float(values.max())
        narrow = _narrower_band(values, height=axis == 2)
        if narrow is not None and narrow.low <= lowest and highest <= narrow.high:
            return None
        band = plausible_band(values, height=axis == 2)
        if lowest < band.low or highest > band.high:
            return (values < band.low) | (values > band.high)
        return None

    mask: NDArray[np.bool_] | None = None
    with ThreadPoolExecutor(threads) as pool:
        for outside in pool.map(beyond, range(3)):
            if outside is not None:
                mask = outside if mask is None else mask | outside
    return mask
