"""The ground surface of a site, fitted to the lowest points that hang together as ground."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import ndimage

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_between import drawn_between
from cloudprep.kernels.ground_cells import gathered
from cloudprep.kernels.ground_decks import decks
from cloudprep.kernels.ground_flanks import flanks, walls
from cloudprep.kernels.ground_growing import Growing, grow
from cloudprep.kernels.ground_hollows import hollows
from cloudprep.kernels.ground_joins import DROP, EDGE, RISE, SMOOTH, island_rims, patches, region_rims, shore
from cloudprep.kernels.ground_pits import level_with_ground, pitched, round_pits
from cloudprep.kernels.ground_pull import Nearness, accept, pull
from cloudprep.kernels.ground_seeds import ROUGHLY, footprint, seeds
from cloudprep.kernels.steepness import steepness
from cloudprep.kernels.thin_plate import SurfaceFitter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints
    from cloudprep.kernels.ground_seeds import Seeds

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


# The ground itself is solved until it changes by less, m.
_CLOSELY = 0.05


class Rules(NamedTuple):
    """The numbers behind the fit: lengths in metres, slopes as rise over run.

    Parameters
    ----------
    window : float
        Radius of the largest opening.
    nearness, slope_share : float
        A lowest point belongs to the surface within ``nearness`` plus ``slope_share`` times its slope.
    stiffness : float
        Of the fitted surface.
    crest_directions : int
        A cell that sticks out of its 10 m in more directions is a plant rather than a crest, and what lies
        above the surface there weighs less ...
    plant_height, plant_slope : float
        ... by this height, plus that share of the slope.
    deep : float
        Where ground is scattered, two points so far below the surface let it down.
    closely : float
        Flanks are looked for where the point spacing is at most so many cells: between few points a balcony
        or a bush before a roof looks the same.
    growing : Growing
        Rules of growing.
    """

    window: float = 18.0
    nearness: float = 0.3
    slope_share: float = 1.0
    stiffness: float = 0.1
    crest_directions: int = 4
    plant_height: float = 0.2
    plant_slope: float = 0.2
    deep: float = 1.0
    closely: float = 0.65
    growing: Growing = Growing()


class Surface(NamedTuple):
    """A ground surface and what speaks for and against it.

    Parameters
    ----------
    column, row : int
        First cell on its lattice.
    cell : float
        Side of a cell, m.
    height : ndarray of float64, shape (rows, columns)
        m, at the cell centres.
    support : ndarray of bool, shape (rows, columns)
        Cells whose lowest point is ground.
    deck : ndarray of bool, shape (rows, columns)
        Cells under a bridge deck.
    heap, wall : ndarray of bool, shape (rows, columns)
        Cells of material that fills a bay, but for its flank, and of the walls around it.
    seeds : Seeds
        What the openings told.
    roughness : float
        Median height difference, over the surface, between neighbouring points of the ground, m.
    overgrown : float
        Lowest points up to 3 m above the ground, as a share of those on it.
    together : float
        Of pairs of neighbouring lowest points with one on the ground, those with both. On open ground and
        between buildings nearly all; in a forest whose ground shows in single points, few.
    tolerance : ndarray of float64, shape (rows, columns), optional
        How far above the surface ground may lie, m, by the noise measured; None where it wasn't.
    """

    column: int
    row: int
    cell: float
    height: NDArray[np.float64]
    support: NDArray[np.bool_]
    deck: NDArray[np.bool_]
    heap: NDArray[np.bool_]
    wall: NDArray[np.bool_]
    seeds: Seeds
    roughness: float
    overgrown: float
    together: float
    tolerance: NDArray[np.float64] | None = None


class Regions(NamedTuple):
    """Cells of patches that continue the ground, of material that fills bays, and of its flanks."""

    found: NDArray[np.bool_]
    heap: NDArray[np.bool_]
    flank: NDArray[np.bool_]


class _Fit:
    """One fit at work: lowest points of the raster's cells, and of wide ones about as wide as the spacing."""

    def __init__(
        self,
        cells: LowestPoints,
        wide: LowestPoints,
        *,
        cell: float,
        side: float,
        spacing: float,
        rules: Rules,
        threads: int = 1,
    ) -> None:
        self.cells, self.wide = cells, wide
        self.cell, self.side, self.spacing, self.rules = cell, side, spacing, rules
        self.threads = threads
        self.left, self.bottom = cells.column * cell, cells.row * cell
        self.near = Nearness(rules.nearness, rules.slope_share, rules.plant_height, rules.plant_slope)
        self.have = wide.have
        fitter = SurfaceFitter(cells.z.shape, threads=threads)
        self.surface = partial(fitter.fit, stiffness=rules.stiffness)
        self.seeds = seeds(
            cells, cell=cell, spacing=spacing, window=rules.window, fitter=fitter, threads=threads
        )
        alike = side == cell and np.array_equal(self.have, cells.have)
        self.inside = (
            self.seeds.inside if alike else footprint(self.have, 3 * spacing / side, threads=threads)
        )
        self.height = self.seeds.surface
        self._known: tuple[Floats, Floats, Flags] | None = None
        # Room for values and weights of fits.
        self.drawn = np.zeros(cells.z.shape), np.zeros(cells.z.shape)
        self.deck, self.heap, self.wall = (np.zeros(cells.z.shape, bool) for _ in range(3))
        rows, columns = cells.z.shape
        # Where the wide cells' points lie on the raster.
        self.across = np.where(self.have, (wide.x - self.left) / cell, 0.5).ravel()
        self.up = np.where(self.have, (wide.y - self.bottom) / cell, 0.5).ravel()
        self.at_column = np.clip(self.across.astype(np.int64), 0, columns - 1).reshape(wide.z.shape)
        self.at_row = np.clip(self.up.astype(np.int64), 0, rows - 1).reshape(wide.z.shape)
        self.at = self.at_row * columns + self.at_column
        self.objects = self.seeds.objects[self.at_row, self.at_column]
        self.plants = self.seeds.plants[self.at_row, self.at_column]
        self.crest = self.seeds.plants <= rules.crest_directions
        own = cells.have
        row, column = (np.ascontiguousarray(places) for places in np.nonzero(own))
        self.own = row, column
        self.own_across = (cells.x[own] - self.left) / cell
        self.own_up = (cells.y[own] - self.bottom) / cell
        self.own_z = cells.z[own]

    def _judged(self) -> tuple[Floats, Flags]:
        """Return heights over the surface of the wide cells' points, and which belong to it."""
        if self._known is None or self._known[0] is not self.height:
            slope, z = steepness(self.height, self.cell, steepest=2.0, threads=self.threads), self.wide.z
            given = self.across, self.up, z.ravel(), self.near
            above, near = accept(self.height, slope, *given, threads=self.threads)
            self._known = self.height, above.reshape(z.shape), near.reshape(z.shape)
        return self._known[1:]

    def residuals(self) -> Floats:
        """Return heights over the surface of the wide cells' points, m; NaN where there is none."""
        return self._judged()[0]

    def accepted(self) -> Flags:
        """Return wide cells whose lowest point belongs to the surface."""
        return self._judged()[1].copy()

    def fit(self, ground: Flags) -> None:
        """Fit the surface to the lowest points of wide cells; without any it stays as it is."""
        if not ground.any():
            return
        values, weights = self.drawn
        weights.fill(0)
        at = self.at[ground]
        weights.reshape(-1)[at] = 1.0
        values.reshape(-1)[at] = self.wide.z[ground]
        self.height = self.surface(values, weights, start=self.height, tolerance=ROUGHLY)

    def refine(self, times: int, last: float = _CLOSELY) -> None:
        """Draw the surface to the lowest points near it, less so where they may be plants.

        ``last`` is the tolerance of the last time, m.
        """
        for k in range(times):
            slope = steepness(self.height, self.cell, steepest=4.0, threads=self.threads)
            given = self.own_across, self.own_up, self.own_z, self.own, self.crest, self.near
            drawn = pull(self.height, slope, *given, into=self.drawn, threads=self.threads)
            if drawn is None:
                return
            tolerance = last if k == times - 1 else ROUGHLY
            self.height = self.surface(*drawn, start=self.height, tolerance=tolerance)

    def islands(self, ground: Flags) -> Flags:
        """Return cells of patches that stand on the ground around them or lie below it."""
        w, side = self.wide, self.side
        label, count = patches(w.x, w.y, w.z, ground, cell=side, step=0.3, rise=1.0, threads=self.threads)
        size = np.bincount(label[label >= 0], minlength=count)
        rim = island_rims(w.z, self.have, label, size, least=1.0)
        length = np.maximum(rim.sum(axis=1), 1.0)
        area = size * side * side
        drops, rises = rim[:, DROP] / length, rim[:, RISE] / length
        bad = (area < 3000.0) & (drops > np.clip(area / 3000.0, 0.05, 0.25))
        # However large: roofs meet the ground around them by drops only.
        met = shore(w.z, self.inside, label, size, least=1.0, rise=0.5 * side)
        contacts = met[:, DROP] + met[:, RISE] + met[:, SMOOTH]
        closed = (contacts >= 0.25 * np.sqrt(size)) & (met[:, EDGE] <= 0.25 * contacts)
        bad |= (met[:, DROP] > 0.8 * contacts) & closed
        # A bench has a face behind it, a roof hasn't.
        bad &= ~((met[:, RISE] >= 0.25 * met[:, DROP]) & (met[:, RISE] > 0) & (area >= 60.0))
        bad |= (area < 40.0) & (rises > 0.2)
        return np.asarray(np.append(bad, False)[label])

    def hollows(self, ground: Flags) -> Flags:
        """Return cells of the ground that lie in a hollow."""
        w = self.wide
        level = hollows(w.x, w.y, w.z, ground, step=0.6, rise=0.4, threads=self.threads)
        return np.asarray(~np.isnan(level))

    def regions(self, ground: Flags, barred: Flags) -> Regions:
        """Return patches that were left out, but continue the ground."""
        w, side = self.wide, self.side
        left_out = self.have & ~ground & ~barred
        label, count = patches(w.x, w.y, w.z, left_out, cell=side, step=0.1, rise=0.8, threads=self.threads)
        if count == 0:
            nothing = np.zeros(ground.shape, bool)
            return Regions(nothing, nothing, nothing)
        rim = region_rims(
            w.x,
            w.y,
            w.z,
            inside=self.inside,
            ground=ground,
            label=label,
            count=count,
            step=0.3,
            rise=0.5,
        )
        own = label[left_out]
        size = np.bincount(own, minlength=count)
        above = np.bincount(own, weights=self.residuals()[left_out], minlength=count) / size
        sticking = np.bincount(own, weights=self.objects[left_out], minlength=count) / size
        crests = np.bincount(own, weights=self.plants[left_out], minlength=count) / size
        area = size * side * side
        contact = np.maximum(rim[:, SMOOTH] + rim[:, DROP] + rim[:, RISE], 1.0)
        whole = np.maximum(rim.sum(axis=1), 1.0)
        joined = (rim[:, SMOOTH] / contact >= 0.8) & (area >= 20.0) & (size >= 4) & (np.abs(above) < 2.5)
        held = (rim[:, RISE] > 0.1 * whole) | (
            (rim[:, RISE] + rim[:, EDGE] > 0.1 * whole) & (np.abs(above) < 4.0)
        )
        # Or it hangs together with the ground somewhere: a roof that sticks out of nothing around, because
        # the data's edge cuts it off, does so nowhere.
        held |= (rim[:, SMOOTH] > 0.15 * whole) | ((rim[:, SMOOTH] > 0.02 * whole) & (area >= 300.0))
        shelf = (sticking <= 0.7) & (area >= 60.0) & (size >= 6) & (np.abs(above) < 30.0)
        shelf &= (rim[:, DROP] < 0.45 * whole) & held
        # Land that the data's edge cuts off, but that hangs together with the ground somewhere.
        edge = (rim[:, EDGE] >= 0.2 * whole) & (rim[:, SMOOTH] >= 0.05 * whole)
        edge &= (sticking <= 2.5) & (area >= 60.0) & (np.abs(above) < 30.0)
        # Ramps and dams fall off on both sides, but go on without a step at their ends, and stick out as
        # crests do: in few directions.
        ramp = (rim[:, SMOOTH] > 0.2 * whole) & (rim[:, DROP] < 0.4 * whole) & (rim[:, EDGE] < 0.1 * whole)
        ramp &= (crests <= self.rules.crest_directions) & (area >= 100.0) & (np.abs(above) < 30.0)
        found = joined | shelf | edge | ramp
        # What nearly nothing around lies below isn't a roof, however it ends: small roofs stick out all
        # around, unless they are steep. Nor is what sticks out here and there only, and goes on without a
        # step somewhere.
        meets = rim[:, SMOOTH] / whole
        flush = (sticking <= 1.2) & (meets >= 0.15) & (area >= 60.0) & (size >= 6)
        flush |= (sticking <= 0.35) & (meets >= 0.1) & (size >= 20)
        # The edge of the data cuts a part of the land off, and of its rim.
        flush |= (sticking <= 1.2) & (meets >= 0.1) & (area >= 200.0) & (rim[:, EDGE] >= 0.1 * whole)
        flush &= (rim[:, DROP] < 0.5 * whole) & (np.abs(above) < 30.0)
        # Strips of a face: the ground above goes on from them, the ground below lies far down. What stands on
        # the ground and meets some of it sticks out of it in most directions.
        flush |= (
            (sticking <= 1.5)
            & (meets >= 0.25)
            & (area >= 20.0)
            & (size >= 8)
            & (rim[:, DROP] <= 0.55 * whole)
            & (np.abs(above) < 30.0)
        )
        found |= flush
        strip = (sticking <= 0.5) & (area >= 40.0) & (area <= 400.0) & (size >= 6) & ~found
        strip &= (rim[:, DROP] < 0.5 * whole) & (np.abs(above) < 30.0)
        found |= strip & ~pitched(w.x, w.y, w.z, label, strip)
        # Land around a pit that the data's edge cuts off all around sticks out of nothing, too.
        cut = (rim[:, EDGE] >= 0.4 * whole) & (sticking <= 1.5) & (area >= 200.0) & (np.abs(above) < 30.0)
        cut &= ~found
        around = round_pits(w.x, w.y, w.z, label, cut, cell=side)
        cut &= ~around
        level = level_with_ground(w.z, label, ground, cut, cell=side)
        found |= around | (level & ~pitched(w.x, w.y, w.z, label, level))
        heap, flank = np.zeros(count, bool), np.zeros(ground.shape, bool)
        if self.spacing <= self.rules.closely * self.cell:
            # Material that was tipped into a bay is level with its walls, as a roof, but loaders go up to it
            # on one side: there it lies at its angle of repose. Crowns bend more.
            met = flanks(w.x, w.y, w.z, ground=ground, label=label, count=count)
            flank = met.on
            up = met.flanks / np.maximum(met.contacts, 1.0)
            # Part of it may be ground already, and go on level.
            heap = (up > 0.1) & (up + 0.5 * rim[:, SMOOTH] / contact > 0.2) & (met.bend < 0.35) & ~found
            heap &= (area >= 60.0) & (size >= 6) & (np.abs(above) < 30.0)
        return Regions(np.append(found, False)[label], np.append(heap, False)[label], flank)

    def fill_bays(self, ground: Flags, heap: Flags, flank: Flags) -> Flags:
        """Take the walls around tipped material out of the surface; return the ground with the material."""
        wall = walls(self.wide.z, ground=ground, heap=heap, flank=flank)
        top = ndimage.binary_dilation(heap, np.ones((3, 3), bool)) & ~flank
        self.heap, self.wall = self._on_cells(top), self._on_cells(wall)
        self.leave_out(self.wall)
        return ground | (heap & ~wall)

    def leave_out(self, cells: Flags) -> None:
        """Don't draw the surface to the points of some of the raster's cells any more."""
        kept = ~cells[self.own]
        self.own = self.own[0][kept], self.own[1][kept]
        self.own_across, self.own_up, self.own_z = self.own_across[kept], self.own_up[kept], self.own_z[kept]

    def without_decks(self, ground: Flags, heap: Flags) -> Flags:
        """Take bridge decks out of the surface, but no material in bays; return the ground that is left."""
        w = self.wide
        deck = decks(w.x, w.y, w.z, ground=ground, inside=self.inside, cell=self.side, threads=self.threads)
        deck &= ~heap
        if not (deck & ground).any():
            return ground
        self.deck = self._on_cells(deck)
        self.leave_out(self.deck)
        ground = ground & ~deck
        self.fit(ground)
        self.refine(2)
        return self.accepted() & ground

    def sink(self, every: LowestPoints, ground: Flags, rounds: int) -> Flags:
        """Let the surface down where points of other cells lie below it; return the ground that is left.

        At the data's edge a wide cell may hold nothing but crowns.
        """
        at = np.nonzero(every.have)
        x, y, z = every.x[at], every.y[at], every.z[at]
        across, up = (x - self.left) / self.cell, (y - self.bottom) / self.cell
        box = 2 * round(self.side / self.cell) + 1
        ground = ground.copy()
        for _ in range(rounds):
            deep = np.zeros(every.z.shape, bool)
            below = z - bilinear(self.height, across, up) < -self.rules.deep
            deep[at[0][below], at[1][below]] = True
            # One alone may be a false low echo.
            deep &= ndimage.uniform_filter(deep.astype(np.float64), box) * box**2 > 1.5
            if not deep.any():
                break
            ground &= ~ndimage.maximum_filter(deep, box)[self.at_row, self.at_column]
            weights = deep.astype(np.float64)
            values = np.where(deep, every.z, 0.0)
            weights[self.at_row[ground], self.at_column[ground]] = 1.0
            values[self.at_row[ground], self.at_column[ground]] = self.wide.z[ground]
            self.height = self.surface(values, weights, tolerance=_CLOSELY)
        return ground

    def run(self, every: LowestPoints | None = None, levels: Sequence[LowestPoints] = ()) -> Surface:
        """Carry the fit out.

        Where wide cells gave the surface alone, ``every`` cell's lowest points let it down, and those of
        cells of some widths between, ``levels``, draw it at last.
        """
        w, rules = self.wide, self.rules
        ground = self.accepted()
        barred = self.islands(ground)
        pits = self.hollows(ground & ~barred)
        barred |= pits
        if barred.any():
            self.fit(ground & ~barred)
        self.refine(2, last=ROUGHLY)
        ground = self.accepted() & ~barred
        candidate = self.have & (self.residuals() > -1.0) & ~barred
        ground = grow(
            w.x,
            w.y,
            w.z,
            candidate,
            ground,
            cell=self.side,
            rounds=2,
            rules=rules.growing,
            threads=self.threads,
        )
        barred = self.islands(ground)
        pits |= self.hollows(ground & ~barred)
        barred |= pits
        ground &= ~barred
        self.fit(ground)
        self.refine(4)
        ground = self.accepted() & ~pits
        regions = self.regions(ground, pits)
        if regions.heap.any():
            ground = self.fill_bays(ground, regions.heap, regions.flank)
        rescued = regions.found | regions.heap
        if rescued.any():
            ground |= regions.found
            self.fit(ground)
            self.crest |= self._on_cells(rescued)
            self.refine(1)
        ground = self.without_decks(ground, regions.heap)
        if every is not None:
            ground = self.sink(every, ground, 4)
        support = np.zeros(self.height.shape, bool)
        support[self.at_row[ground], self.at_column[ground]] = True
        doubts, tolerance = self._doubts(), None
        drawn = drawn_between(
            self.height,
            levels,
            (self.left, self.bottom),
            cell=self.cell,
            surface=self.surface,
            closely=_CLOSELY,
        )
        if drawn is not None:
            self.height, tolerance = drawn
        return Surface(
            self.cells.column,
            self.cells.row,
            self.cell,
            self.height,
            support,
            self.deck,
            self.heap,
            self.wall,
            self.seeds,
            *doubts,
            tolerance,
        )

    def _doubts(self) -> tuple[float, float, float]:
        """Return roughness, overgrown and together; see :class:`Surface`."""
        on, above = self.accepted(), self.residuals()
        beside = np.abs(above[:, 1:] - above[:, :-1])[on[:, 1:] & on[:, :-1]]
        behind = np.abs(above[1:] - above[:-1])[on[1:] & on[:-1]]
        differences = np.concatenate([beside, behind])
        pairs = np.count_nonzero((on[:, 1:] | on[:, :-1]) & self.have[:, 1:] & self.have[:, :-1])
        pairs += np.count_nonzero((on[1:] | on[:-1]) & self.have[1:] & self.have[:-1])
        roughness = float(np.median(differences)) if len(differences) else 0.0
        over = self.have & ~on & (above > 0) & (above < 3.0)
        overgrown = float(np.count_nonzero(over)) / max(1.0, float(np.count_nonzero(on)))
        return roughness, overgrown, len(differences) / pairs if pairs else 1.0

    def _on_cells(self, wide: Flags) -> Flags:
        """Return flags of wide cells on the raster's cells, by their centres."""
        rows, columns = self.height.shape
        x = (np.arange(columns) + 0.5) * self.cell + self.left - self.wide.column * self.side
        y = (np.arange(rows) + 0.5) * self.cell + self.bottom - self.wide.row * self.side
        column = np.clip((x / self.side).astype(np.int64), 0, wide.shape[1] - 1)
        row = np.clip((y / self.side).astype(np.int64), 0, wide.shape[0] - 1)
        return wide[np.ix_(row, column)]


def without_low_groups(
    cells: LowestPoints, wide: LowestPoints, size: int, phase: tuple[int, int], *, threads: int = 1
) -> LowestPoints:
    """Leave out points that lie far below a surface all around them.

    Parameters
    ----------
    cells : LowestPoints
        Of the finest lattice.
    wide : LowestPoints
        The same points in wide cells.
    size : int
        Finest cells along a wide one's side.
    phase : tuple of int
        Shift of the wide lattice, finest cells.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    LowestPoints
        Without the points that lie more than 0.4 m below that surface, cell by wide cell; those given, where
        there are none.
    """
    level = hollows(wide.x, wide.y, wide.z, wide.have, step=0.5, rise=0.3, threads=threads)
    hollow = np.nonzero(~np.isnan(level))
    if not len(hollow[0]):
        return cells
    rows, columns = cells.z.shape
    x, y, z, deepest = cells.x.copy(), cells.y.copy(), cells.z.copy(), level[hollow] - 0.4
    # Hollows are few: cell by cell of the finest lattice in all of them at once.
    row = (hollow[0] + wide.row) * size + phase[1] - cells.row
    column = (hollow[1] + wide.column) * size + phase[0] - cells.column
    for i in range(size):
        for k in range(size):
            r, c = row + i, column + k
            here = (r >= 0) & (r < rows) & (c >= 0) & (c < columns)
            here[here] = z[row[here] + i, column[here] + k] < deepest[here]
            for kept in (x, y, z):
                kept[row[here] + i, column[here] + k] = np.nan
    return cells._replace(x=x, y=y, z=z)


def only_lowest(own: LowestPoints, wide: LowestPoints, times: int) -> LowestPoints:
    """Return the raster's cells without all points but the lowest ones of wide cells.

    Parameters
    ----------
    own, wide : LowestPoints
        Of the raster's cells and of the wide ones, over the same points.
    times : int
        How many of the raster's cells make a wide one.

    Returns
    -------
    LowestPoints
        On the raster.
    """
    rows, columns = own.z.shape
    row = (np.arange(rows) + own.row) // times - wide.row
    column = (np.arange(columns) + own.column) // times - wide.column
    over = np.ix_(row, column)
    kept = (own.x == wide.x[over]) & (own.y == wide.y[over]) & (own.z == wide.z[over])
    x, y, z = (np.where(kept, a, np.nan) for a in (own.x, own.y, own.z))
    return own._replace(x=x, y=y, z=z)


def _seen_from(phase: tuple[int, int], fine: float, found: LowestPoints) -> LowestPoints:
    """Return lowest points as seen from the start of a raster."""
    if phase == (0, 0):
        return found
    return found._replace(x=found.x - phase[0] * fine, y=found.y - phase[1] * fine)


def ground_surface(
    cells: LowestPoints,
    *,
    fine: float,
    wide: int,
    spacing: float,
    phase: tuple[int, int] = (0, 0),
    scattered: bool = False,
    between: Sequence[int] = (),
    rules: Rules | None = None,
    threads: int = 1,
) -> Surface:
    """Fit the ground surface of a site.

    Parameters
    ----------
    cells : LowestPoints
        Of a lattice twice as fine as the surface's raster. At least one cell holds a point.
    fine : float
        Side of these cells, m.
    wide : int
        How many of them make a cell about as wide as the point spacing.
    spacing : float
        Point spacing, m.
    phase : tuple of int
        Columns and rows, in fine cells, by which the surface's raster is shifted.
    scattered : bool
        Ground shows in single points only: leave out all but the lowest points of wide cells (``wide`` must
        then be even).
    between : sequence of int
        Fine cells along the sides of narrower cells whose lowest points draw that surface, widest first.
    rules : Rules, optional
        The numbers behind the fit.
    threads : int
        Threads to use; the result doesn't depend on them.

    Returns
    -------
    Surface
        The surface.
    """
    side = wide * fine
    sizes = (2, wide, *between)
    # Sizes may be the same: each is gathered once, and once more where there were low groups.
    known = {wide: gathered(cells, wide, phase, threads=threads)}
    kept = without_low_groups(cells, known[wide], wide, phase, threads=threads)
    if kept is not cells:
        known.clear()
    lowest = {}
    for size in dict.fromkeys(sizes):
        found = known[size] if size in known else gathered(kept, size, phase, threads=threads)
        lowest[size] = _seen_from(phase, fine, found)
    del cells, kept, known, found  # copies, where there were low groups or the raster is shifted
    own, larger, *narrower = (lowest[size] for size in sizes)
    every = own if scattered else None
    if scattered:
        own = only_lowest(own, larger, wide // 2)
    rules = rules or Rules()
    fit = _Fit(own, larger, cell=2 * fine, side=side, spacing=spacing, rules=rules, threads=threads)
    return fit.run(every, narrower)
