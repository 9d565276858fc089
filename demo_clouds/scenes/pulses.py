"""Where the pulses of a flight go: parallel lines, swinging across, denser where two lines overlap."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..dice import Dice

    Array = NDArray[np.float64]


_SWING = 6.0
"""The changing speed displaces scans by up to this much, m."""


class Pulses(NamedTuple):
    """Straight beams: at height z they pass ``(x - lean_x * z, y - lean_y * z)``.

    Parameters
    ----------
    x, y : ndarray of shape (n,)
        Where they pass height 0, m.
    lean_x, lean_y : ndarray of shape (n,)
        Slope off the vertical.
    line : ndarray of uint16, shape (n,)
        Flight line.
    """

    x: Array
    y: Array
    lean_x: Array
    lean_y: Array
    line: NDArray[np.uint16]

    def at(self, z: Array, rows: NDArray[np.int64] | slice = slice(None)) -> tuple[Array, Array]:
        """Return x and y of some pulses at heights."""
        return self.x[rows] - self.lean_x[rows] * z, self.y[rows] - self.lean_y[rows] * z


def flight(
    size: tuple[float, float],
    spacing: float,
    dice: Dice,
    *,
    lines: int = 2,
    lean: float = 0.3,
    margin: float = 5.0,
) -> Pulses:
    """Return the pulses over a site.

    Parameters
    ----------
    size : tuple of float
        Extent of the site, m.
    spacing : float
        Distance of pulses within one line, m; where lines overlap there are more.
    dice : Dice
        Jitter, and where the aircraft was faster or slower.
    lines : int
        Number of flight lines; neighbouring ones overlap by 30 %.
    lean : float
        Slope of the outermost pulses off the vertical.
    margin : float
        Pulses are sent this far beyond the site, m, so that slanting ones fill its rim.
    """
    width, depth = size[0] + 2 * margin, size[1] + 2 * margin
    swath = depth / (0.7 * (lines - 1) + 1)
    parts = []
    for line in range(lines):
        scans = np.arange(-_SWING, width + _SWING, spacing)
        # The speed over ground swings by a fifth within a few hundred metres.
        phase, wavelength = dice.one(0.0, 2 * np.pi), dice.one(90.0, 160.0)
        scans = scans + 0.2 * wavelength / (2 * np.pi) * np.sin(2 * np.pi * scans / wavelength + phase)
        offsets = np.arange(-swath / 2, swath / 2, spacing)
        along, across = np.meshgrid(scans, offsets, indexing="ij")
        # A swinging mirror draws zigzags: within one swing the aircraft flies on.
        along = along + (offsets / swath) * spacing * np.where(np.arange(len(scans)) % 2, 1.0, -1.0)[:, None]
        n = along.size
        along = along.ravel() + dice.normal(0.15 * spacing, n)
        across = across.ravel() + dice.normal(0.15 * spacing, n)
        middle = 0.7 * swath * line + swath / 2 - margin
        forward = np.full(n, 0.03 if line % 2 == 0 else -0.03)
        parts.append(
            Pulses(
                along - margin,
                middle + across,
                forward,
                2 * lean * across / swath,
                np.full(n, line + 1, np.uint16),
            )
        )
    return Pulses(*(np.concatenate(values) for values in zip(*parts, strict=True)))
