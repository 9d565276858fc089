"""Which points lie under surfaces that are seen all around: the rules of ``buried_points``."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.columns_above import (
    Surface,
    all_above,
    ceilings,
    level_around,
    seen_around,
    supported,
    under,
    wider_around,
)
from cloudprep.kernels.columns_gathered import LEVEL, STEEP, Smooth, gathered, set_tolerances, surface_of
from cloudprep.kernels.columns_hollow import under_planes
from cloudprep.kernels.columns_near import near_any
from cloudprep.kernels.columns_sorted import sorted_columns, surplus, thinned
from cloudprep.model.bounds import EVERYWHERE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.kernels.columns_above import Seen
    from cloudprep.model.points import Points
    from cloudprep.stages.base import Context

    Floats = NDArray[np.float64]
    Singles = NDArray[np.float32]
    Mask = NDArray[np.bool_]
    Counts = NDArray[np.int32]
    Rows = NDArray[np.int64]

# A neighbourhood lies smoothly up to so many times the noise of surfaces, within these shares of the spacing;
# it spreads at least so much along the plane, and its points are no farther apart than so many spacings.
_SMOOTH_NOISE = 2.5
_SMOOTH_SPACINGS = (0.15, 0.45)
_SMOOTH_SPREAD = 1.5
_SMOOTH_APART = 3.5
# Steeper planes (upward part of the normal) say nothing of heights.
_LEVEL = 0.35
# Trusted are smooth points with so many in their plane, itself included, within this times the radius; off it
# by no more than this share of the spacing or times the noise, and by so much for each metre away.
_SUPPORT = 24
_SUPPORT_RADII = 3.6
_SUPPORT_SPACINGS = 0.3
_SUPPORT_NOISE = 3.0
_SUPPORT_SLOPE = 0.05
# No surface needs more points in a column of the radius.
_MOST = 48
# Above: by so many times the noise, and the surface's own roughness.
_ABOVE_NOISE = 8.0
_ABOVE_ROUGHNESS = 6.0
_ABOVE_LEAST = 4
_ABOVE_SHARE = 0.4
_ABOVE_LEVEL = 1.5
_SOLID_SHARE = 0.35
# What is trusted is hidden if so large a share of what is level with it near by is: asked so many times.
_HIDDEN_SHARE = 0.5
_HIDDEN_STEPS = 3
# A clump or a mirror image is buried to its rim: so many points found, and such a share of all that lie level
# with a point (within so many times the depth), take it along; asked so many times.
_GROW_LEAST = 4
_GROW_SHARE = 0.5
_GROW_DEPTHS = 2.0
_GROW_STEPS = 3
# The usual number is at least this share of that at the mean spacing.
_USUAL_LEAST = 0.2
# Looked at farther out, in radii and at least so far (m, past a vehicle that only one line saw): the ground
# that goes on. Sparse places are looked at by the radii alone. Points of any kind, level or below, are fewer.
_WIDE_RADII = 4.0
_WIDE_LEAST = 3.0
# So much farther where they lie so deep (m), or little is seen: courts, and tracks between roofs.
_DEEP = 2.0
_DEEP_TIMES = 3.0
_WIDE_LEVEL = 0.02
_WIDE_OTHERS = 0.3
_WIDE_SLOPE = 0.25
_SPARSE_SEEN = 0.1
_SPARSE_ABOVE = 6
_SPARSE_LEVEL = 0.02
_SPARSE_OTHERS = 0.2
_SPARSE_OVER = 4
# Where nothing is right above, a real pit is open to the sky and its floor is seen by more points than these.
_SPARSE_ALONE = 3
# A pit is no deeper than so many spacings.
_PIT_SPACINGS = 3.0
# A hollow lies under the plane of so many surface points around, or more; this share of them agrees on it,
# and points below it are no more than this share of those on it. The middle of those on it near by lies no
# farther away than this share of the radius: beside the wall of a real hollow they lie on one side only.
_HOLLOW_SURFACE = 8
_HOLLOW_AGREEING = 0.5
_HOLLOW_BELOW = 0.25
_HOLLOW_ASIDE = 0.3
# Ditches and gullies go on: what lies below in them is longer (radii) or, where it is more than a few points,
# narrower for its length (standard deviations) than a pit.
_HOLLOW_LENGTH = 1.75
_HOLLOW_FEW = 2
_HOLLOW_ROUND = 0.4
# So many points below, for one surface point above: what is there stands on the ground, as walls do.
_DEEPER = 0.3
# Mean distance to ten neighbours spread evenly in a plane: two thirds of that to the tenth.
_TENTH = 1.5
_TEN = 10
_NOTHING = np.empty(0, np.float32)
# Columns take room even where there are no points.
_MOST_COLUMNS = 50_000_000


class Measures(NamedTuple):
    """What the site says, and what the user set; m.

    Parameters
    ----------
    spacing : float
        Mean point spacing.
    noise : float
        Noise of surfaces.
    distance : float
        Middling mean distance to ten neighbours on surfaces; infinite without any.
    radius, depth : float
        See the stage's parameters.
    """

    spacing: float
    noise: float
    distance: float
    radius: float
    depth: float

    @property
    def usual(self) -> float:
        """How many points of a surface usually lie within the radius in plan."""
        even = math.pi * (self.radius / self.spacing) ** 2
        seen = _TEN * (self.radius / (_TENTH * self.distance)) ** 2 if self.distance > 0 else math.inf
        return min(even, max(_USUAL_LEAST * even, seen))


def buried_reach(radius: float) -> float:
    """Return how far (m) a verdict depends on other points."""
    return (
        _DEEP_TIMES * max(_WIDE_RADII * radius, _WIDE_LEAST)
        + (_SUPPORT_RADII + 2.0 + _HIDDEN_STEPS + _GROW_STEPS) * radius
    ) * (1 + 1e-9)


def buried(points: Points, rows: Rows, core: Mask, measures: Measures, context: Context) -> Mask:
    """Tell which points of a block are buried.

    Parameters
    ----------
    points : Points
        The block and its buffer, with their shapes.
    rows : ndarray of int64, shape (n,)
        The usable points, at least one.
    core : ndarray of bool, shape (n,)
        Which of them belong to the block.
    measures : Measures
        Lengths.
    context : Context
        What surrounds the block.

    Returns
    -------
    ndarray of bool, shape (n,)
        For each of the rows.
    """
    return Scene(points, rows, core, measures, context).verdict()


class Scene:
    """A block and the surfaces in it; what is asked for few points is gathered for these only."""

    def __init__(self, points: Points, rows: Rows, core: Mask, measures: Measures, context: Context) -> None:
        self.measures = measures
        self.threads = context.threads
        every = len(rows) == len(points)
        x, y = (points[axis] if every else points[axis][rows] for axis in "xy")
        columns = sorted_columns(x, y, self._edge(context))
        self._order = columns.order
        self._points = points
        # Column by column, so that what lies together is looked at together.
        self._rows = rows[self._order]
        self.columns = columns._replace(order=np.arange(len(rows)))
        places, kind = gathered(
            points["x"], points["y"], points["z"], points["roughness"], points["extent"],
            points["neighbour_distance"], points["normal_z"], self._rows, self._smooth(),
        )  # fmt: skip
        self.x, self.y, self.z = places
        self.core = core[self._order] | self._beside(context)
        self.steep = kind == STEEP
        self.trusted = np.zeros(len(rows), np.bool_)
        self.surface = self._surface(kind == LEVEL)

    def _beside(self, context: Context) -> Mask:
        """Return what lies so near to the block that it takes points of the block along if it is buried."""
        b, more = context.block, _GROW_STEPS * self.measures.radius
        if b == EVERYWHERE:
            return np.ones(len(self.x), np.bool_)
        beside: Mask = (self.x >= b.x0 - more) & (self.x < b.x1 + more)
        beside &= (self.y >= b.y0 - more) & (self.y < b.y1 + more)
        return beside

    def _edge(self, context: Context) -> float:
        """Return the side of columns: the radius, or twice as much where a wide site would take too many."""
        edge = self.measures.radius
        bounds = context.site.bounds
        many = (bounds.width / edge + 3) * (bounds.height / edge + 3) > _MOST_COLUMNS
        return 2 * edge if many else edge

    def _smooth(self) -> Smooth:
        m = self.measures
        least, most = (share * m.spacing for share in _SMOOTH_SPACINGS)
        limit = min(max(_SMOOTH_NOISE * m.noise, least), most)
        return Smooth(limit, _SMOOTH_SPREAD, _SMOOTH_APART * m.spacing, _LEVEL)

    def _surface(self, level: Mask) -> Surface:
        """Return the trusted points, among level ones, with their planes, and note which they are."""
        m = self.measures
        columns = thinned(self.columns, level, self.x, self.y, self.z, _MOST)
        close = max(_SUPPORT_SPACINGS * m.spacing, _SUPPORT_NOISE * m.noise)
        nx, ny, nz = (self._points[f"normal_{axis}"] for axis in "xyz")
        surface = surface_of(columns, self.x, self.y, self.z, self._rows, (nx, ny, nz), close)
        trusted = supported(
            surface, _SUPPORT_RADII * m.radius, _SUPPORT, spread=_SUPPORT_SLOPE, threads=self.threads
        )
        self.trusted[columns.order[trusted]] = True
        if 2 * np.count_nonzero(trusted) > len(trusted):
            surface = surface.far_off(~trusted)
        else:
            surface = surface.take(trusted)
        above = max(m.depth, _ABOVE_NOISE * m.noise)
        set_tolerances(surface, self._rows, self._points["roughness"], _ABOVE_ROUGHNESS, above)
        return surface

    def verdict(self) -> Mask:
        """Return which points are buried, in the order given."""
        usual = self.measures.usual
        near, wide, nearly = self._ceilings()
        # Under no ceiling nothing is buried.
        may_be = self.core & (near | wide) & ~self.trusted & ~self.steep
        # What is trusted counts in the buffer too: what is buried there is no ground for the block either.
        # It sees itself, so it is never one of the sparse. What can't be covered may be, where it is alone.
        far = np.flatnonzero(may_be & ~nearly)
        far = far[self._alone(far)]
        asked = (self.core & (near | wide) & nearly & ~self.trusted) | (self.trusted & near)
        asked[far] = True
        at = np.flatnonzero(asked)
        core, trusted, steep, wide = (values[at] for values in (self.core, self.trusted, self.steep, wide))
        above, level, below, sides, gap = self._seen(self.surface, at)
        enough = max(_ABOVE_LEAST, _ABOVE_SHARE * usual)
        covered = (sides == 4) & (above >= enough)
        # A surface deep under another may be seen through holes in that; with more beneath, it stands.
        lowest = trusted & (above >= level) & (below <= _DEEPER * above)
        lowest &= gap > _PIT_SPACINGS * self.measures.spacing
        holed = lowest & (sides == 4) & (above >= _ABOVE_LEAST)
        hidden = self._hidden(at, (trusted & covered) | holed, lowest, level)
        sheet = core & covered & trusted & (above >= level)
        loose = core & hidden & ~covered
        open_surface = self._without(at[hidden])
        # What is level with a point and buried itself is no ground.
        again = np.flatnonzero(core & covered & ~trusted & (level > 0))
        if len(again):
            seen = self._seen(open_surface, at[again])
            level[again], below[again] = seen.level, seen.below
        free = ~trusted & ~steep
        single = (
            core & covered & free & (above >= _ABOVE_LEVEL * level) & (level + below < _SOLID_SHARE * usual)
        )
        little = np.where(
            sides == 4, (level + below <= _SPARSE_SEEN * usual) & (above < enough), level + below == 0
        )
        sparse = core & wide & ~covered & free & little
        suspect = np.flatnonzero(sheet | loose | single | sparse)
        rows = at[suspect]
        deep = (gap[suspect] > _DEEP) | sparse[suspect]
        every = Surface(self.columns, self.x, self.y, self.z, _NOTHING, _NOTHING, _NOTHING)
        every = every.far_off(surplus(self.columns, self.x, self.y, self.z, _MOST))
        stays = self._stays(rows, sheet[suspect], loose[suspect], sparse[suspect], deep, open_surface, every)
        found = np.zeros(len(self.x), np.bool_)
        found[rows[stays]] = True
        rest = np.flatnonzero(may_be & ~found)
        found[rest[self._in_hollow(rest, every)]] = True
        self._grow(found, self.core & near & ~self.steep)
        result = np.empty_like(found)
        result[self._order] = found
        return result

    def _in_hollow(self, rows: Rows, every: Surface) -> Mask:
        """Tell which points lie in a shallow hollow, over which the plane of the surfaces around goes on."""
        if len(rows) == 0:
            return np.zeros(0, np.bool_)
        m = self.measures
        x, y, z = (values[rows] for values in (self.x, self.y, self.z))
        seen = under_planes(
            self.surface,
            every,
            x,
            y,
            z,
            _WIDE_RADII * m.radius,
            m.radius,
            least=_HOLLOW_SURFACE,
            depths=(max(m.depth, _ABOVE_NOISE * m.noise), _PIT_SPACINGS * m.spacing),
            threads=self.threads,
        )
        found: Mask = (
            (seen.agreeing >= _HOLLOW_AGREEING)
            & (seen.sides == 4)
            & (seen.aside <= _HOLLOW_ASIDE * m.radius)
            & ((seen.below <= _HOLLOW_FEW) | (seen.width >= _HOLLOW_ROUND * seen.length))
            & (seen.length <= _HOLLOW_LENGTH * m.radius)
            & (seen.below <= _HOLLOW_BELOW * seen.on)
        )
        return found

    def _grow(self, found: Mask, allowed: Mask) -> None:
        """Add to what is found the points that lie level with it and with hardly anything else."""
        m = self.measures
        asked, new = np.flatnonzero(allowed & ~found), np.flatnonzero(found)
        # In single precision, as tolerances of surfaces are.
        step = float(np.float32(_GROW_DEPTHS * m.depth))
        for _ in range(_GROW_STEPS):
            if len(asked) == 0 or len(new) == 0:
                return
            x, y = self.x[asked], self.y[asked]
            # What lies near nothing new was told before.
            rows = asked[near_any(x, y, self.x[new], self.y[new], m.radius)]
            some, every = level_around(self.columns, self.x, self.y, self.z, found, rows, m.radius, step)
            # Each counts itself.
            new = rows[(some >= _GROW_LEAST) & (some >= _GROW_SHARE * (every - 1))]
            found[new] = True
            asked = asked[~found[asked]]

    def _hidden(self, at: Rows, hidden: Mask, asked: Mask, level: Counts) -> Mask:
        """Return what is hidden already, and what of those asked for has more of it level near by than not.

        The rim of a mirror image looks past what hides the rest of it.
        """
        hidden = hidden.copy()
        for _ in range(_HIDDEN_STEPS):
            rows = np.flatnonzero(asked & ~hidden & (level > 1))
            if len(rows) == 0 or not hidden.any():
                break
            # Each counts itself.
            left = self._seen(self._without(at[hidden]), at[rows]).level
            agreed = level[rows] - left > _HIDDEN_SHARE * (level[rows] - 1)
            if not agreed.any():
                break
            hidden[rows[agreed]] = True
        return hidden

    def _seen(self, surface: Surface, rows: Rows) -> Seen:
        x, y, z = (values[rows] for values in (self.x, self.y, self.z))
        return seen_around(surface, x, y, z, self.measures.radius, threads=self.threads)

    def _alone(self, rows: Rows) -> Mask:
        """Tell around which points nothing trusted lies on their level or below."""
        x, y, z = (values[rows] for values in (self.x, self.y, self.z))
        return all_above(self.surface, x, y, z, self.measures.radius, threads=self.threads)

    def _without(self, rows: Rows) -> Surface:
        """Return the trusted points without some of them."""
        return self.surface.without(rows) if len(rows) else self.surface

    def _ceilings(self) -> tuple[Mask, Mask, Mask]:
        """Tell which points may have surfaces above them on all sides: near, farther around, nearly near."""
        m = self.measures
        return under(
            self.columns, self.z, m.depth, ceilings(self.surface, (m.radius, _WIDE_RADII * m.radius))
        )

    def _stays(
        self, rows: Rows, sheet: Mask, loose: Mask, sparse: Mask, deep: Mask, ground: Surface, every: Surface
    ) -> Mask:
        """Tell which of the suspects are buried, from what lies farther around them."""
        if len(rows) == 0:
            return np.zeros(0, np.bool_)
        m = self.measures
        x, y, z = (values[rows] for values in (self.x, self.y, self.z))
        wide = _WIDE_RADII * m.radius
        around = wider_around(
            ground,
            every,
            x,
            y,
            z,
            np.where(sparse, wide, max(wide, _WIDE_LEAST)) * np.where(deep, _DEEP_TIMES, 1.0),
            m.radius,
            spread=_WIDE_SLOPE,
            threads=self.threads,
        )
        closed = around.quadrants == 4
        goes_on = closed & (
            (around.level > _WIDE_LEVEL * around.above) | (around.others > _WIDE_OTHERS * around.above)
        )
        stands = closed & (around.deeper > _DEEPER * around.above)
        alone = (
            closed
            & (around.above >= _SPARSE_ABOVE)
            & (around.level + around.below <= _SPARSE_LEVEL * around.above)
            & (around.others <= _SPARSE_OTHERS * around.above)
            & ((around.over >= _SPARSE_OVER) | (around.others <= _SPARSE_ALONE))
        )
        stays: Mask = np.where(sparse, alone, ~goes_on & (sheet | ~stands) & (closed | ~loose))
        return stays
