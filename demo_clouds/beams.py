"""One flight line as laser pulses: where each starts, where it points, when it was sent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .dice import Dice

    Array = NDArray[np.float64]

# Pieces longer than this along the line are never asked for; wobble of the aircraft stays well below it.
_MARGIN = 4.0


@dataclass(frozen=True)
class FlightLine:
    """How one line was flown and scanned.

    Parameters
    ----------
    number : int
        Flight-line number (point source ID).
    middle : tuple of float
        A place the line passes over, m.
    heading : float
        Direction of flight, degrees anticlockwise from east.
    altitude : float
        Height of the aircraft in the site's height system, m.
    speed : float
        m/s.
    half_angle : float
        Largest scan angle, degrees.
    lines_per_second, pulses_per_line : int
        The scanner's rhythm.
    oscillating : bool
        A mirror that swings to and fro (zigzag on the ground), or a polygon that only sweeps from right to
        left.
    start_time : float
        Adjusted standard GPS time (GPS seconds minus 1e9) of the first pulse, s.
    range_sigma : float
        Standard deviation of a range, m.
    """

    number: int
    middle: tuple[float, float]
    heading: float
    altitude: float
    speed: float
    half_angle: float
    lines_per_second: int
    pulses_per_line: int
    oscillating: bool
    start_time: float
    range_sigma: float


@dataclass(frozen=True)
class Beams:
    """Pulses in the order they were sent; all arrays have one entry (or row) a pulse.

    Parameters
    ----------
    origin, direction : ndarray of shape (n, 3)
        Start, m, and unit direction.
    along : ndarray of shape (n,)
        Way of the aircraft along its line, m, rising.
    time : ndarray of shape (n,)
        Adjusted standard GPS time, s, rising.
    angle : ndarray of shape (n,)
        Scan angle in steps of 0.006 degrees, positive to the right of the flight direction.
    sweep, edge : ndarray of shape (n,)
        Scan direction flag and edge-of-flight-line flag.
    axis : ndarray of shape (2,)
        Direction of flight in plan.
    """

    origin: Array
    direction: Array
    along: Array
    time: Array
    angle: NDArray[np.int16]
    sweep: NDArray[np.bool_]
    edge: NDArray[np.bool_]
    axis: Array

    def __len__(self) -> int:
        return len(self.along)

    def near(self, x0: float, x1: float, y0: float, y1: float) -> slice:
        """Return a run of pulses that holds all which can pass over a box in plan (m)."""
        corners = np.array([[x0, y0], [x0, y1], [x1, y0], [x1, y1]])
        way = corners @ self.axis - self._zero
        low, high = np.searchsorted(self.along, [way.min() - _MARGIN, way.max() + _MARGIN])
        return slice(int(low), int(high))

    @property
    def _zero(self) -> float:
        return float(self.origin[0, :2] @ self.axis - self.along[0])

    def at_height(self, part: slice, z: float) -> tuple[Array, Array]:
        """Return where a run of pulses passes a height (m), x and y."""
        origin, direction = self.origin[part], self.direction[part]
        ranges = (z - origin[:, 2]) / direction[:, 2]
        return origin[:, 0] + ranges * direction[:, 0], origin[:, 1] + ranges * direction[:, 1]

    def places(self, pulse: NDArray[np.int64], ranges: Array) -> Array:
        """Return the places (n, 3) at ranges (m) along some pulses."""
        return self.origin[pulse] + ranges[:, None] * self.direction[pulse]


def fly(line: FlightLine, length: float, dice: Dice) -> Beams:
    """Return the pulses of a flight line.

    Parameters
    ----------
    line : FlightLine
        How it is flown.
    length : float
        Length of the line, m, centred on ``line.middle``.
    dice : Dice
        Small unsteadiness of each pulse.
    """
    rate = line.lines_per_second * line.pulses_per_line
    i = np.arange(int(length / line.speed * rate))
    sweep, step = np.divmod(i, line.pulses_per_line)
    share = 2.0 * (step + 0.5) / line.pulses_per_line - 1.0
    backwards = (sweep % 2 == 1) if line.oscillating else np.ones(i.size, bool)
    scan = np.where(backwards, -share, share) * line.half_angle
    since = i / rate
    along = since * line.speed

    # The aircraft rolls and pitches slowly by a fraction of a degree; a pulse jitters by about 0.1 mrad.
    roll = 0.5 * np.sin(since * 1.1 + line.number)
    pitch = 0.15 * np.sin(since * 0.7 + 2.0 * line.number)
    across_slope = np.tan(np.radians(scan + roll)) + dice.normal(1.2e-4, i.size)
    along_slope = np.tan(np.radians(pitch)) + dice.normal(1.2e-4, i.size)

    ahead = np.array([np.cos(np.radians(line.heading)), np.sin(np.radians(line.heading))])
    right = np.array([ahead[1], -ahead[0]])
    plan = across_slope[:, None] * right + along_slope[:, None] * ahead
    direction = np.column_stack([plan, np.full(i.size, -1.0)])
    direction /= np.sqrt((direction**2).sum(axis=1))[:, None]
    origin = np.empty((i.size, 3))
    origin[:, :2] = np.array(line.middle) + (along - length / 2)[:, None] * ahead
    origin[:, 2] = line.altitude
    angle = np.round((scan + roll) / 0.006).astype(np.int16)
    edge = step == line.pulses_per_line - 1
    # The flag is 1 for sweeps from left to right (LAS 1.4: positive direction).
    return Beams(origin, direction, along, line.start_time + since, angle, ~backwards, edge, ahead)
