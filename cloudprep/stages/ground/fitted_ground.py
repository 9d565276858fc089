"""Ground by a surface fitted to the lowest points that hang together as ground."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

import numpy as np

from cloudprep.kernels.bilinear import bilinear
from cloudprep.kernels.ground_confidence import place_logits
from cloudprep.kernels.ground_crests import with_crests
from cloudprep.kernels.ground_fine import CLOSE, FineRules, doubting, fine_surface
from cloudprep.kernels.ground_heights import Heights, count_over, packed, summed
from cloudprep.kernels.ground_judge import Lattice, judge
from cloudprep.kernels.ground_limits import Limits, agreed_limits, narrowed
from cloudprep.kernels.ground_surface import Rules, Surface, ground_surface
from cloudprep.model.figures import Figure
from cloudprep.stages.base import (
    ClassCodes,
    Context,
    Delta,
    Points,
    Scope,
    SiteBytes,
    Solution,
    Stage,
    StageParams,
    Summary,
    parameter,
)
from cloudprep.stages.ground._cues import (
    CUE_COLUMNS,
    CueCounts,
    Cues,
    Patches,
    carries_cues,
    counted_cues,
    joined_cues,
    learnt_cues,
)
from cloudprep.stages.ground._flight_lines import (
    LINE_COLUMN,
    FlightLines,
    Share,
    compared_lines,
    joined_shares,
    line_share,
)
from cloudprep.stages.ground._labels import (
    NEEDED,
    USED,
    Returns,
    ground_figures,
    keep_classes_parameter,
    labelled,
    returns_parameter,
    usable_points,
)
from cloudprep.stages.ground._lowest import NOTHING_USABLE, joined_points, lowest_points
from cloudprep.stages.ground._tiles import (
    LARGEST_WHOLE,
    MARGIN,
    SIDE,
    SIDE_OF_FINEST,
    Span,
    Tile,
    blank_limits,
    cropped_cells,
    cropped_limits,
    paste,
    side_by_side,
    span_of,
    tiles_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cloudprep.kernels.ground_cells import LowestPoints
    from cloudprep.model.moves import ClassMoves
    from cloudprep.model.site import SiteFacts

# Cell sides that divide a kilometre and are exact in binary, a quarter apart, so that a lattice stays in
# place when a cloud moves by whole kilometres.
_SIDES = sorted(5**a * 2.0**b for a in range(5) for b in range(-9, 6) if 1.0 <= 5**a * 2.0**b <= 20.0)

# Points are dense if their spacing is at most so many cells: measured on made-up scenes, where two points a
# square metre still tell herbs of 0.1 to 0.5 m from ground.
_DENSE = 0.65
# At most so many cells, and half a cell still holds half a dozen of them.
_VERY_DENSE = 0.2

# Ground is scattered if so few neighbouring lowest points belong to it together: 0.20 to 0.34 in made-up
# steep forests with 3 % of the points on the ground, 0.6 to 0.93 on reference samples. Cells widen until it
# is closed, or to 8 m.
_SCATTERED = 0.45
_CLOSED = 0.8
_WIDEST = 8.0

# Ground so rough and so overgrown may be none.
_ROUGH = 0.2
_OVERGROWN = 0.65

# Shifts of the raster, in halves of a cell. Two of them, half a diagonal apart, lie as evenly on the plane as
# two can. On reference samples, turned five ways, they did no worse than three (2.91 beside 2.94 %).
_STARTS = ((0, 0), (1, 1), (1, 0))


# Memory of a fine cell, bytes, measured: held for the whole site; and while its tile is worked on: two starts
# of the raster at once, two tiles of one start at once, or the finest surface of one tile.
_CELL_HELD = 65
_CELL_AT_WORK = 115
_CELL_OF_TWO_TILES = 170
_CELL_OF_FINEST = 320


class FittedGroundParams(StageParams):
    """Parameters of :class:`FittedGround`."""

    cell: float | None = parameter(
        None,
        unit="m",
        gt=0,
        meaning="side of the cells whose lowest points carry the surface",
        derived="half the point spacing, to the next size that divides a kilometre; at least 1 m",
    )
    largest_opening: float = parameter(
        18.0,
        unit="m",
        gt=0,
        meaning="radius of the largest disk that tells objects from ground; wider roofs go by their rims",
        source="measured on reference samples: best from 18 to 20 m",
    )
    nearness: float = parameter(
        0.3,
        unit="m",
        gt=0,
        meaning="height over the surface that still is ground on level terrain",
        source="measured on reference samples",
    )
    slope_share: float = parameter(
        1.2,
        ge=0,
        meaning="share of the slope, m a metre, that adds to it",
        source="measured on reference samples",
    )
    starts: int | None = parameter(
        None,
        ge=1,
        le=3,
        meaning="from how many starts of the raster the surface is fitted; their median decides",
        derived=(
            "2, which takes the luck of the raster out of the result; 1 where points are dense: there more "
            "changed less than 0.3 points on any made-up scene"
        ),
    )
    dense: bool | None = parameter(
        None,
        meaning="whether a finer surface is drawn below low plants, with tolerances from the measured noise",
        derived="true where the point spacing is at most 0.65 of a cell",
    )
    keep_classes: ClassCodes = keep_classes_parameter()
    returns: Returns = returns_parameter()
    overlap: bool = parameter(
        True,
        meaning="whether points flagged as overlap of two flight lines may be ground",
        source="common practice, no source",
    )


@dataclass(frozen=True)
class _Ground:
    """The site's ground: limits on the fine lattice, which is ``fine`` metres wide and starts at ``zero``.

    ``doubted`` tells the tiles that may have no ground, by their number.
    """

    limits: Limits
    level: float
    fine: float
    zero: tuple[float, float]
    logits: tuple[NDArray[np.float32], NDArray[np.float32]]
    doubted: frozenset[int] = frozenset()
    cues: Cues | None = None
    lines: FlightLines = field(default_factory=FlightLines)

    def place(self, points: Points) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return positions of points in fine cells of the lattice."""
        return (points["x"] + self.zero[0]) / self.fine, (points["y"] + self.zero[1]) / self.fine

    def at(self, raster: NDArray[np.float32], points: Points) -> NDArray[np.float64]:
        """Return a raster's values at points."""
        across, up = self.place(points)
        return bilinear(raster, across - self.limits.column, up - self.limits.row)

    def heights(self, points: Points) -> NDArray[np.float64]:
        """Return the heights of points over the level, each flight line at its own height, m."""
        return self.lines.levelled(points) - self.level

    def judged(self, points: Points, threads: int) -> tuple[NDArray[np.bool_], NDArray[np.uint8]]:
        """Return which points are ground, and how sure that is, percent."""
        return judge(
            points["x"],
            points["y"],
            self.lines.levelled(points),
            level=self.level,
            less=None if self.cues is None else self.cues.lower(points),
            lattice=Lattice(self.fine, *self.zero),
            limits=self.limits,
            logits=self.logits,
            threads=threads,
        )


def _doubts(surfaces: Sequence[Surface]) -> tuple[str, ...]:
    """Return a warning where what was found may be no ground at all.

    Measured on made-up scenes of canopy and scrub alone: roughness 0.30 to 0.42 m, overgrown 0.8 to 1.6;
    on ground, down to a forest with 0.2 points per square metre on it: overgrown at most 0.5; on reference
    samples: roughness at most 0.08 m, overgrown at most 0.21.
    """
    rough = float(np.median([s.roughness for s in surfaces]))
    overgrown = float(np.median([s.overgrown for s in surfaces]))
    if rough < _ROUGH or overgrown < _OVERGROWN:
        return ()
    return (
        (
            "there may be no ground here: neighbouring points of what was taken for it differ by "
            f"{rough:.2f} m, and {overgrown:.1f} times as many lowest points stand within 3 m above it; "
            "look at it before use"
        ),
    )


def _together(surfaces: Sequence[Surface]) -> float:
    """Return how closely the ground's lowest points stand together."""
    return float(np.median([s.together for s in surfaces]))


class _Fitted(NamedTuple):
    """What was fitted to a site: how wide, in fine cells, the cells were that carry it, warnings, doubts.

    ``doubted`` tells the tiles that may have no ground, by their number.
    """

    limits: Limits
    wide: int
    warnings: tuple[str, ...]
    doubted: frozenset[int]


class _Counts(NamedTuple):
    """Heights over the surface, counted on a rectangle of cells (None: no points), and what cues count."""

    column: int
    row: int
    heights: Heights | None
    cues: CueCounts


class _Merged(NamedTuple):
    """The counts of all blocks: first cell and heights of each."""

    parts: list[tuple[int, int, Heights]]
    cues: CueCounts

    @property
    def span(self) -> Span:
        """The cells that they cover together."""
        if not self.parts:
            return Span(0, 0, 0, 0)
        return Span(
            min(column for column, _, _ in self.parts),
            min(row for _, row, _ in self.parts),
            max(column + heights.shape[1] for column, _, heights in self.parts),
            max(row + heights.shape[0] for _, row, heights in self.parts),
        )


def _coarser(part: Span, side: int) -> Span:
    """Return the cells, ``side`` times as wide, that a rectangle touches."""
    return Span(part.column // side, part.row // side, -(-part.end_column // side), -(-part.end_row // side))


class FittedGround(Stage):
    """Ground classification by a surface fitted to the lowest points that hang together as ground.

    1. The lowest point of each cell is opened with growing disks, twice: the first pass tells the lie of the
       land, the second allows for it. What an opening doesn't lower carries a first surface, a thin plate.
    2. Lowest points near the surface form patches. Patches that stand on the ground around them (roofs,
       however large) or lie in a hollow of it (groups of false low points) are left out.
    3. The surface is drawn to the points near it, less so where a cell sticks out of its surroundings in many
       directions: plants do, crests don't. Planes through the ground on one side take in crests and edges;
       patches that continue the ground without a step are taken back, and so is material that fills a bay
       to the top of its walls, if the ground goes up to it on one side at no more than 61 degrees. Walls are
       left out of it.
       Strips that drop on both sides to ground that goes on, and join it at both ends, are bridge decks and
       left out. At cliffs ground reaches up to the level of the ground beside; on other steep places it lies
       no higher than the ground uphill, nor than the points between it and a wall.
    4. All this is done on rasters that start at ``starts`` different places; the median of their limits
       (of two: the mean) decides.
    5. Where ground shows in single points only (a forest that 3 % of the points pass), the lowest points of
       wider cells (figure ``ground.lowest_over``: 2 to 8 m) carry the surface, and others below let it down.
       At last the lowest points of narrower cells draw it, plants less so, and how far above it ground may
       lie is three times the noise measured there, but no less than ``nearness``.
    6. Where points are ``dense``, a finer surface is drawn under low plants, on half cells where the spacing
       is at most a fifth of a cell, and how far a point may lie from it follows from the noise measured
       there; where a site or a part of it may have no ground at all, noise that too few points tell counts as
       small. Places with steps keep the coarser result. At the foot of a face, what stands above the surface
       is broken rock and not plants if its heights are spread evenly from the surface up and points close to
       each other lie alike: it is ground then.

    A point is ground (class 2) if it lies within the limits, whatever class it had, unless ``keep_classes``
    names the class. Points that are not ground become class 1 if they were 0, 1 or 2, and keep any other
    class. Noise (7, 18), withheld points and ``keep_classes`` are neither used nor changed; returns before
    the last are not used and never ground, nor are points flagged as overlap if ``overlap`` is false. Lengths
    are in metres.

    Colour is a weak cue, where points are ``dense``: the cloud itself shows whether what stands above the
    ground is greener than the surface's lower side (figure ``ground.green_tells``: 1 perfectly, 0 not at all;
    used from 0.5). Then green points are ground up to half the height only, except where green points lie as
    low as others: there the ground is green. On made-up photogrammetric fields of green clumps on brown soil
    this took 11 % of the clumps down to 3 %, 38 % to 21 % where they cover four fifths, and lost less than
    0.1 % of the ground. Colour alone makes nothing ground.

    Flight lines (``point_source_id``) are a cue as well, where points are ``dense`` and lines overlap. Where
    one lies clearly too high or low (more than 0.08 m and four standard errors, figure
    ``ground.lines_worst_offset``), a warning names it, and the heights of each line are judged less its
    offset. Coordinates stay as they are, so a terrain model still shows the step. With one line 0.2 m too
    high, made-up scenes kept of its ground: rolling land 99.99 instead of 72.3 %, a city 99.9 instead of
    45.1 %, herbs seen by a drone 99.5 instead of 45.8 %, grass seen by a drone 97.1 instead of 51.5 %. In
    scenes with all lines in place none was ever taken for wrong, also not with a fifth of another's points.
    An offset is one figure a line: bends and tilts stay. In tall grass 0.1 m may go unnoticed, and so may
    anything where lines share fewer than a dozen patches of 4 by 4 cells.

    ``ground_confidence`` says how sure the label is (1 to 99; 0: not judged), from the point's place between
    the limits, the agreement of the surfaces, the distance to supporting ground and the directions in which
    the place sticks out. On clouds not used for it (four reference samples, each turned two ways as well; all
    made-up scenes), labels given 98 or more were right in 99.5 and 99.6 %, those given 90 to 94 in 86 and
    92 %, those given 80 to 89 in 80 and 81 %.

    Known weak points: a footbridge over water that sends nothing back, and decks less than 2 to 3 m above the
    ground, are taken for ground (of made-up decks 3.7 and 0.9 %; of a plank walk 1 m above a stream all);
    where a road between upright walls is as high as that above the land on both sides, it is taken for a
    deck. Plants closer to the ground than the tolerance stay (of herbs of 0.1 to 0.5 m beside a made-up
    embankment, 4 points per square metre, 16 %); of made-up quarries' ground 0.4 to 1.2 % is lost, along
    rims and on land that a cliff and the data's edge cut off all around, unless the edge of the pit bulges
    into it or other ground is as high; such land and a bay filled level with its walls look like roofs; a
    thicket without any ground gets some (1.4 % of its points). Under an overhang the lowest wins.

    References
    ----------
    The openings follow Pingel, Clarke and McBride 2013; the rest is this project's own.
    """

    name: ClassVar[str] = "fitted_ground"
    reports: ClassVar[tuple[Figure, ...]] = (
        Figure("ground.lowest_over", "m", "side of the squares whose lowest points count"),
        Figure("ground.lines_worst_offset", "m", "largest offset in height between flight lines"),
        Figure("ground.noise", "m", "noise of the heights of ground points"),
        Figure("ground.green_tells", "", "how well green tells plants from ground"),
    )
    kind: ClassVar[str] = "ground"
    Params: ClassVar[type[StageParams]] = FittedGroundParams
    params: FittedGroundParams
    scope: ClassVar[Scope] = Scope.CLOUD
    needs: ClassVar[tuple[str, ...]] = NEEDED
    uses: ClassVar[tuple[str, ...]] = (*USED, "overlap", LINE_COLUMN, *CUE_COLUMNS)
    provides: ClassVar[tuple[str, ...]] = ("classification", "ground_confidence")
    summarises: ClassVar[bool] = True
    revisits: ClassVar[bool] = True
    references: ClassVar[tuple[str, ...]] = (
        (
            "T. J. Pingel, K. C. Clarke, W. A. McBride, An improved simple morphological filter for the "
            "terrain classification of airborne LIDAR data, ISPRS Journal of Photogrammetry and Remote "
            "Sensing 77, 2013 (the openings; the rest is this project's own)"
        ),
        (
            "D. M. Woebbecke, G. E. Meyer, K. Von Bargen, D. A. Mortensen, Color indices for weed "
            "identification under various soil, residue, and lighting conditions, Transactions of the ASAE "
            "38 (1), 1995 (the greenness of a colour)"
        ),
    )
    bytes_per_point: ClassVar[int] = 80

    def derive(self, site: SiteFacts) -> tuple[Mapping[str, Any], Mapping[str, str]]:
        """Return the cell size and whether the points are dense, from the site's point spacing."""
        values: dict[str, Any] = {}
        reasons: dict[str, str] = {}
        cell = self.params.cell
        if cell is None:
            cell = min(_SIDES, key=lambda side: abs(math.log(side / max(1.0, site.spacing / 2))))
            values["cell"] = cell
            reasons["cell"] = (
                f"half the point spacing of {site.spacing:.2f} m, to a size that divides a kilometre, at "
                "least 1 m"
            )
        dense = site.spacing <= _DENSE * cell
        compared = f"the point spacing is {site.spacing:.2f} m, {_DENSE} of a cell {_DENSE * cell:.2f} m"
        if self.params.dense is None:
            values["dense"] = dense
            reasons["dense"] = compared
        if self.params.starts is None:
            values["starts"] = 1 if dense else 2
            reasons["starts"] = compared
        return values, reasons

    def reach(self) -> float:
        """Return 0: the surface is worked out for the site, and points are compared with nothing else."""
        return 0.0

    def site_bytes(self, site: SiteFacts) -> SiteBytes:
        """Return what the rasters take, bytes: some for the whole site, more for the tile at work."""
        cells = math.ceil(site.bounds.width / self._fine) * math.ceil(site.bounds.height / self._fine)
        side = self._tile_side(site)
        at_work = cells if cells <= LARGEST_WHOLE else min(cells, (side + 2 * MARGIN) ** 2)
        each = _CELL_AT_WORK
        if self._finest(site):
            each = _CELL_OF_FINEST
        elif cells > LARGEST_WHOLE and self.params.starts == 1:
            each = _CELL_OF_TWO_TILES
        held = _CELL_HELD * cells
        return SiteBytes(held, held + each * at_work)

    @property
    def _fine(self) -> float:
        """Side of the fine cells, m: half a cell, so that rasters can start at their halves."""
        assert self.params.cell is not None  # noqa: S101 - a resolved stage
        return self.params.cell / 2

    def _finest(self, site: SiteFacts) -> bool:
        """Tell whether the finer surface is drawn on the fine cells themselves."""
        assert self.params.cell is not None  # noqa: S101 - a resolved stage
        return bool(self.params.dense) and site.spacing <= _VERY_DENSE * self.params.cell

    def _side(self, site: SiteFacts) -> int:
        """Return the fine cells along a side of the cells that the finer surface is drawn on."""
        return 1 if self._finest(site) else 2

    def _tile_side(self, site: SiteFacts) -> int:
        return SIDE_OF_FINEST if self._finest(site) else SIDE

    def _usable(self, points: Points) -> NDArray[np.bool_]:
        usable = usable_points(points, self.params.keep_classes, self.params.returns)
        if not self.params.overlap and "overlap" in points:
            usable &= ~points["overlap"]
        return usable

    def _zero(self, site: SiteFacts) -> tuple[float, float]:
        """Return the local zero as seen from the lattice edge before it, m."""
        return site.lattice(self.params.cell or 1.0).phase

    def _patches(self, site: SiteFacts) -> Patches:
        """Return the patches on which cues are counted: four cells wide, on the global lattice."""
        side = 4 * (self.params.cell or 1.0)
        return Patches(side, site.lattice(side).phase)

    def summarise(self, points: Points, context: Context) -> Summary:
        """Return the lowest point of each fine cell, from the block's usable points, and its line."""
        used = self._usable(points) & context.core
        zero = self._zero(context.site)
        cells = lowest_points(points, used, zero, self._fine, self.name)
        # Only the finer surface has tolerances so close that lines out of place lose their ground.
        if not self.params.dense or LINE_COLUMN not in points:
            return Summary(Share(cells))
        return Summary(Share(cells, line_share(cells, points, used, zero, self._fine)))

    def merge(self, parts: Sequence[Share]) -> Share:
        """Join the lowest points of all blocks, and what they know of flight lines."""
        whole = joined_points([part.cells for part in parts], self._fine, self.name)
        return joined_shares(whole, parts, self._fine)

    def solve(self, merged: Share, site: SiteFacts) -> Solution:
        """Fit the surfaces and agree on the limits; anew, if flight lines are out of place."""
        if not merged.cells.have.any():
            return Solution(warnings=(NOTHING_USABLE,))
        level = float(np.nanmedian(merged.cells.z))
        cells = merged.cells._replace(z=merged.cells.z - level)
        share = merged.lines
        del merged  # its heights, which are there once more
        fitted = self._fitted_in_tiles(cells, site)
        lines = compared_lines(share, fitted.limits, level, self._fine)
        if lines.told and share is not None:
            cells = lines.lowered(cells, share.lowest)
            fitted = self._fitted_in_tiles(cells, site)
        del cells
        logits = self._logits(fitted.limits)
        return Solution(
            _Ground(
                fitted.limits,
                level,
                self._fine,
                self._zero(site),
                logits,
                doubted=fitted.doubted,
                lines=lines,
            ),
            figures={"ground.lowest_over": fitted.wide * self._fine, **lines.figures},
            warnings=(*fitted.warnings, *lines.warnings),
            revisit=bool(self.params.dense),
        )

    def _fitted_in_tiles(self, cells: LowestPoints, site: SiteFacts) -> _Fitted:
        """Fit the whole site, tile by tile if it is large."""
        whole = span_of(cells)
        tiles = tiles_of(whole, side=self._tile_side(site))
        if len(tiles) == 1:
            return self._fitted(cells, site, self.threads)
        limits = blank_limits(Limits, whole)
        at_once = self._tiles_at_once(len(tiles))

        def fitted(tile: Tile) -> tuple[int, tuple[str, ...]]:
            part = cropped_cells(cells, tile.outer)
            if not part.have[tile.inner.seen_from(tile.outer)].any():
                return 1, ()
            found = self._fitted(part, site, self.threads // at_once)
            paste(limits, found.limits, tile.inner)
            return found.wide, found.warnings

        done = side_by_side(fitted, tiles, at_once)
        widest = max(wide for wide, _ in done)
        warned = {number: texts for number, (_, texts) in enumerate(done) if texts}
        texts = [text for of in warned.values() for text in of]
        more = f" (and {len(texts) - 1} more places of this large site)" if len(texts) > 1 else ""
        return _Fitted(limits, widest, tuple(text + more for text in texts[:1]), frozenset(warned))

    def _logits(self, limits: Limits) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return each cell's share of the logits, tile by tile: what it takes on the way is large."""
        whole = span_of(limits)
        ground, other = (np.empty(whole.shape, np.float32) for _ in range(2))
        for tile in tiles_of(whole):
            place = tile.inner.seen_from(whole)
            ground[place], other[place] = place_logits(
                cropped_limits(limits, tile.inner), 2 * self._fine, threads=self.threads
            )
        return ground, other

    def _tiles_at_once(self, count: int) -> int:
        """Return how many of a site's tiles are worked on side by side: two where each has one start.

        What is done by one thread only in one tile, the other one fills. Memory is reckoned for two starts at
        work, of one tile or of two.
        """
        return 2 if self.params.starts == 1 and min(self.threads, count) > 1 else 1

    def _fitted(self, cells: LowestPoints, site: SiteFacts, threads: int) -> _Fitted:
        """Fit the surfaces of a site or tile and agree on the limits."""
        p = self.params
        surfaces_of = partial(self._surfaces, cells, threads=threads)
        # Cells a little narrower than the spacing: most of them hold a point, and steps stay sharp.
        wide = max(2, math.ceil(0.9 * site.spacing / self._fine))
        surfaces = surfaces_of(site.spacing, wide)
        warnings = _doubts(surfaces)
        # Where ground shows in single points only, wider cells hold some of it.
        scattered = bool(warnings) or _together(surfaces) < _SCATTERED
        between: list[int] = []
        while scattered and 2 * wide * self._fine <= _WIDEST and (warnings or _together(surfaces) < _CLOSED):
            wide *= 2
            surfaces = surfaces_of(wide * self._fine, wide, scattered=True, between=between)
            # Where there may be no ground, there is none to draw the surface to.
            between = [] if warnings else [wide, *between]
        limits = agreed_limits(
            surfaces,
            _STARTS[: p.starts],
            first=(cells.column, cells.row),
            shape=cells.z.shape,
            fine=self._fine,
            nearness=p.nearness,
            slope_share=p.slope_share,
            threads=threads,
        )
        limits = with_crests(limits, cells, fine=self._fine, threads=threads)
        return _Fitted(limits, wide, warnings, frozenset({0} if warnings else ()))

    def _surfaces(
        self,
        cells: LowestPoints,
        spacing: float,
        wide: int,
        *,
        threads: int,
        scattered: bool = False,
        between: Sequence[int] = (),
    ) -> list[Surface]:
        """Fit a surface for each start of the raster, side by side as threads allow."""
        fit = partial(
            ground_surface,
            cells,
            fine=self._fine,
            wide=wide,
            spacing=spacing,
            scattered=scattered,
            between=between,
            rules=Rules(window=self.params.largest_opening),
        )
        phases = _STARTS[: self.params.starts]
        if len(phases) == 1 or threads == 1:
            return [fit(phase=phase, threads=threads) for phase in phases]
        # The first one in this thread: what isn't compiled yet is compiled here, where an interrupt is heard.
        at_once = min(threads, len(phases))
        threads = max(1, threads // at_once)
        with ThreadPoolExecutor(at_once - 1, thread_name_prefix=self.name) as pool:
            others = [pool.submit(fit, phase=phase, threads=threads) for phase in phases[1:]]
            try:
                return [fit(phase=phases[0], threads=threads), *(other.result() for other in others)]
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise

    def revisit(self, points: Points, context: Context, solution: Solution) -> _Counts:
        """Count the heights of the block's usable points over the surface."""
        ground: _Ground = solution.value
        used = self._usable(points) & context.core
        if not used.any():
            return _Counts(0, 0, None, CueCounts())
        limits = ground.limits
        column, row, counts = count_over(
            points["x"],
            points["y"],
            ground.lines.levelled(points),
            used,
            level=ground.level,
            lattice=(ground.fine, *ground.zero),
            surface=limits.centre,
            corner=(limits.column, limits.row),
            side=self._side(context.site),
        )
        if not carries_cues(points):
            return _Counts(column, row, packed(counts), CueCounts())
        chosen = points.take(used)
        centre = ground.at(limits.centre, chosen)
        above, limit = ground.heights(chosen) - centre, ground.at(limits.high, chosen) - centre
        cues = counted_cues(chosen, above, limit, self._patches(context.site))
        return _Counts(column, row, packed(counts), cues)

    def merge_revisits(self, parts: Sequence[_Counts]) -> _Merged:
        """Keep the counts of all blocks; they are added up where they are needed."""
        filled = [p for p in parts if p.heights is not None]
        counts = [(p.column, p.row, p.heights) for p in filled if p.heights is not None]
        return _Merged(counts, joined_cues([p.cues for p in filled]))

    def settle(self, merged: _Merged, solution: Solution, site: SiteFacts) -> Solution:
        """Draw the finer surface, tile by tile if the site is large, and narrow the limits to it."""
        ground: _Ground = solution.value
        whole = span_of(ground.limits)
        limits = ground.limits._replace(
            **{n: getattr(ground.limits, n).copy() for n in ("low", "centre", "high")}
        )
        tiles = tiles_of(whole, side=self._tile_side(site))
        doubted = {tiles[number] for number in ground.doubted}
        at_once = 1 if self._finest(site) else self._tiles_at_once(len(tiles))

        def finer(tile: Tile) -> NDArray[np.float32] | None:
            rules = FineRules() if self._side(site) > 1 else CLOSE
            if tile in doubted:
                rules = doubting(rules)
            given = cropped_limits(ground.limits, tile.outer)
            found = self._finer(given, merged, tile, site, rules, self.threads // at_once)
            if found is None:
                return None
            paste(limits, found[0], tile.inner)
            return found[1]

        noise = [found for found in side_by_side(finer, tiles, at_once) if found is not None]
        if not noise:
            return solution
        cues = learnt_cues(merged.cues, self._patches(site))
        measured = float(np.median(np.concatenate(noise)))
        return Solution(
            replace(ground, limits=limits, logits=self._logits(limits), cues=cues),
            figures={**solution.figures, "ground.noise": round(measured, 4), **cues.figures},
            warnings=(*solution.warnings, *cues.warnings),
        )

    def _finer(
        self, limits: Limits, merged: _Merged, tile: Tile, site: SiteFacts, rules: FineRules, threads: int
    ) -> tuple[Limits, NDArray[np.float32]] | None:
        """Return the limits of a tile, narrowed, and the noise of its cells; None where no point is near."""
        side = self._side(site)
        counted = merged.span.cut(_coarser(tile.outer, side))
        rows, columns = counted.shape
        if rows == 0 or columns == 0:
            return None
        heights = summed(merged.parts, (counted.column, counted.row), counted.shape, threads=threads)
        row, column = np.mgrid[0:rows, 0:columns]
        across = side * (column.ravel() + counted.column + 0.5) - limits.column
        up = side * (row.ravel() + counted.row + 0.5) - limits.row
        coarse = bilinear(limits.centre, across, up).reshape(rows, columns)
        fine = fine_surface(heights, coarse, cell=side * self._fine, rules=rules, threads=threads)
        if fine is None:
            return None
        inner = counted.cut(_coarser(tile.inner, side)).seen_from(counted)
        some = (np.diff(heights.start, axis=1) > 0)[inner]
        first = counted.column, counted.row
        narrow = narrowed(limits, fine, first=first, side=side, threads=threads)
        return narrow, fine.noise[inner][some].astype(np.float32)

    def run(self, points: Points, context: Context, solution: Solution | None = None) -> Delta:
        """Label the points between the limits, and say how sure that is."""
        usable = self._usable(points)
        ground = np.zeros(len(points), bool)
        sure = np.zeros(len(points), np.uint8)
        if solution is not None and solution.value is not None and usable.any():
            if np.count_nonzero(usable) >= len(points) / 2:
                # What the others are judged to be is dropped again, which costs less than to pick them out.
                ground, sure = solution.value.judged(points, context.threads)
                ground &= usable
                sure *= usable
            else:
                ground[usable], sure[usable] = solution.value.judged(points.take(usable), context.threads)
        classes = labelled(points, ground, usable, self.params.keep_classes)
        return Delta({"classification": classes, "ground_confidence": sure})

    def figures(self, moves: ClassMoves) -> dict[str, float | int]:
        """Return how many points are ground, and their share of all points."""
        return ground_figures(moves)
