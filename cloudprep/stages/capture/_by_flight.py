"""What stages that look at each flight by itself share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cloudprep.model.points import Points
    from cloudprep.model.site import SiteFacts
    from cloudprep.stages.base import Context

FLIGHT = "flight"
# So many flights are named in a warning.
_NAMED = 3


def core_of(points: Points, context: Context, *names: str) -> list[NDArray[Any]]:
    """Return the named columns of a block's own points."""
    columns = [points[name] for name in names]
    return columns if context.core.all() else [values[context.core] for values in columns]


def flights_in(flight: NDArray[np.uint16]) -> Iterator[tuple[int, NDArray[np.bool_] | slice]]:
    """Give the number of every flight that has points, and which points are its own."""
    numbers = np.flatnonzero(np.bincount(flight)) if len(flight) else np.zeros(0, np.int64)
    if len(numbers) == 1:
        yield int(numbers[0]), slice(None)
        return
    for number in numbers.tolist():
        yield number, flight == number


def named(site: SiteFacts, numbers: list[int]) -> str:
    """Return flights by name, in the order of the alphabet, the first few of many."""
    names = sorted(site.flight(number).name for number in numbers)
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more
