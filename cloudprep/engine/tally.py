"""Counts what is in a flight chunk by chunk; the memory it takes does not grow with the number of points."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

__all__ = ["DENSITY_CELL", "Tally"]

# Edge of the cells that tell flown ground from gaps, m: the same as the run uses for the point spacing.
DENSITY_CELL = 5.0
_SAMPLE = 100_000
_MOST_RETURNS = 16
_RANGED = ("intensity", "gps_time", "red", "green", "blue", "nir")
_FLAGS = ("withheld", "overlap", "synthetic", "key_point")


class Tally:
    """Running counts of one flight.

    Parameters
    ----------
    count : int
        How many points the flight holds, for an even sample.
    scales, offsets : tuple of float
        Scale and offset of x, y and z.
    metres : float or None
        Metres in one unit of x and y; None where an area means nothing (degrees).
    """

    def __init__(
        self,
        count: int,
        scales: tuple[float, float, float],
        offsets: tuple[float, float, float],
        metres: float | None,
    ) -> None:
        self.scales = np.array(scales)
        self.offsets = np.array(offsets)
        self.metres = metres
        self.points = 0
        self.lowest: NDArray[np.int64] | None = None
        self.highest: NDArray[np.int64] | None = None
        self.classes = np.zeros(256, np.int64)
        self.returns = np.zeros(
            (_MOST_RETURNS, _MOST_RETURNS), np.int64
        )  # [return number, number of returns]
        self.lines = np.zeros(65_536, np.int64)
        self.flags: dict[str, int] = {}
        self.ranges: dict[str, tuple[float, float]] = {}
        self.without_time = 0
        self.steps = np.zeros(3, np.int64)
        self._first: NDArray[np.int64] | None = None
        self._cells = np.empty(0, np.int64)
        self._stride = max(1, math.ceil(count / _SAMPLE))
        self._sample: list[NDArray[np.int64]] = []

    def add(self, columns: Mapping[str, NDArray[Any]]) -> None:
        """Count one chunk.

        Parameters
        ----------
        columns : mapping of str to ndarray of shape (n,)
            ``X``, ``Y``, ``Z`` as stored, and whatever else the flight carries.
        """
        raw = np.stack([columns[axis].astype(np.int64) for axis in "XYZ"], axis=1)
        if len(raw) == 0:
            return
        self._add_places(raw)
        self.classes += np.bincount(columns["classification"], minlength=256)
        pair = columns["return_number"].astype(np.int64) * _MOST_RETURNS + columns["number_of_returns"]
        self.returns += np.bincount(pair, minlength=_MOST_RETURNS**2).reshape(self.returns.shape)
        if "point_source_id" in columns:
            self.lines += np.bincount(columns["point_source_id"], minlength=65_536)
        for name in _FLAGS:
            if name in columns:
                self.flags[name] = self.flags.get(name, 0) + int(np.count_nonzero(columns[name]))
        for name in _RANGED:
            if name in columns:
                self._add_range(name, columns[name])

    def _add_places(self, raw: NDArray[np.int64]) -> None:
        low, high = raw.min(axis=0), raw.max(axis=0)
        if self.lowest is None or self.highest is None or self._first is None:
            self.lowest, self.highest, self._first = low, high, raw[0]
        else:
            self.lowest, self.highest = np.minimum(self.lowest, low), np.maximum(self.highest, high)
        apart = np.gcd.reduce(np.abs(raw - self._first), axis=0)
        self.steps = np.gcd(self.steps, apart)
        # A copy: a view would keep the whole chunk alive.
        self._sample.append(raw[-self.points % self._stride :: self._stride].copy())
        self.points += len(raw)
        if self.metres is not None:
            place = (raw[:, :2] * self.scales[:2] + self.offsets[:2]) * (self.metres / DENSITY_CELL)
            cell = np.clip(np.floor(place), -(2.0**30), 2.0**30).astype(np.int64)
            key = np.unique((cell[:, 0] << 32) + cell[:, 1])
            self._cells = np.union1d(self._cells, key)

    def _add_range(self, name: str, values: NDArray[Any]) -> None:
        if name == "gps_time":
            real = values[np.isfinite(values) & (values != 0)]
            self.without_time += len(values) - len(real)
            if len(real) == 0:
                return
            values = real
        low, high = float(values.min()), float(values.max())
        before = self.ranges.get(name, (low, high))
        self.ranges[name] = (min(before[0], low), max(before[1], high))

    # -- what it adds up to --------------------------------------------------------------------------------

    def corner(self, raw: NDArray[np.int64] | None) -> tuple[float, float, float] | None:
        """Return stored integers as coordinates."""
        if raw is None:
            return None
        x, y, z = (float(v) for v in raw * self.scales + self.offsets)
        return x, y, z

    @property
    def area(self) -> float | None:
        """Area of the cells that hold points, m², or of the bounding box where that is smaller.

        None where it means nothing: in degrees, and without points.
        """
        if self.metres is None or self.lowest is None or self.highest is None:
            return None
        sides = (self.highest - self.lowest)[:2] * self.scales[:2] * self.metres
        box = float(sides[0] * sides[1])
        cells = self.cells * DENSITY_CELL**2
        return min(cells, box) if box > 0 else cells

    @property
    def cells(self) -> int:
        """Number of cells of ``DENSITY_CELL`` that hold points."""
        return len(self._cells)

    @property
    def first_returns(self) -> int:
        """Number of first returns: one a pulse."""
        return int(self.returns[1].sum())

    @property
    def sample(self) -> NDArray[np.float64]:
        """An even sample of the coordinates, shape (m, 3)."""
        rows = np.concatenate(self._sample) if self._sample else np.empty((0, 3), np.int64)
        coordinates: NDArray[np.float64] = rows * self.scales + self.offsets
        return coordinates

    @property
    def odd_returns(self) -> int:
        """Number of points whose return number is 0 or larger than the number of returns."""
        number, of = np.indices(self.returns.shape)
        return int(self.returns[(number < 1) | (number > of)].sum())
