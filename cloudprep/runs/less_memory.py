"""The same run with less memory, for a worker that died of it: results don't depend on it."""

from __future__ import annotations

import resource
import sys
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cloudprep.engine.request import RunRequest

# Points of a block where half the memory alone would change nothing.
SMALL_BLOCK = 500_000


def with_less_memory(request: RunRequest, peak: int | None) -> RunRequest:
    """Return the run with half the memory, and in any case with less than it took.

    Parameters
    ----------
    request : RunRequest
        The run that failed.
    peak : int, optional
        Bytes that its process had at most. Where that is less than half of what it was allowed, others have
        taken the memory of the machine: it would do the same once more. So points are held in files then,
        and worked on in small blocks.
    """
    from cloudprep.engine.memory import default_memory  # noqa: PLC0415 - heavy, and hardly ever needed

    half = (request.memory or default_memory()) // 2
    points = request.block_points
    if peak is not None and peak < half:
        points = min(points or SMALL_BLOCK, SMALL_BLOCK)
    return replace(request, memory=half, block_points=points)


def peak_of_the_dead() -> int | None:
    """Return the largest resident memory that any process had which this one started and saw end, bytes."""
    most = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return most * (1 if sys.platform == "darwin" else 1024) or None
