"""A run whose workers died of a block is done once more with smaller ones: results don't depend on them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from cloudprep.engine.memory import FEWEST_POINTS

if TYPE_CHECKING:
    from cloudprep.engine.request import RunRequest
    from cloudprep.errors import WorkersDiedError

# A quarter: a block has a buffer around it, which doesn't shrink with it.
_SMALLER = 4


def with_smaller_blocks(request: RunRequest, error: WorkersDiedError) -> RunRequest | None:
    """Return the same run with smaller blocks; None where the block was as small as is of use.

    Parameters
    ----------
    request : RunRequest
        The run that failed.
    error : WorkersDiedError
        How it failed.
    """
    if error.points <= FEWEST_POINTS:
        return None
    return replace(request, block_points=max(FEWEST_POINTS, error.points // _SMALLER))
