"""How sure a ground label is, from where the point lies between the limits and what is known of the place.

Two logistic models, one for points labelled ground and one for the others. They are fitted to four samples
of the ISPRS filter test (Sithole and Vosselman 2004; 11, 21, 42, 53, each turned two ways as well) and, with
the same weight, to two seeds of the made-up scenes; four other samples and another seed were kept for judging
them.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.kernels.compiling import njit
from cloudprep.kernels.strips import in_strips

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.ground_limits import Limits

    Floats = NDArray[np.float64]

# Weights of: one, disagreement of the surfaces, distance to support, directions in which the place sticks out
# of its 10 m and of its 50 m, tolerance.
_PLACE_GROUND = (4.91, -1.65, -0.69, -0.49, -1.62, -0.43)
_PLACE_OTHER = (-0.10, -0.55, -0.28, -0.54, 1.07, -0.84)
# Of the height over the surface, in tolerances: above it, above it squared, below it.
_HEIGHT_GROUND = (-4.85, 0.64, -1.37)
# Of the height over the upper limit (its logarithm, the first tolerance of it), of the depth under the
# surface (its logarithm), and of lying under it at all.
_HEIGHT_OTHER = (2.10, 0.09, 1.90, -4.18)

_DIRECTIONS = 8
_FARTHEST = 20.0
_MOST_TOLERANCES = 8.0


# The logarithm of one plus that: most points that aren't ground lie so high.
_LOG_MOST = math.log1p(_MOST_TOLERANCES)

# Percents are read from a table of logits, since exponentials take long: beyond the table they are 1 or 99,
# and within one of its bins they change once at most.
_WIDEST_LOGIT = 4.75
_BINS_A_LOGIT = 64


def _percent(logit: float) -> int:
    return round(min(max(100.0 / (1.0 + math.exp(-logit)), 1.0), 99.0))


def _first_logit(percent: int) -> float:
    """Return the least logit that gives this percent or more."""
    share = (percent - 0.5) / 100.0
    logit = math.log(share / (1.0 - share))
    while _percent(logit) >= percent:
        logit = math.nextafter(logit, -math.inf)
    while _percent(logit) < percent:
        logit = math.nextafter(logit, math.inf)
    return logit


_PERCENTS = np.array(
    [_percent(k / _BINS_A_LOGIT - _WIDEST_LOGIT) for k in range(int(2 * _WIDEST_LOGIT * _BINS_A_LOGIT))],
    np.uint8,
)
# From which logit on a percent (the index) is exceeded.
_EXCEEDED_FROM = np.array([-math.inf, *(_first_logit(percent) for percent in range(2, 100)), math.inf])


def _weighted(weights: Sequence[float], evidence: Sequence[Any]) -> Any:
    return sum(w * e for w, e in zip(weights, evidence, strict=True))


def place_logits(
    limits: Limits, cell: float, *, threads: int = 1
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return each cell's share of the logits, for ground and for other points.

    Parameters
    ----------
    limits : Limits
        Where ground may lie, and what speaks for it.
    cell : float
        Side of the surface's cells, m.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    ground, other : ndarray of float32, shape (rows, columns)
        Logits.
    """
    ground, other = (np.empty(limits.centre.shape, np.float32) for _ in range(2))

    def judge(part: slice) -> None:
        tolerance = np.maximum(limits.high[part] - limits.centre[part], 0.01)
        evidence = (
            1.0,
            np.log1p(limits.split[part] / tolerance),
            np.log1p(np.minimum(limits.far[part] / cell, _FARTHEST)),
            limits.plants[part] / _DIRECTIONS,
            limits.objects[part] / _DIRECTIONS,
            np.log(tolerance),
        )
        for weights, logits in ((_PLACE_GROUND, ground), (_PLACE_OTHER, other)):
            logits[part] = _weighted(weights, evidence)

    in_strips(judge, (len(ground), ground[:1].size), threads)
    return ground, other


@njit(nogil=True, cache=True, error_model="numpy")
def log_one_and(number: float) -> float:
    """Return log(1 + number) for 0 to 8: most are either, and logarithms take long."""
    if number <= 0.0:
        return 0.0
    return _LOG_MOST if number >= _MOST_TOLERANCES else math.log1p(number)


@njit(nogil=True, cache=True, error_model="numpy")
def percent_sure(height: float, ground: bool, place: float) -> Any:
    """Return how sure a label is, percent.

    Parameters
    ----------
    height : float
        Height over the surface, in tolerances (1 at the upper limit).
    ground : bool
        The label.
    place : float
        The place's logit for that label, from :func:`place_logits`.

    Returns
    -------
    uint8
        1 to 99: of points given 90 about 90 % should be right.

    Examples
    --------
    >>> int(percent_sure(0.0, True, 4.0)), int(percent_sure(0.9, True, 4.0))
    (98, 54)
    """
    over, under = beyond(height)
    return percent_of(logit_of(height, ground, place, log_one_and(over), log_one_and(under)))


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def beyond(height: float) -> tuple[float, float]:
    """Return how far a height (in tolerances) lies over the upper limit and under the surface, at most 8."""
    return min(max(height - 1.0, 0.0), _MOST_TOLERANCES), min(max(-height, 0.0), _MOST_TOLERANCES)


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def logit_of(height: float, ground: bool, place: float, log_over: float, log_under: float) -> Any:
    """Return the logit of :func:`percent_sure`, given :func:`log_one_and` of what :func:`beyond` returns.

    For other kernels: without the logarithms, many can be worked out at a time.
    """
    up, down = min(max(height, 0.0), 1.0), min(max(-height, 0.0), 2.0)
    a, b, c = _HEIGHT_GROUND
    of_ground = place + a * up + b * up**2 + c * down
    a, b, c, d = _HEIGHT_OTHER
    over, _ = beyond(height)
    above = a * log_over
    of_other = place + above + b * min(over, 1.0) + c * log_under
    if height < 0:
        of_other += d
    return of_ground if ground else of_other


@njit(nogil=True, cache=True, error_model="numpy", inline="always")
def percent_of(logit: float) -> Any:
    """Return the percent that a logit means, 1 to 99."""
    if logit >= _WIDEST_LOGIT:
        return np.uint8(99)
    if not logit > -_WIDEST_LOGIT:
        return np.uint8(1)
    percent = _PERCENTS[int((logit + _WIDEST_LOGIT) * _BINS_A_LOGIT)]
    return np.uint8(percent + (logit >= _EXCEEDED_FROM[percent]))
