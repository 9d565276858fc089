"""Moving points: new coordinates on the file's own grid, patched into raw records."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.errors import OutputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.io.las.flight import Flight
    from cloudprep.model.motion import Motion

_LIMITS = np.iinfo(np.int32)


class CoordinatePatch:
    """Moves the points of a flight; scales and offsets stay, so coordinates are rounded to the file's steps.

    Parameters
    ----------
    flight : Flight
        The source.
    motion : Motion
        In metres of the reference system.
    horizontal, vertical : float
        Metres in a unit of the flight's coordinates.

    Attributes
    ----------
    rounding : list of float
        The largest difference so far between where a point should go and where it is stored, by axis, m.
    moved : int
        Points with other numbers than before.
    """

    def __init__(self, flight: Flight, motion: Motion, horizontal: float, vertical: float) -> None:
        self.flight = flight
        self.motion = motion
        units = (horizontal, horizontal, vertical)
        self._steps = [scale * unit for scale, unit in zip(flight.scales, units, strict=True)]
        ends = zip(flight.offsets, units, motion.centre, strict=True)
        self._zeros = [offset * unit - middle for offset, unit, middle in ends]
        self.rounding = [0.0, 0.0, 0.0]
        self.moved = 0

    def patch(self, records: NDArray[np.uint8]) -> None:
        """Write new coordinates into records, in place; no other bytes change.

        Parameters
        ----------
        records : ndarray of uint8, shape (n, record_length)
            Changed in place.

        Raises
        ------
        OutputError
            If a coordinate doesn't fit the 32 bits of the format.
        """
        if not len(records):
            return
        raw = [np.ascontiguousarray(records[:, 4 * a : 4 * a + 4]).view("<i4")[:, 0] for a in range(3)]
        places = [r * step + zero for r, step, zero in zip(raw, self._steps, self._zeros, strict=True)]
        away = self.motion.displacements(np.stack(places, axis=1))
        changed = np.zeros(len(records), bool)
        for axis in range(3):
            # The old number plus the move: exact where nothing moves, and no digits lost to large offsets.
            wanted = raw[axis] + away[:, axis] / self._steps[axis]
            stored = np.rint(wanted)
            beyond = int(np.count_nonzero((stored < _LIMITS.min) | (stored > _LIMITS.max)))
            if beyond:
                raise OutputError(
                    f"{self.flight.path}: moved, {beyond:,} points don't fit the 32 bits of the file's "
                    f"{'xyz'[axis]} grid (scale {self.flight.scales[axis]:g}); nothing is written"
                )
            off = float(np.abs(stored - wanted).max()) * self._steps[axis]
            self.rounding[axis] = max(self.rounding[axis], off)
            new = stored.astype("<i4")
            changed |= new != raw[axis]
            records[:, 4 * axis : 4 * axis + 4] = new.view(np.uint8).reshape(-1, 4)
        self.moved += int(np.count_nonzero(changed))
