"""The ground points of a block on whole steps, and of any other part of the site where that is asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.tin_bins import Bins, binned, usable
from cloudprep.model.bounds import Bounds

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.kernels.tin_points import Frame
    from cloudprep.stages.base import Fetch, Points


class Rectangle(NamedTuple):
    """Inclusive, in steps; infinite where it goes on beyond the site, which holds nothing there."""

    x0: float
    y0: float
    x1: float
    y1: float

    def contains(self, other: Rectangle) -> bool:
        """Tell whether the other one lies wholly inside."""
        return self.x0 <= other.x0 and self.y0 <= other.y0 and self.x1 >= other.x1 and self.y1 >= other.y1

    def common(self, other: Rectangle) -> Rectangle:
        """Return what both cover."""
        low = max(self.x0, other.x0), max(self.y0, other.y0)
        return Rectangle(*low, min(self.x1, other.x1), min(self.y1, other.y1))

    def shifted(self, x: float, y: float) -> NDArray[np.float64]:
        """Return the four sides after a shift."""
        return np.array([self.x0 + x, self.y0 + y, self.x1 + x, self.y1 + y])

    @property
    def unbounded(self) -> bool:
        """Whether it covers the whole site."""
        return bool(np.isinf(self).all())


class GroundPoints:
    """The ground points of a site, of which those of one block are at hand.

    Parameters
    ----------
    points : Points
        The block's points and its buffer.
    buffered : Bounds
        Within these bounds no point of the site is missing among them.
    fetch : callable
        Gives the points of other bounds.
    frame : Frame
        The site's steps.
    chosen : callable
        Gives a mask of its own for points: which of them may be ground.
    threads : int
        Threads to use.
    """

    def __init__(
        self,
        points: Points,
        buffered: Bounds,
        fetch: Fetch,
        frame: Frame,
        chosen: Callable[[Points], NDArray[np.bool_]],
        *,
        threads: int = 1,
    ) -> None:
        self.frame = frame
        self._fetch = fetch
        self._chosen = chosen
        self.used = chosen(points)
        count = usable(points["x"], points["y"], points["z"], self.used, frame)
        self.bins = binned(points["x"], points["y"], self.used, count, frame, threads=threads)
        self.z = points["z"]
        self.known = self._known(buffered)
        self.site = Rectangle(0.0, 0.0, float(frame.columns), float(frame.rows))

    def _known(self, bounds: Bounds) -> Rectangle:
        """Return steps on which no point is missing; a step less than the bounds, against rounding."""
        frame = self.frame
        x0, y0, x1, y1 = frame.bounds
        return Rectangle(
            -np.inf if bounds.x0 <= x0 else np.ceil((bounds.x0 - frame.left) / frame.step) + 1,
            -np.inf if bounds.y0 <= y0 else np.ceil((bounds.y0 - frame.bottom) / frame.step) + 1,
            np.inf if bounds.x1 >= x1 else np.floor((bounds.x1 - frame.left) / frame.step) - 1,
            np.inf if bounds.y1 >= y1 else np.floor((bounds.y1 - frame.bottom) / frame.step) - 1,
        )

    def opened(self, rectangle: Rectangle) -> Rectangle:
        """Return a rectangle whose sides that don't lie within the site are infinite."""
        site = self.site
        return Rectangle(
            -np.inf if rectangle.x0 <= site.x0 else np.floor(rectangle.x0),
            -np.inf if rectangle.y0 <= site.y0 else np.floor(rectangle.y0),
            np.inf if rectangle.x1 >= site.x1 else np.ceil(rectangle.x1),
            np.inf if rectangle.y1 >= site.y1 else np.ceil(rectangle.y1),
        )

    def within(
        self, rectangle: Rectangle
    ) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.float64]]:
        """Return columns, rows (steps), and for each point where its height stands in the last array."""
        if self.known.contains(rectangle):
            return (*self.bins.within(*rectangle), self.z)
        frame = self.frame
        x0, y0, x1, y1 = frame.bounds
        more = 2 * frame.step
        bounds = Bounds(
            max(frame.left + rectangle.x0 * frame.step - more, x0),
            max(frame.bottom + rectangle.y0 * frame.step - more, y0),
            min(frame.left + rectangle.x1 * frame.step + more, x1),
            min(frame.bottom + rectangle.y1 * frame.step + more, y1),
        )
        points = self._fetch(bounds)
        used = self._chosen(points)
        count = usable(points["x"], points["y"], points["z"], used, frame)
        bins: Bins = binned(points["x"], points["y"], used, count, frame)
        return (*bins.within(*rectangle), points["z"])
