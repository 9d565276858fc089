"""Whether two groups of points come within a distance of each other: exact, and quick for large groups."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.kernels.compiling import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Up to so many pairs are simply tried.
_FEW_PAIRS = 64


@njit(nogil=True, cache=True)
def fill_box(x: Floats, y: Floats, z: Floats, first: int, last: int, box: Floats) -> None:
    """Write lowest x, y, z and highest x, y, z of a run of points to ``box``."""
    box[0] = box[3] = x[first]
    box[1] = box[4] = y[first]
    box[2] = box[5] = z[first]
    for i in range(first + 1, last):
        box[0] = min(box[0], x[i])
        box[1] = min(box[1], y[i])
        box[2] = min(box[2], z[i])
        box[3] = max(box[3], x[i])
        box[4] = max(box[4], y[i])
        box[5] = max(box[5], z[i])


@njit(nogil=True, cache=True)
def nearest_squared(a: Floats, b: Floats) -> float:
    """Return the squared distance between two boxes: no pair of their points is nearer, rounding included."""
    dx = max(a[0] - b[3], b[0] - a[3], 0.0)
    dy = max(a[1] - b[4], b[1] - a[4], 0.0)
    dz = max(a[2] - b[5], b[2] - a[5], 0.0)
    squared: float = dx * dx + dy * dy + dz * dz
    return squared


@njit(nogil=True, cache=True)
def farthest_squared(a: Floats, b: Floats) -> float:
    """Return the largest squared distance across two boxes: no pair of their points is farther apart."""
    dx = max(a[3] - b[0], b[3] - a[0])
    dy = max(a[4] - b[1], b[4] - a[1])
    dz = max(a[5] - b[2], b[5] - a[2])
    squared: float = dx * dx + dy * dy + dz * dz
    return squared


@njit(nogil=True, cache=True)
def have_close_pair(
    x: Floats, y: Floats, z: Floats, a0: int, a1: int, b0: int, b1: int, squared_distance: float
) -> bool:
    """Tell whether two runs of points hold a pair at no more than a distance.

    Boxes decide where they can; where they can't, the larger one is cut in two and both halves are looked at.

    Parameters
    ----------
    x, y, z : ndarray of float64, shape (n,)
        Coordinates; points may be reordered inside each run.
    a0, a1, b0, b1 : int
        The runs, half-open; they don't overlap and hold at least a point each.
    squared_distance : float
        Squared distance that still counts as close.
    """
    if (a1 - a0) * (b1 - b0) <= _FEW_PAIRS:
        return _try_pairs(x, y, z, a0, a1, b0, b1, squared_distance)
    return _halve_boxes(x, y, z, a0, a1, b0, b1, squared_distance)


@njit(nogil=True, cache=True)
def _try_pairs(
    x: Floats, y: Floats, z: Floats, a0: int, a1: int, b0: int, b1: int, squared_distance: float
) -> bool:
    """Tell whether any pair is close, by trying all of them."""
    for i in range(a0, a1):
        for j in range(b0, b1):
            dx = x[i] - x[j]
            dy = y[i] - y[j]
            dz = z[i] - z[j]
            if dx * dx + dy * dy + dz * dz <= squared_distance:
                return True
    return False


@njit(nogil=True, cache=True)
def _halve_boxes(
    x: Floats, y: Floats, z: Floats, a0: int, a1: int, b0: int, b1: int, squared_distance: float
) -> bool:
    """Tell whether any pair is close, by cutting the larger box in two until boxes decide."""
    box_a = np.empty(6)
    box_b = np.empty(6)
    todo = np.empty((256, 4), np.int64)
    todo[0, 0] = a0
    todo[0, 1] = a1
    todo[0, 2] = b0
    todo[0, 3] = b1
    top = 1
    while top > 0:
        top -= 1
        a0 = todo[top, 0]
        a1 = todo[top, 1]
        b0 = todo[top, 2]
        b1 = todo[top, 3]
        if (a1 - a0) * (b1 - b0) <= _FEW_PAIRS:
            if _try_pairs(x, y, z, a0, a1, b0, b1, squared_distance):
                return True
            continue
        fill_box(x, y, z, a0, a1, box_a)
        fill_box(x, y, z, b0, b1, box_b)
        if nearest_squared(box_a, box_b) > squared_distance:
            continue
        if farthest_squared(box_a, box_b) <= squared_distance:
            return True
        if _widest(box_a) >= _widest(box_b):
            cut = _cut_in_two(x, y, z, a0, a1, box_a)
            todo[top, 0] = a0
            todo[top, 1] = cut
            todo[top, 2] = b0
            todo[top, 3] = b1
            todo[top + 1, 0] = cut
            todo[top + 1, 1] = a1
            todo[top + 1, 2] = b0
            todo[top + 1, 3] = b1
        else:
            cut = _cut_in_two(x, y, z, b0, b1, box_b)
            todo[top, 0] = a0
            todo[top, 1] = a1
            todo[top, 2] = b0
            todo[top, 3] = cut
            todo[top + 1, 0] = a0
            todo[top + 1, 1] = a1
            todo[top + 1, 2] = cut
            todo[top + 1, 3] = b1
        top += 2
    return False


@njit(nogil=True, cache=True)
def _widest(box: Floats) -> float:
    widest: float = max(box[3] - box[0], box[4] - box[1], box[5] - box[2])
    return widest


@njit(nogil=True, cache=True)
def _cut_in_two(x: Floats, y: Floats, z: Floats, first: int, last: int, box: Floats) -> int:
    """Reorder a run into the lower and the upper half of its box along the widest axis; return the border."""
    values = x
    low, high = box[0], box[3]
    if box[4] - box[1] > high - low:
        values = y
        low, high = box[1], box[4]
    if box[5] - box[2] > high - low:
        values = z
        low, high = box[2], box[5]
    # Neighbouring numbers have no middle; the lower one then still parts them.
    middle = min(0.5 * (low + high), np.nextafter(high, low))
    border = first
    for i in range(first, last):
        if values[i] <= middle:
            x[i], x[border] = x[border], x[i]
            y[i], y[border] = y[border], y[i]
            z[i], z[border] = z[border], z[i]
            border += 1
    return border
