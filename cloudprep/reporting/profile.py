"""A profile through the most interesting place: where it lies, and how it looks before and after cleaning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from cloudprep.model.bounds import Bounds
from cloudprep.model.classes import NOISE_CODES
from cloudprep.reporting.colours import KINDS, NOISE, kind_of_codes, rgb_of
from cloudprep.reporting.png import palette_png

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.reporting.gathered import Gathered
    from cloudprep.reporting.place import Columns

# A longer line shows relief, but nothing that stands on it.
_LONGEST = 150.0
_TALL = 2.0
_STEP = 1.0
# Of noise, of what is tall, of changes of class, of steps.
_WEIGHTS = (2.0, 1.0, 0.5, 0.5)
WIDE, HIGH = 1000, 360
_BEFORE = "#3c5468"


@dataclass(frozen=True)
class ProfileLine:
    """A strip along an axis of the plan.

    Parameters
    ----------
    strip : Bounds
        What lies in it is shown; local m.
    eastwards : bool
        Whether it runs from west to east, else from south to north.
    score : float
        How much there is to see.
    """

    strip: Bounds
    eastwards: bool
    score: float

    @property
    def length(self) -> float:
        """Length, m."""
        return self.strip.width if self.eastwards else self.strip.height

    @property
    def width(self) -> float:
        """Width of the strip, m."""
        return self.strip.height if self.eastwards else self.strip.width

    @property
    def ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Where it begins and ends, local m."""
        b = self.strip
        if self.eastwards:
            return (b.x0, (b.y0 + b.y1) / 2), (b.x1, (b.y0 + b.y1) / 2)
        return ((b.x0 + b.x1) / 2, b.y0), ((b.x0 + b.x1) / 2, b.y1)


def interest(gathered: Gathered) -> NDArray[np.float64]:
    """Return what there is to see in every cell, shape (4, rows, columns), 0 to 1 each.

    Noise; something that stands more than two metres above the ground; another class seen from above than
    in a cell beside; a step of the ground of a metre or more (less in proportion) to the next cell.
    """
    cells = gathered.cells
    terrain = gathered.terrain
    found = np.zeros((4, *cells.points.shape))
    found[0] = cells.noise > 0
    with np.errstate(invalid="ignore"):
        found[1] = np.nan_to_num(cells.high - terrain, nan=0.0) > _TALL
    kinds = np.where(gathered.seen, kind_of_codes()[cells.high_code], 255)
    for axis in (0, 1):
        a, b = _neighbours(kinds, axis)
        _first(found[2], axis)[...] += 0.5 * ((a != b) & (a < 255) & (b < 255))
        below, above = _neighbours(terrain, axis)
        step = np.nan_to_num(np.abs(above - below), nan=0.0) / _STEP
        _first(found[3], axis)[...] += 0.5 * np.clip(step, 0.0, 1.0)
    return found


def _neighbours(values: NDArray[Any], axis: int) -> tuple[NDArray[Any], NDArray[Any]]:
    return (values[:-1], values[1:]) if axis == 0 else (values[:, :-1], values[:, 1:])


def _first(values: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    return values[:-1] if axis == 0 else values[:, :-1]


def most_interesting_line(gathered: Gathered) -> ProfileLine | None:
    """Return the straight line along an axis with most to see; None without points.

    Of all lines of 150 m (or as long as the site, where it is smaller) that run east or north, it is the one
    with the largest sum, over the four kinds of :func:`interest`, of the square root of the share of its
    cells that have it; noise counts twice, changes and steps half. The root makes a little of everything
    count for more than much of one thing. Of equal ones it is the first from the south-west.
    """
    if not gathered.seen.any() and not (gathered.cells.noise > 0).any():
        return None
    window, cell = gathered.window, gathered.cell
    values = interest(gathered)
    best: ProfileLine | None = None
    for eastwards in (True, False):
        along = window.columns if eastwards else window.rows
        size = max(1, min(along, int(_LONGEST / cell)))
        across = (
            1 if cell >= 2.0 else min(max(1, round(2.0 / cell)), window.rows if eastwards else window.columns)
        )
        sums = np.zeros(1)
        for weight, one in zip(_WEIGHTS, values, strict=True):
            share = _windowed(_windowed(one, size, 1 if eastwards else 0), across, 0 if eastwards else 1)
            sums = sums + weight * np.sqrt(np.maximum(share, 0.0) / (size * across))
        row, column = np.unravel_index(int(np.argmax(sums)), sums.shape)
        score = float(sums[row, column])
        if best is not None and score <= best.score:
            continue
        left, bottom = window.left + float(column) * cell, window.bottom + float(row) * cell
        wide, high = (size, across) if eastwards else (across, size)
        best = ProfileLine(Bounds(left, bottom, left + wide * cell, bottom + high * cell), eastwards, score)
    return best


def _windowed(values: NDArray[np.float64], size: int, axis: int) -> NDArray[np.float64]:
    """Return sums of consecutive values along an axis."""
    sums = np.cumsum(values, axis=axis)
    zero = np.zeros_like(np.take(sums, [0], axis=axis))
    sums = np.concatenate([zero, sums], axis=axis)
    count = values.shape[axis] - size + 1
    ends = np.take(sums, np.arange(size, size + count), axis=axis)
    return np.asarray(ends - np.take(sums, np.arange(count), axis=axis), np.float64)


@dataclass(frozen=True)
class ProfilePictures:
    """A profile as two pictures on the same scale.

    Parameters
    ----------
    before, after : bytes
        PNG files: all points as they were delivered; noise taken out, by class.
    low, high : float
        Heights at the lower and upper edge, m.
    points, noise : int
        Points in the strip, noise among them.
    beyond : int
        Points that lie above or below the pictures.
    kinds : tuple of int
        Kinds that are shown after cleaning.
    """

    before: bytes
    after: bytes
    low: float
    high: float
    points: int
    noise: int
    beyond: int
    kinds: tuple[int, ...]


def profile_pictures(line: ProfileLine, points: Columns) -> ProfilePictures | None:
    """Return the profile's pictures; None without points."""
    z = points["z"]
    if len(z) == 0:
        return None
    codes = points["classification"]
    noise = np.isin(codes, NOISE_CODES)
    along = points["x"] - line.strip.x0 if line.eastwards else points["y"] - line.strip.y0
    low, high = _range(z, noise)
    kinds = kind_of_codes()[codes]
    shown = np.flatnonzero(~noise)
    beyond = int(np.count_nonzero((z < low) | (z > high)))
    place = along / max(line.length, 1e-9), (z - low) / (high - low)
    radius = 1 if len(z) > 4000 else 2
    before = dots(*place, np.zeros(len(z), np.int64), WIDE, HIGH, radius)
    after = dots(place[0][shown], place[1][shown], kinds[shown], WIDE, HIGH, radius)
    colours = np.array([(255, 255, 255), rgb_of(_BEFORE)], np.uint8)
    return ProfilePictures(
        palette_png(before, colours),
        palette_png(after, kind_colours()),
        low,
        high,
        len(z),
        int(noise.sum()),
        beyond,
        tuple(int(k) for k in np.unique(kinds[shown])),
    )


def kind_colours() -> NDArray[np.uint8]:
    """Return a palette: nothing, then the colour of every kind."""
    return np.array([(255, 255, 255), *(kind.rgb for kind in KINDS)], np.uint8)


def _range(z: NDArray[np.float64], noise: NDArray[np.bool_]) -> tuple[float, float]:
    """Return heights that hold all points that aren't noise, and noise up to as far again beyond them."""
    calm = z[~noise] if (~noise).any() else z
    low, high = float(calm.min()), float(calm.max())
    room = max(high - low, 2.0)
    low, high = max(low - room, min(low, float(z.min()))), min(high + room, max(high, float(z.max())))
    edge = max(0.03 * (high - low), 0.25)
    return low - edge, high + edge


def dots(
    across: NDArray[np.float64],
    up: NDArray[np.float64],
    kinds: NDArray[np.integer],
    columns: int,
    rows: int,
    radius: int,
) -> NDArray[np.uint8]:
    """Return a picture of points as small squares.

    Parameters
    ----------
    across, up : ndarray of float64, shape (n,)
        Where they are, 0 to 1; those outside aren't drawn.
    kinds : ndarray of int, shape (n,)
        Of each point; where several fall together, noise lies on top, and others by their numbers.
    columns, rows : int
        Of the picture.
    radius : int
        Pixels of a point's side, 1 to 3.

    Returns
    -------
    ndarray of uint8, shape (rows, columns)
        0, or one more than the kind; row 0 is the lowest.
    """
    inside = (across >= 0) & (across <= 1) & (up >= 0) & (up <= 1)
    column = np.minimum((across[inside] * columns).astype(np.int64), columns - 1)
    row = np.minimum((up[inside] * rows).astype(np.int64), rows - 1)
    rank = np.asarray(kinds, np.int64)[inside]
    order = np.argsort(np.where(rank == NOISE, 1000, rank), kind="stable")
    picture = np.zeros((rows, columns), np.uint8)
    picture[row[order], column[order]] = rank[order] + 1
    if radius > 1:
        spread = ndimage.grey_dilation(picture, size=(radius, radius))
        picture = np.where(picture > 0, picture, spread)
    return picture


def side_view(
    points: Columns, centre: tuple[float, float], reach: float, along_x: bool, pixels: int
) -> tuple[NDArray[np.uint8], tuple[float, float]]:
    """Return points around a place as they look from the side, and the heights of the picture's edges.

    Both axes have the same scale where the heights allow it.
    """
    z = points["z"]
    along = (points["x"] - centre[0]) if along_x else (points["y"] - centre[1])
    low, high = (float(z.min()), float(z.max())) if len(z) else (0.0, 1.0)
    tall = max(high - low, reach)
    middle = (low + high) / 2
    low, high = middle - 0.55 * tall, middle + 0.55 * tall
    kinds = kind_of_codes()[points["classification"]]
    picture = dots((along + reach) / (2 * reach), (z - low) / (high - low), kinds, pixels, pixels, 2)
    return picture, (low, high)
