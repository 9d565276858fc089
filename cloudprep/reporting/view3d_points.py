"""The points of the turnable view: which are within it, how they are lit, and how they are packed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np
from scipy import ndimage

from cloudprep.reporting.colours import KINDS, NOISE, kind_of_codes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.floating[Any]]

# Steps along each axis: a kilometre in steps of 15 mm.
_STEPS = 65_535
# The part of the site that must be within the view whatever lies around it (percentiles), and how much
# further the view goes, as a share of the site's extent.
_INNER = (0.2, 99.8)
_FURTHER = 0.35
_LOW_AND_HIGH = (1.0, 99.0)
# What stands higher than this above the lowest point around is lit as from all sides, m.
_STANDS_ABOVE = 1.5
_NEUTRAL = 190
_LINES_OF_NET = 8


class CloudSample(Protocol):
    """What the view needs of a thinned cloud: arrays of shape (n,), metres from the site's origin."""

    @property
    def x(self) -> Floats:
        """Eastward."""

    @property
    def y(self) -> Floats:
        """Northward."""

    @property
    def z(self) -> Floats:
        """Heights."""

    @property
    def classification(self) -> NDArray[np.uint8]:
        """Class codes."""


class Net(NamedTuple):
    """The net below the points: half its sides, where its lines lie, its height, its mesh.

    Metres from the centre, but for the mesh, which is in units of the coordinates.
    """

    half: tuple[float, float]
    across: list[float]
    along: list[float]
    floor: float
    mesh: float


@dataclass(frozen=True)
class ViewPoints:
    """Points ready to be drawn.

    Parameters
    ----------
    places : ndarray of float32, shape (n, 3)
        Metres from ``centre``.
    codes : ndarray of uint8, shape (n,)
        Class codes.
    light : ndarray of uint8, shape (n,)
        How much light the surface there has from the north-west, 0 to 255.
    centre : tuple of float
        Of the view, in the sample's metres.
    heights : tuple of float
        Low and high ends of the height colours, metres from ``centre``.
    spacing : float
        How far the sample's points lie apart, m.
    left_out : int
        Points so far outside that they aren't shown.
    half : ndarray of float64, shape (3,)
        Half of the extent of nearly all points that are no noise, about ``centre``, m.
    """

    places: NDArray[np.float32]
    codes: NDArray[np.uint8]
    light: NDArray[np.uint8]
    centre: tuple[float, float, float]
    heights: tuple[float, float]
    spacing: float
    left_out: int
    half: NDArray[np.float64]

    def rim(self) -> NDArray[np.float64]:
        """Return what must be in view at first: the points that lie farthest out, and the net's corners."""
        inner = self.places[(np.abs(self.places) <= self.half).all(axis=1)]
        turns = np.linspace(0.0, 2 * math.pi, 16, endpoint=False)
        ways = [
            (math.cos(a) * math.cos(t), math.sin(a) * math.cos(t), math.sin(t))
            for a in turns
            for t in (0.0, 0.7)
        ]
        farthest = np.unique(
            [int(np.argmax(inner @ np.array(way, np.float32))) for way in ways] if len(inner) else []
        )
        wide, long, _ = self.half
        corners = [(x, y, self.floor) for x in (-wide, wide) for y in (-long, long)]
        return np.concatenate([inner[farthest.astype(np.int64)].astype(np.float64), corners])

    @property
    def floor(self) -> float:
        """Height of the net below the points, m."""
        return -float(self.half[2]) - 0.05 * max(2 * float(self.half[2]), 1.0)

    def packed(self) -> tuple[bytes, list[float], list[float]]:
        """Return the points in eight bytes each, the place of step 0, and a step's length along each axis.

        Each point is four little-endian 16-bit numbers: steps along x, y and z, and class code + 256 x light.
        """
        first = self.places.min(axis=0).astype(np.float64)
        step = np.maximum(np.ptp(self.places, axis=0).astype(np.float64), 1e-3) / _STEPS
        words = np.empty((len(self.places), 4), "<u2")
        words[:, :3] = np.rint((self.places - first) / step).clip(0, _STEPS)
        words[:, 3] = self.codes.astype(np.uint16) + 256 * self.light.astype(np.uint16)
        return words.tobytes(), first.tolist(), step.tolist()

    def net(self, origin: tuple[float, float] = (0.0, 0.0), unit: float = 1.0) -> Net:
        """Return the net below the points: lines where coordinates are round numbers.

        Parameters
        ----------
        origin : tuple of float
            Easting and northing of the sample's zero, m.
        unit : float
            Metres in one unit of the coordinates.
        """
        wide, long, _ = (float(h) for h in self.half)
        mesh = round_length(max(2 * max(wide, long), 1.0) / unit / _LINES_OF_NET)
        lines = []
        for half, middle, zero in zip((wide, long), self.centre[:2], origin, strict=True):
            first = math.ceil((zero + middle - half) / unit / mesh)
            last = math.floor((zero + middle + half) / unit / mesh)
            lines.append([k * mesh * unit - zero - middle for k in range(first, last + 1)])
        return Net((wide, long), lines[0], lines[1], self.floor, mesh)

    def sides(self) -> list[tuple[str, tuple[float, float, float]]]:
        """Return the letters of the four sides, and where they stand: above the ground along each side."""
        wide, long, _ = (float(h) for h in self.half)
        off = 0.06 * max(wide, long)
        x, y, z = self.places.T
        strips = {
            "N": ((0.0, long + off), y > 0.94 * long),
            "E": ((wide + off, 0.0), x > 0.94 * wide),
            "S": ((0.0, -long - off), y < -0.94 * long),
            "W": ((-wide - off, 0.0), x < -0.94 * wide),
        }
        return [
            (name, (*at, float(np.median(z[strip])) if strip.any() else 0.0))
            for name, (at, strip) in strips.items()
        ]


def round_length(length: float) -> float:
    """Return the least of 1, 2, 5, 10, 20, ... that is no shorter.

    >>> round_length(23.0), round_length(50.0), round_length(0.3)
    (50.0, 50.0, 0.5)
    """
    power = 10.0 ** math.floor(math.log10(length))
    return next(power * step for step in (1.0, 2.0, 5.0, 10.0) if power * step >= length * (1 - 1e-9))


def view_points(sample: CloudSample) -> ViewPoints | None:
    """Prepare a sample for the view; None if it has no points.

    Points are left out that lie far outside of where nearly all are that aren't noise: one echo ten
    kilometres up would make a dot of the site.
    """
    xyz = np.column_stack([np.asarray(c, np.float64) for c in (sample.x, sample.y, sample.z)])
    codes = np.asarray(sample.classification, np.uint8)
    finite = np.isfinite(xyz).all(axis=1)
    if not finite.any():
        return None
    noise = kind_of_codes()[codes] == NOISE
    inner = xyz[finite & ~noise] if (finite & ~noise).any() else xyz[finite]
    low, high = np.percentile(inner, _INNER, axis=0)
    further = _FURTHER * float(np.max(high - low)) + 1.0
    within = finite & ((xyz >= low - further) & (xyz <= high + further)).all(axis=1)
    bottom, top = np.percentile(inner[:, 2], _LOW_AND_HIGH)
    middle = (low + high) / 2
    centre = (float(middle[0]), float(middle[1]), float(middle[2]))
    places = (xyz[within] - centre).astype(np.float32)
    spacing = _spacing(places, ~noise[within])
    return ViewPoints(
        places,
        codes[within],
        _light(places, ~noise[within], spacing),
        centre,
        (float(bottom) - centre[2], float(top) - centre[2]),
        spacing,
        len(xyz) - int(within.sum()),
        (high - low) / 2,
    )


def _spacing(places: NDArray[np.float32], counted: NDArray[np.bool_]) -> float:
    """Return how far points lie apart in plan, from how many there are and the cells that hold some, m."""
    points = places[counted] if counted.any() else places
    wide = float(np.ptp(points[:, :2], axis=0).max())
    # Cells of some thirty points: with far fewer, chance would leave many of them empty.
    cell = max(wide / max(math.sqrt(len(points) / 30.0), 1.0), 1e-3)
    x, y = np.floor(points[:, :2] / cell).astype(np.int64).T
    cells = np.unique((x - x.min()) * (int(np.ptp(y)) + 1) + (y - y.min()))
    return math.sqrt(len(cells) * cell * cell / len(points))


def _light(places: NDArray[np.float32], counted: NDArray[np.bool_], spacing: float) -> NDArray[np.uint8]:
    """Return how brightly each point is lit, 0 to 255, by the slope of the lowest points around it."""
    light = np.full(len(places), _NEUTRAL, np.uint8)
    if counted.sum() < 3:
        return light
    cell = 2.0 * spacing
    columns = np.floor((places[:, :2] - places[:, :2].min(axis=0)) / cell).astype(np.int64)
    shape = columns.max(axis=0) + 3
    if shape[0] * shape[1] > 50 * len(places) + 1000:
        return light
    at = (columns[:, 0] + 1, columns[:, 1] + 1)
    lowest = np.full(shape, np.inf, np.float32)
    np.minimum.at(lowest, (at[0][counted], at[1][counted]), places[counted, 2])
    nearest = ndimage.distance_transform_edt(np.isinf(lowest), return_distances=False, return_indices=True)
    surface = ndimage.gaussian_filter(ndimage.median_filter(lowest[tuple(nearest)], 3), 0.7)
    east, north = np.gradient(surface, cell)
    # Light from the north-west, 45 degrees high: people read relief the right way round under it. Slopes are
    # exaggerated, so that gentle ground has shades too.
    east, north = 1.6 * east, 1.6 * north
    bright = (east - north + math.sqrt(2.0)) / (2.0 * np.sqrt(1.0 + east**2 + north**2))
    shade = np.clip(_NEUTRAL + (bright - math.sqrt(0.5)) * 300.0, 0, 255)
    stands = places[:, 2] - surface[at] > _STANDS_ABOVE
    return np.where(stands, _NEUTRAL, shade[at]).astype(np.uint8)


def kinds_shown(codes: NDArray[np.uint8]) -> list[tuple[int, list[int]]]:
    """Return the kinds of points that a legend must explain, each with the class codes that are there."""
    kinds = kind_of_codes()
    there = np.unique(codes)
    shown = [(kind, [int(c) for c in there if kinds[c] == kind]) for kind in range(len(KINDS))]
    return [(kind, found) for kind, found in shown if found]
