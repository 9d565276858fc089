"""The cloud as a still picture in perspective: for print, and where nothing can be turned.

It is drawn as the page's script draws it: round points in order of their distance, darkened by how far they
lie behind their neighbours in the picture, which is eye-dome lighting (Boucheny 2009, "Visualisation
scientifique de grands volumes de données: pour une approche perceptive").
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image

from cloudprep.kernels.discs import paint_discs
from cloudprep.reporting.colours import KINDS, NOISE, code_colours, kind_of_codes, rgb_of
from cloudprep.reporting.view3d_points import kinds_shown

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.reporting.view3d_points import Net, ViewPoints

ANGLE_OF_VIEW = math.radians(32.0)
ABOVE, BELOW = (0.84, 0.87, 0.895), (0.67, 0.715, 0.755)
_INK = (0.16, 0.22, 0.28)
# The share of the picture's width or height that the site takes at first.
FILLED = 0.94
_FINE = 2
_STRENGTH = 28.0
# Of a point, in pixels of the picture before it is made smaller.
_LARGEST_RADIUS, _NOISE_RADIUS = 4.5 * _FINE, 2.0 * _FINE
_NEARLY_ALL = 6
_BEHIND = 40
# Rows of the picture at a time: what is worked out on the way stays small.
_ROWS = 124


@dataclass(frozen=True)
class Camera:
    """A camera that looks at the middle of the view.

    Parameters
    ----------
    turn, tilt : float
        The bearing that it looks to, clockwise from north, and how far down; radians.
    target : tuple of float
        What it looks at, m from the view's centre.
    distance : float
        From there, m.
    """

    turn: float
    tilt: float
    target: tuple[float, float, float] = (0.0, 0.0, 0.0)
    distance: float = 0.0

    @property
    def axes(self) -> NDArray[np.float64]:
        """The directions to the right, up and back to the camera."""
        s, c = math.sin(self.turn), math.cos(self.turn)
        t, u = math.sin(self.tilt), math.cos(self.tilt)
        return np.array([[c, -s, 0.0], [s * t, c * t, u], [-s * u, -c * u, t]])

    def along(self, places: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
        """Return how far places lie to the right of, above and before the target, m, shape (3, n)."""
        return self.axes @ (places.astype(np.float64) - self.target).T

    def seen(
        self, places: NDArray[np.floating[Any]], width: int, height: int
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return columns and rows (pixels) and distances (m, along the line of sight) of places."""
        right, up, back = self.along(places)
        depth = self.distance - back
        scale = height / (2.0 * math.tan(ANGLE_OF_VIEW / 2))
        with np.errstate(divide="ignore", invalid="ignore"):
            return width / 2 + scale * right / depth, height / 2 - scale * up / depth, depth

    def with_all(self, rim: NDArray[np.float64], width: int, height: int) -> Camera:
        """Return this camera as near as it can be with a rim's points all in the picture, in its middle."""
        tall = math.tan(ANGLE_OF_VIEW / 2) * FILLED
        wide = tall * width / height
        camera = self
        for _ in range(6):
            right, up, back = camera.along(rim)
            distance = float((np.maximum(np.abs(right) / wide, np.abs(up) / tall) + back).max())
            spots = np.stack([right, up]) / (distance - back)
            middle = distance * (spots.min(axis=1) + spots.max(axis=1)) / 2
            moved = np.array(camera.target) + middle @ self.axes[:2]
            camera = replace(camera, target=tuple(moved.tolist()), distance=distance)
        return camera


# From the south-south-west, and well above.
FIRST_CAMERA = Camera(math.radians(24.0), math.radians(34.0))


def still_picture(points: ViewPoints, net: Net, width: int = 1100, height: int = 620) -> bytes:
    """Draw the points in the colours of their classes.

    Parameters
    ----------
    points : ViewPoints
        What to draw.
    net : Net
        What lies below it.
    width, height : int
        Pixels.

    Returns
    -------
    bytes
        A PNG file.
    """
    wide, tall = _FINE * width, _FINE * height
    camera = FIRST_CAMERA.with_all(points.rim(), wide, tall)
    column, row, depth = camera.seen(points.places, wide, tall)
    noise = kind_of_codes()[points.codes] == NOISE
    scale = tall / (2.0 * math.tan(ANGLE_OF_VIEW / 2))
    radius = np.clip(0.5 * 1.45 * points.spacing * scale / depth, 0.9 * _FINE, _LARGEST_RADIUS)
    radius = np.where(noise, np.maximum(radius, _NOISE_RADIUS), radius)
    # Colours apart from each other: whole planes are quicker to work on than pixels of three.
    image = np.zeros((3, tall, wide), np.float32)
    distance = np.full((tall, wide), np.inf, np.float32)
    order = _far_ones_first(column, row, depth, wide, tall)
    paint_discs(image, distance, _colours(points, noise), column, row, depth, radius, order)
    for gap in range(1, 4):
        _fill_gaps(image, distance, gap * _FINE)
    drawn = np.isfinite(distance)
    image *= _shade(distance)
    rows = np.linspace(0.0, 1.0, tall, dtype=np.float32)
    net_drawn = _net(net, camera, wide, tall)
    picture = np.empty((height, width, 3), np.uint8)
    for k in range(3):
        level = (1 - rows) * np.float32(ABOVE[k]) + rows * np.float32(BELOW[k])
        behind = np.repeat(level[:, np.newaxis], wide, axis=1)
        behind[net_drawn] = 0.56 * behind[net_drawn] + 0.44 * np.float32(_INK[k])
        picture[:, :, k] = _smaller(np.where(drawn, image[k], behind))
    file = io.BytesIO()
    few = Image.fromarray(picture).quantize(palette=_palette(points), dither=Image.Dither.NONE)
    few.save(file, "PNG", optimize=True)
    return file.getvalue()


def _palette(points: ViewPoints) -> Image.Image:
    """Return 256 colours: each class's from dark to bright, and what is behind.

    A palette found from the picture's own pixels would drop what is rare, water in a quarry, say.
    """
    kinds = [rgb_of(KINDS[kind].colour) for kind, _ in kinds_shown(points.codes)]
    behind = np.linspace(ABOVE, BELOW, _BEHIND) * 255
    levels = np.linspace(0.16, 1.1, (256 - _BEHIND) // len(kinds))
    shades = np.concatenate([np.outer(levels, kind) for kind in kinds] + [behind])
    filled = np.resize(np.rint(np.clip(shades, 0, 255)).astype(np.uint8), (256, 3))
    palette = Image.new("P", (1, 1))
    palette.putpalette(filled.tobytes())
    return palette


def _colours(points: ViewPoints, noise: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return each point's colour, lit by the slope it lies on and a little by its height, 0 to 1."""
    colours = code_colours()[points.codes].astype(np.float32) / 255
    low, high = points.heights
    share = np.clip((points.places[:, 2] - low) / max(high - low, 1e-3), 0.0, 1.0)
    lit = (0.90 + 0.16 * share) * (0.62 + 0.52 * points.light.astype(np.float32) / 255)
    lit = np.where(noise, 1.0, lit).astype(np.float32)
    result: NDArray[np.float32] = colours * lit[:, np.newaxis]
    return result


def _far_ones_first(
    column: NDArray[np.float64], row: NDArray[np.float64], depth: NDArray[np.float64], wide: int, tall: int
) -> NDArray[np.int64]:
    """Return the points that may show in the picture, so that near ones are painted over far ones."""
    rim = _LARGEST_RADIUS * 2
    good = (depth > 0) & (column > -rim) & (column < wide + rim) & (row > -rim) & (row < tall + rim)
    order = np.flatnonzero(good)
    return order[np.argsort(-depth[order], kind="stable")]


def _smaller(image: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return one colour of the picture with each pixel the mean of four, 0 to 255."""
    fours = [image[down::_FINE, across::_FINE] for down in range(_FINE) for across in range(_FINE)]
    mean = sum(fours[1:], fours[0]) / (_FINE * _FINE)
    return np.rint(np.clip(mean, 0, 1) * 255).astype(np.uint8)


def _fill_gaps(image: NDArray[np.float32], distance: NDArray[np.float32], gap: int) -> None:
    """Fill pixels that have points nearly all around them with what is nearest to the eye there."""
    tall, wide = distance.shape
    ways = [(a * gap, b * gap) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b]
    drawn = np.pad(np.isfinite(distance), gap)
    around = np.zeros((tall, wide), np.uint8)
    for a, b in ways:
        around += drawn[gap + a : gap + a + tall, gap + b : gap + b + wide]
    rows, columns = np.nonzero((around >= _NEARLY_ALL) & np.isinf(distance))
    if not len(rows):
        return
    # The nearest so far, way by way: all of them at once would take as much as the picture several times.
    least = np.full(len(rows), np.inf, np.float32)
    best = np.zeros(len(rows), np.uint8)
    for way, (a, b) in enumerate(ways):
        there = distance[np.clip(rows + a, 0, tall - 1), np.clip(columns + b, 0, wide - 1)]
        nearer = there < least
        best[nearer], least[nearer] = way, there[nearer]
    up, right = np.array(ways).T
    r = np.clip(rows + up[best], 0, tall - 1)
    c = np.clip(columns + right[best], 0, wide - 1)
    for plane in (*image, distance):
        plane[rows, columns] = plane[r, c]


def _shade(distance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how dark each pixel is, 0 to 1, by how far it lies behind the eight around it."""
    reach = round(1.3 * _FINE)
    shade = np.empty_like(distance)
    for first in range(0, len(distance), _ROWS):
        rows = slice(max(0, first - reach), first + _ROWS + reach)
        shade[first : first + _ROWS] = _strip_shade(distance[rows], reach)[first - rows.start :][:_ROWS]
    return shade


def _strip_shade(distance: NDArray[np.float32], reach: int) -> NDArray[np.float32]:
    """Return the same of some rows; those within reach of the first and the last know too little."""
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = np.log2(distance)
        padded = np.pad(depth, reach, mode="edge")
        tall, wide = depth.shape
        total, behind = np.zeros_like(depth), np.empty_like(depth)
        for up in (0, reach, 2 * reach):
            for right in (0, reach, 2 * reach):
                if up == right == reach:
                    continue
                np.subtract(depth, padded[up : up + tall, right : right + wide], out=behind)
                np.fmax(behind, 0.0, out=behind)  # also of what isn't a number: nothing there, or beside it
                total += np.minimum(behind, 0.02, out=behind)
    shade: NDArray[np.float32] = (0.28 + 0.72 * np.exp(-_STRENGTH * total)).astype(np.float32)
    return shade


def _net(net: Net, camera: Camera, wide: int, tall: int) -> NDArray[np.bool_]:
    """Return the pixels of the net below the points."""
    (half_x, half_y), share = net.half, np.linspace(-1.0, 1.0, 2 * max(tall, wide))
    lines = [(np.full_like(share, x), share * half_y) for x in (-half_x, *net.across, half_x)]
    lines += [(share * half_x, np.full_like(share, y)) for y in (-half_y, *net.along, half_y)]
    x, y = np.concatenate(lines, axis=1)
    column, row, depth = camera.seen(np.column_stack([x, y, np.full_like(x, net.floor)]), wide, tall)
    inside = (depth > 0) & (column >= 0) & (column < wide) & (row >= 0) & (row < tall)
    touched = np.zeros((tall, wide), bool)
    touched[row[inside].astype(np.int64), column[inside].astype(np.int64)] = True
    return touched
