"""What errors of the terrain along an area's edge make of a volume whose base follows from that edge."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.sparse import csr_array

from cloudprep.kernels.volume_error import (
    HeightErrors,
    VolumeError,
    along_edge,
    correlated_error,
    edge_error,
    spherical,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.measuring.bases import Edge

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# The lowest of heights with errors is tried out so many times, at this many places for shared errors.
_TRIES = 400
_MOST_SHARED = 300
# The true edge is taken to be the measured one, averaged over this many places (half a cell apart).
_AVERAGED = 9


class EdgeErrors:
    """Errors of an area's edge.

    Parameters
    ----------
    edge : Edge
        The terrain along it.
    cell : float
        Side of a cell, m.
    rows, columns : int
        Of the raster.
    deviation : callable
        ``deviation(row, column)``: standard deviations of cells' random errors, m.
    errors : HeightErrors
        What else is known.
    own_reach : float
        How far the random errors of cells are shared, because cells are smaller than the distance of points,
        m; 0 where they aren't.

    Notes
    -----
    The volume is a sum over cells, ``size (height - base)``, and the base is linear in the heights along the
    edge, each of which is linear in four cells. So each cell has a weight, and random errors add up by the
    squares of these weights. An error alike everywhere moves area and base together and does nothing. The
    lowest height isn't linear: it is tried out, with errors put upon the edge.
    """

    def __init__(
        self,
        edge: Edge,
        cell: float,
        shape: tuple[int, int],
        deviation: Callable[[Indices, Indices], Floats],
        errors: HeightErrors,
        own_reach: float = 0.0,
    ) -> None:
        self._edge, self._cell, self._errors = edge, cell, errors
        self._own_reach = own_reach if own_reach > cell else 0.0
        self._columns = shape[1]
        across, north = (edge.places / cell - 0.5).T
        c, r = np.floor(across), np.floor(north)
        tx, ty = across - c, north - r
        flat, weight = [], []
        for dy, wy in ((0, 1 - ty), (1, ty)):
            for dx, wx in ((0, 1 - tx), (1, tx)):
                row = np.clip(r + dy, 0, shape[0] - 1).astype(np.int64)
                column = np.clip(c + dx, 0, shape[1] - 1).astype(np.int64)
                flat.append(row * shape[1] + column)
                weight.append(wy * wx)
        self._ids, number = np.unique(np.concatenate(flat), return_inverse=True)
        place = np.tile(np.arange(len(edge.places)), 4)
        self._mix = csr_array(
            (np.concatenate(weight), (place, number)), shape=(len(edge.places), len(self._ids))
        )
        sigma = deviation(self._ids // shape[1], self._ids % shape[1])
        known = ~np.isnan(sigma)
        self._sigma = np.where(known, sigma, np.median(sigma[known]) if known.any() else 0.0)
        self._sizes = np.zeros(len(self._ids))

    def take(self, row: Indices, column: Indices, size: Floats) -> None:
        """Note which part of the edge's cells the area covers, m2."""
        flat = row * self._columns + column
        at = np.minimum(np.searchsorted(self._ids, flat), len(self._ids) - 1)
        own = self._ids[at] == flat
        self._sizes[at[own]] = size[own]

    def volume_error(self, square: float, x: Floats, y: Floats, area: float) -> VolumeError:
        """Return the errors of a volume.

        Parameters
        ----------
        square : float
            What random errors within the area alone come to, m6.
        x, y : ndarray of float64, shape (n,)
            Places that fill the area evenly, m.
        area : float
            m2.
        """
        e, places = self._errors, self._edge.places
        step = self._cell / 2
        if self._edge.kind == "lowest-edge":
            return self._of_lowest(square, x, y, area)
        shares = self._edge.shares(x, y, area)
        around = (places[:, 0], places[:, 1])
        if self._own_reach:
            variance = self._mix @ self._sigma**2
            square += along_edge(around, shares * np.sqrt(variance), step, self._own_reach)
            # A place on the edge shares half of what it shares with the area.
            square -= 2 * float(shares @ variance) * math.pi / 10 * self._own_reach**2
        else:
            of_cells = self._mix.T @ shares
            square += float((self._sigma**2 * (of_cells**2 - 2 * self._sizes * of_cells)).sum())
        shared = edge_error((x, y), area, around, shares, step, e.correlated, e.reach)
        return VolumeError(math.sqrt(max(0.0, square)), shared, 0.0)

    def _of_lowest(self, square: float, x: Floats, y: Floats, area: float) -> VolumeError:
        e, edge = self._errors, self._edge
        rng = np.random.default_rng(0)
        wide = max(_AVERAGED, math.ceil(8 * self._own_reach / self._cell))
        truth = uniform_filter1d(edge.heights, min(wide, len(edge.heights)), mode="wrap")
        if self._own_reach:
            own = np.sqrt(self._mix @ self._sigma**2)[:, None] * self._shared(rng, 1.0, self._own_reach)
        else:
            own = self._mix @ (self._sigma[:, None] * rng.standard_normal((len(self._ids), _TRIES)))
        shared = self._shared(rng, e.correlated, e.reach)
        lowest = (truth[:, None] + own + shared).min(axis=0)
        alone = (truth[:, None] + own).min(axis=0)
        which = np.bincount(np.argmin(truth[:, None] + own + shared, axis=0), minlength=len(truth))
        random = square + area**2 * float(alone.var())
        both = area * which / _TRIES
        inside = correlated_error(x, y, area, e.correlated, e.reach)
        # What area and edge share: from the error of their difference.
        places, step = (edge.places[:, 0], edge.places[:, 1]), self._cell / 2
        apart = edge_error((x, y), area, places, both, step, e.correlated, e.reach)
        alike = e.correlated**2 * along_edge(places, both, step, e.reach) if e.reach else 0.0
        common = (inside**2 + alike - apart**2) / 2
        more = area**2 * max(0.0, float(lowest.var() - alone.var()))
        correlated = math.sqrt(max(0.0, inside**2 + more - 2 * common))
        offset = area * float(truth.min() - lowest.mean())
        return VolumeError(math.sqrt(random), correlated, 0.0, offset)

    def _shared(self, rng: np.random.Generator, deviation: float, reach: float) -> Floats | float:
        """Return tries of errors that places along the edge share, shape (n, tries)."""
        places = self._edge.places
        if deviation == 0 or reach == 0:
            return 0.0
        some = np.unique(np.linspace(0, len(places) - 1, min(len(places), _MOST_SHARED)).round().astype(int))
        away = np.hypot(*(places[some, None] - places[some]).transpose(2, 0, 1)) / reach
        root = np.linalg.cholesky(spherical(away) + 1e-6 * np.eye(len(some)))
        drawn = root @ rng.standard_normal((len(some), _TRIES))
        nearest = np.searchsorted(some, np.arange(len(places)), "right") - 1
        return deviation * np.asarray(drawn[nearest])
