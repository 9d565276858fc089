"""Which points carry no extra labels when they are delivered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.model.classes import NOISE_CODES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray


def unused_points(labels: Mapping[str, NDArray[Any]]) -> NDArray[np.bool_]:
    """Tell noise and withheld points, from ``classification`` and ``withheld``.

    Labels without a field of the standard speak of points in use: these carry 0, also those that became
    noise after the stage that judged them.
    """
    unused: NDArray[np.bool_] = labels["withheld"] | np.isin(labels["classification"], NOISE_CODES)
    return unused
