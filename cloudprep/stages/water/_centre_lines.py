"""The centre line of a long polygon: the longest way through its medial axis."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import scipy  # its parts are loaded when they are first used
import shapely

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Corners of the shore that the axis is made from, at most.
_MOST_CORNERS = 60_000
_LEAST_CORNERS = 60
# How far from its ends, in mean widths, the axis still runs into corners instead of along the course.
_ENDS = 0.75
_SMOOTH = 1.0
_MOST_STATIONS = 40_000


def centre_line(shell: shapely.Polygon) -> Floats:
    """Return a line along the middle of a polygon, from beyond one end to beyond the other.

    Parameters
    ----------
    shell : shapely.Polygon
        Its holes don't count: a river's line runs across its islands.

    Returns
    -------
    ndarray of float64, shape (m, 2)
        Local metres, two corners or more. It starts at the end with the smaller x (then y). Within the
        polygon it is as long as the polygon.

    Notes
    -----
    The medial axis as the part of the Voronoi diagram of the densified shore that lies inside (Attali and
    Montanvert 1997, Computing and simplifying 2D and 3D continuous skeletons, Comput. Vis. Image Underst.
    67:261-273). The longest of its shortest ways is the course: ends that run into corners are cut, the rest
    is smoothed over one mean width and prolonged straight to the shore.
    """
    ring = shapely.Polygon(shell.exterior)
    half, area = ring.length / 2, ring.area
    # Of a rectangle with this area and perimeter.
    width = (
        area / max(half, 1e-9) if half * half <= 4 * area else (half - np.sqrt(half * half - 4 * area)) / 2
    )
    axis = _axis(ring, width)
    if axis is None:
        return _middle_of_the_box(ring)
    length = float(np.hypot(*np.diff(axis, axis=0).T).sum())
    width = area / max(length + width, 1e-9)
    cut = min(_ENDS * width, length / 4)
    step = max(width / 4, length / _MOST_STATIONS, 1e-6)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(axis, axis=0).T))])
    count = max(2, int(np.ceil((length - 2 * cut) / step)) + 1)
    at = np.linspace(cut, length - cut, count)
    line = np.c_[np.interp(at, along, axis[:, 0]), np.interp(at, along, axis[:, 1])]
    line = _smooth(line, round(_SMOOTH * width / step))
    line = _prolonged(line, ring, width)
    return line if tuple(line[0]) <= tuple(line[-1]) else np.ascontiguousarray(line[::-1])


def _axis(ring: shapely.Polygon, width: float) -> Floats | None:
    """Return the longest of the shortest ways along the medial axis; None where there is none."""
    spacing = min(max(width / 3, ring.length / _MOST_CORNERS), ring.length / _LEAST_CORNERS)
    shore = shapely.get_coordinates(shapely.segmentize(ring.exterior, spacing))[:-1]
    middle = shore.mean(axis=0)
    try:
        diagram = scipy.spatial.Voronoi(shore - middle)
    except (scipy.spatial.QhullError, ValueError):
        return None
    corners = diagram.vertices
    pairs = np.asarray(diagram.ridge_vertices, np.int64)
    pairs = pairs[(pairs >= 0).all(axis=1)]
    shapely.prepare(ring)
    inside = shapely.contains_xy(ring, corners[:, 0] + middle[0], corners[:, 1] + middle[1])
    pairs = pairs[inside[pairs].all(axis=1)]
    if len(pairs) == 0:
        return None
    ends = corners[pairs] + middle
    within = shapely.contains_properly(ring, shapely.linestrings(ends))
    pairs = pairs[within]
    if len(pairs) == 0:
        return None
    apart = np.maximum(np.hypot(*(corners[pairs[:, 0]] - corners[pairs[:, 1]]).T), 1e-9)
    n = len(corners)
    graph = scipy.sparse.coo_array((apart, (pairs[:, 0], pairs[:, 1])), shape=(n, n)).tocsr()
    _, part = scipy.sparse.csgraph.connected_components(graph, directed=False)
    weight = np.bincount(part[pairs[:, 0]], weights=apart)
    start = int(pairs[part[pairs[:, 0]] == int(np.argmax(weight)), 0].min())
    first = _farthest(graph, start)[0]
    last, before = _farthest(graph, first)
    way = [last]
    while way[-1] != first:
        way.append(int(before[way[-1]]))
    found = corners[way] + middle
    return found if len(found) > 1 else None


def _farthest(graph: Any, start: int) -> tuple[int, NDArray[np.int32]]:
    far, before = scipy.sparse.csgraph.dijkstra(graph, False, np.array(start), True)
    far = np.where(np.isfinite(far), far, -1.0)
    return int(np.argmax(far)), before


def _smooth(line: Floats, half: int) -> Floats:
    """Return a line whose corners are means over as many to both sides; the ends stay."""
    if half < 1 or len(line) < 3:
        return line
    total = np.concatenate([np.zeros((1, 2)), np.cumsum(line - line[0], axis=0)])
    i = np.arange(len(line))
    reach = np.minimum(half, np.minimum(i, len(line) - 1 - i))
    smooth: Floats = line[0] + (total[i + reach + 1] - total[i - reach]) / (2 * reach + 1)[:, None]
    return smooth


def _prolonged(line: Floats, ring: shapely.Polygon, width: float) -> Floats:
    """Return a line that goes on straight at both ends until it leaves the polygon."""
    ends = []
    for corners in (line, line[::-1]):
        back = corners[min(len(corners) - 1, max(1, round(2 * _SMOOTH * 4)))]
        way = corners[0] - back
        size = float(np.hypot(*way))
        if size <= 0:
            ends.append(corners[:0])
            continue
        ray = shapely.LineString([corners[0], corners[0] + way / size * (4 * width + 1.0)])
        inside = shapely.get_parts(shapely.intersection(ray, ring))
        reach = [
            float(p.length)
            for p in inside
            if p.geom_type == "LineString" and shapely.distance(p, shapely.Point(corners[0])) < 1e-6
        ]
        ends.append((corners[0] + way / size * max([*reach, 1e-3]))[None])
    return np.ascontiguousarray(np.concatenate([ends[0], line, ends[1]]))


def _middle_of_the_box(ring: shapely.Polygon) -> Floats:
    """Return the longer middle line of the smallest turned rectangle around a polygon."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(ring))
    if len(box) < 5:
        bounds = shapely.bounds(ring)
        return np.array([bounds[:2], bounds[2:]])
    a, b = (box[0] + box[1]) / 2, (box[2] + box[3]) / 2
    c, d = (box[1] + box[2]) / 2, (box[3] + box[0]) / 2
    line = np.array([a, b]) if np.hypot(*(a - b)) >= np.hypot(*(c - d)) else np.array([c, d])
    return line if tuple(line[0]) <= tuple(line[-1]) else line[::-1].copy()
