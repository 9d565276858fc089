"""Heights of single places, for whatever is put on the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .model import Height


def foot(terrain: Height, x: float, y: float) -> float:
    """Return the ground's height at one place, m."""
    return float(terrain(np.array([float(x)]), np.array([float(y)]))[0])
