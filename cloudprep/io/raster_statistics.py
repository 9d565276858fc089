"""Statistics of what a raster file stores, reckoned while it is written."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Lines at a time: the sums then don't depend on how many lines the writer takes at once, and stay small.
_LINES = 64


class RunningStatistics:
    """Least, most, mean and standard deviation of the stored values that aren't nodata.

    Shares are joined as in Chan, Golub and LeVeque 1979, "Updating formulae and a pairwise algorithm for
    computing sample variances", Stanford STAN-CS-79-773: no digits are lost where heights are large and
    differ little.

    Parameters
    ----------
    nodata : float
        The value that stands for nothing; it may be NaN.

    Examples
    --------
    >>> figures = RunningStatistics(-9999.0)
    >>> figures.add(np.array([[1.0, 3.0, -9999.0, 2.0]], np.float32))
    >>> figures.tags()["STATISTICS_MEAN"], figures.tags()["STATISTICS_VALID_PERCENT"]
    ('2', '75')
    """

    def __init__(self, nodata: float) -> None:
        self.nodata = nodata
        self.cells = self.count = 0
        self.least, self.most = math.inf, -math.inf
        self.mean = self.squares = 0.0

    def add(self, lines: NDArray[Any]) -> None:
        """Take lines as they are stored, shape (n, columns); n is a multiple of 64 but at the end."""
        self.cells += lines.size
        for start in range(0, len(lines), _LINES):
            piece = lines[start : start + _LINES]
            there = ~np.isnan(piece) if math.isnan(self.nodata) else piece != piece.dtype.type(self.nodata)
            values = piece[there].astype(np.float64)
            if not len(values):
                continue
            self.least = min(self.least, float(values.min()))
            self.most = max(self.most, float(values.max()))
            mean = float(values.mean())
            values -= mean
            squares = float((values * values).sum())
            both = self.count + len(values)
            apart = mean - self.mean
            self.squares += squares + apart * apart * self.count * (len(values) / both)
            self.mean += apart * (len(values) / both)
            self.count = both

    def tags(self) -> dict[str, str]:
        """Return the tags of a band; none where the file holds nothing but nodata.

        The names are those that readers of GeoTIFF take statistics from. The deviation is that of all cells
        (divided by n).
        """
        if not self.count:
            return {}
        figures = {
            "MINIMUM": self.least,
            "MAXIMUM": self.most,
            "MEAN": self.mean,
            "STDDEV": math.sqrt(self.squares / self.count),
            "VALID_PERCENT": 100.0 * self.count / self.cells,
        }
        return {f"STATISTICS_{name}": f"{value:.17g}" for name, value in figures.items()}
