"""Which clusters float: the rules, from the shapes of clusters and what lies around them.

A cluster is looked at as its cells, each standing for the points in it, so that dense and sparse clusters are
judged alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cloudprep.kernels.components_cells import middles, named_places, places_in_plan
from cloudprep.kernels.neighbours_lines import on_lines, on_poles
from cloudprep.kernels.neighbours_search import any_within, nearest_distances, nearest_rows, rows_within
from cloudprep.kernels.neighbours_tree import build_tree
from cloudprep.stages.noise._clusters import column_cells, columns_of, joined_columns
from cloudprep.stages.noise._shapes import Grouping, Shapes, inner_cells, shapes_of, smooth_cells
from cloudprep.stages.noise._surroundings import Lookup

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.stages.noise._clusters import Cells, Clusters, Columns

    Floats = NDArray[np.float64]
    Integers = NDArray[np.int64]
    Mask = NDArray[np.bool_]

# What is wide is trusted if it also covers this share of the width squared: a wire does not.
_TRUSTED_AREA = 0.1
# Where nothing is trusted so, clusters with this share of all cells are,
_TRUSTED_SHARE = 0.1
# save those that points lie beneath all over.
_TRUSTED_SEEN = 0.85

# A roof: at least so many points, so wide (m, as no bird is), and this share of its cells lies smoothly.
_ROOF_POINTS = 12
_ROOF_WIDTH = 1.5
_ROOF_SMOOTH = 0.4
# So much is enough for one of so many points that hides what lies below at least half of it.
_ROOF_SMOOTH_THIN = 0.25
_ROOF_POINTS_THIN = 40
_HIDES = 0.5

# A see-through sheet: points lie beneath this share of its cells, and of those with others of it on all four
# sides (so that a roof's edge doesn't count); these are so many, it is so wide for its length, and has so
# many points: pieces of wires are small and narrow. What lies less smoothly than a roof must have more of
# such cells: a lattice mast has few.
_SHEET_SEEN = 0.85
_SHEET_SMOOTH = 0.25
_SHEET_INNER = 0.08
_SHEET_INNER_ROUGH = 0.4
_SHEET_WIDE = 0.3
_SHEET_POINTS = 40
# Points beneath, of all in and beneath its cells.
_SHEET_BENEATH = 0.4

# A crown: at least so many points, and this share of the points around it (per area in plan). Its base lies
# no higher than this (m), and no higher than this share of its top; than this share where it is at least half
# as deep as wide (a single tree).
_CROWN_POINTS = 8
_CROWN_FILL = 0.3
_CROWN_BASE = 19.0
_CROWN_SHARE = 0.6
_CROWN_SHARE_DEEP = 0.8
_CROWN_DEPTH = 0.5

# No surface puts so many times the points into a cell that a level one around does: dust can.
_OVERFULL = 2.5

# A dashed line: cells on a line of at least four others, looked for so far (spacings, at least m), in a
# tube of this radius (spacings, at least m). They reach along so many cells: rows of a scanner's pulses in a
# dust cloud are shorter.
_DASH_LEAST = 4
_DASH_NEIGHBOURS = 32
_DASH_SPACINGS = 24.0
_DASH_REACH_LEAST = 12.0
_DASH_RADIUS = 0.5
_DASH_RADIUS_LEAST = 0.15
_DASH_LENGTH = 5.0
# So many points, and so many to a cell, make a cluster crowded: pieces of wires have fewer. Only at this
# spacing (m) or closer: in thinner clouds a bird gives no crowd, and a treetop may look like one.
_CROWDED_SPACING = 0.25
_CROWD = 8
_CROWDED = 2.5
# What is crowded and narrower than this (between the middles of its cells, m) is no piece of a dashed line.
_CROWD_WIDTH = 1.0
# A dash by itself: so many cells in a row, no thicker for its length; it is so long (cells, at least m).
_DASH_CELLS = 4
_DASH_THICKNESS = 0.025
_DASH_CELLS_LONG = 2.0
_DASH_LONG = 2.0
# A wire in a wide cluster: so many cells on a line, along so many.
_WIRE_LEAST = 6
_WIRE_LENGTH = 6.0
# What has more cells, and is thicker for its length, is no piece of a line; nor is what has still more and is
# wider for its length (standard deviations in plan).
_PIECE_CELLS = 6
_PIECE_THICKNESS = 0.18
_LONG_PIECE_CELLS = 40
_LONG_PIECE_COMPACT = 0.3

# A pole: cells above each other within this radius in plan (spacings, at least m), and steps no higher (m).
_POLE_RADIUS = 0.35
_POLE_RADIUS_LEAST = 0.3
_POLE_STEP = 4.5

# Low groups are no wider than this (m), and lie at least so far below everything around (m).
_LOW_WIDTH = 10.0
_LOW_DEPTH = 1.0
# So many other low groups, in plan between these distances (m), are a surface with it (ground under a canopy)
# where this share of them, and the group itself, lie so close (m) to a plane through them.
_LEVEL_COUNT = 6
# So many are enough whatever their share.
_LEVEL_MANY = 10
_LEVEL_NEIGHBOURS = 32
_LEVEL_RING = (3.0, 15.0)
_LEVEL_SHARE = 0.6
_LEVEL_OFF = 0.75

# Away from everything trusted, the ground may have risen by this much per metre.
_SLOPE = 0.5


class Rules(NamedTuple):
    """What the user may set, and the site's spacing; m.

    Parameters
    ----------
    widest : float
        Wider clusters are trusted to be real, unless they are lines.
    clearance : float
        What lies no higher above the ground, a roof or a crown is no floating noise.
    spacing : float
        Mean point spacing of the site.
    """

    widest: float
    clearance: float
    spacing: float


class Verdict(NamedTuple):
    """Cells of noise: their names in ascending order, and whether each is low noise."""

    name: Integers
    low: Mask


def floating(clusters: Clusters, rules: Rules) -> Verdict:
    """Return the cells of clusters that are noise.

    Parameters
    ----------
    clusters : Clusters
        Clusters of the whole site.
    rules : Rules
        What counts as floating.
    """
    doubtful = _doubtful(clusters, rules) if len(clusters.cells.name) else None
    if doubtful is None or len(doubtful.cells.name) == 0:
        return Verdict(np.empty(0, np.int64), np.empty(0, np.bool_))
    scene = Scene(doubtful, rules)
    name, cluster = scene.cells.name, scene.cells.cluster
    low = scene.low()
    sheet = scene.sheet & ~low
    kept = scene.trusted | scene.roof | (scene.shapes.line & ~sheet)
    dust = scene.dust(~kept & ~low)
    crown = ~(kept | low | sheet) & scene.crowns()
    pieces = ~(kept | low | sheet | crown)
    on_line = scene.dashed(pieces, crown)
    kept |= crown | (scene.near(crown) & ~sheet) | (scene.group.share_of(on_line) >= 0.5)
    kept |= scene.group.share_of(scene.poles(pieces)) >= 0.5
    high = dust | (~(kept | low)[cluster] & ~on_line)
    low_cell = low[cluster]
    noise = high | low_cell
    return Verdict(name[noise], low_cell[noise])


class Doubtful(NamedTuple):
    """Clusters that have to be told apart, and where those are that are real without question.

    Parameters
    ----------
    cells : Cells
        Their cells, in the order of the names.
    at : ndarray of float64, shape (m, 3)
        Mean place of the points of each cell, m.
    group : Grouping
        The cells' clusters.
    shapes : Shapes
        Of each cluster.
    trusted : ndarray of bool, shape (k,)
        Lines that are real without question: they tell where others may go on.
    columns : Columns
        Where all real clusters are.
    edge : float
        Edge of a cell, m.
    """

    cells: Cells
    at: Floats
    group: Grouping
    shapes: Shapes
    trusted: Mask
    columns: Columns
    edge: float


def _doubtful(clusters: Clusters, rules: Rules) -> Doubtful:
    """Return the clusters that have to be told apart; there is at least one of any kind."""
    cells, edge = clusters.cells, clusters.edge
    at = middles(cells.name, cells.points, cells.sums, edge)
    group = Grouping(cells.cluster, clusters.total)
    shapes = shapes_of(cells, at, group, edge)
    trusted = _trusted(cells, group, shapes, rules, has_huge=len(clusters.columns.x) > 0)
    columns = joined_columns([clusters.columns, columns_of(cells, edge, trusted[cells.cluster])])
    kept = ~trusted | shapes.line
    if not kept.all():
        rows = np.flatnonzero(kept[cells.cluster])
        cells = cells.take(rows)
        cells = cells._replace(cluster=(np.cumsum(kept) - 1)[cells.cluster])
        at, group, trusted = at[rows], Grouping(cells.cluster, int(kept.sum())), trusted[kept]
        shapes = Shapes._make(values[kept] for values in shapes)
    return Doubtful(cells, at, group, shapes, trusted, columns, edge)


def _trusted(cells: Cells, group: Grouping, shapes: Shapes, rules: Rules, *, has_huge: bool) -> Mask:
    """Return the clusters that are real without question: the ground and what is connected to it."""
    wide = shapes.width > rules.widest
    trusted = wide & (shapes.area >= _TRUSTED_AREA * rules.widest**2)
    if not has_huge and not trusted.any():
        # On a small site fog is large too; but the ground is seen through it.
        hides = group.share_of(cells.beneath > 0) < _TRUSTED_SEEN
        large = group.cells >= _TRUSTED_SHARE * len(cells.name)
        trusted = large & (hides if (large & hides).any() else True)
    return trusted


class Scene:
    """Clusters of a site and the rules that tell them apart, one a method.

    Parameters
    ----------
    doubtful : Doubtful
        At least one cluster.
    rules : Rules
        What counts as floating.
    """

    def __init__(self, doubtful: Doubtful, rules: Rules) -> None:
        self.rules = rules
        self.cells, self.at, self.group, self.shapes, self.trusted, self._trusted_columns, self.edge = (
            doubtful
        )
        points = self.shapes.points
        close = rules.spacing <= _CROWDED_SPACING
        self.crowded = close & (points >= _CROWD) & (points >= _CROWDED * self.group.cells)
        x, y = places_in_plan(self.cells.name)
        self.column = x // column_cells(self.edge), y // column_cells(self.edge)
        self.around = self._lookup_with(np.zeros_like(self.trusted)).around(*self.column)
        smooth = self._smooth()
        self.sheet = self._see_through(smooth)
        self.hides = self.group.share_of(self.cells.beneath > 0) <= _HIDES
        thin = (smooth >= _ROOF_SMOOTH_THIN) & self.hides & (self.shapes.points >= _ROOF_POINTS_THIN)
        wide = self.shapes.width >= _ROOF_WIDTH
        self.roof = ((smooth >= _ROOF_SMOOTH) | thin) & wide & ~self.sheet

    def _columns_of(self, clusters: Mask) -> Columns:
        return columns_of(self.cells, self.edge, clusters[self.cells.cluster])

    def _lookup_with(self, clusters: Mask) -> Lookup:
        """Return the columns of what is trusted, and of some clusters besides."""
        columns = self._trusted_columns
        if clusters.any():
            columns = joined_columns([columns, self._columns_of(clusters)])
        return Lookup(columns, column_cells(self.edge) * self.edge)

    def _density(self) -> Floats:
        """Return the points per square metre around each cluster."""
        usual = 1.0 / self.rules.spacing**2
        around = np.where(self.around.density > 0, np.maximum(self.around.density, 0.25 * usual), usual)
        density: Floats = self.group.sum_of(around) / self.group.cells
        return density

    def _level_points(self) -> Floats:
        """Return how many points a level surface at the density around each cluster puts into a cell."""
        return self._density() * self.edge**2

    def _smooth(self) -> Floats:
        """Return the share of each cluster that lies smoothly; 0 for the trusted and the smallest."""
        asked = (~self.trusted & (self.shapes.points >= _ROOF_POINTS))[self.cells.cluster]
        smooth = np.zeros(len(asked), np.bool_)
        smooth[asked] = smooth_cells(self.at[asked], self.cells.cluster[asked], self.edge)
        return self.group.share_of(smooth)

    def _see_through(self, smooth: Floats) -> Mask:
        """Return surfaces that hide nothing: points lie beneath them all over, which no roof lets through."""
        seen = self.cells.beneath > 0
        beneath = self.group.sum_of(self.cells.beneath)
        may_be: Mask = (
            (smooth >= _SHEET_SMOOTH)
            & (self.group.share_of(seen) >= _SHEET_SEEN)
            & (beneath >= _SHEET_BENEATH * (beneath + self.shapes.points))
            & (self.shapes.compact >= _SHEET_WIDE)
            & (self.shapes.points >= _SHEET_POINTS)
        )
        asked = may_be[self.cells.cluster]
        inner = np.zeros(len(asked), np.bool_)
        inner[asked] = inner_cells(self.cells.take(asked))
        count = self.group.sum_of(inner)
        least = np.where(smooth >= _ROOF_SMOOTH, _SHEET_INNER, _SHEET_INNER_ROUGH)
        see_through: Mask = (
            may_be
            & (self.group.sum_of(inner & seen) >= _SHEET_SEEN * count)
            & (count >= np.maximum(1.0, least * self.group.cells))
        )
        return see_through

    def low(self) -> Mask:
        """Return small groups with everything around them higher, also right above them."""
        small = ~self.trusted & ~self.roof & (self.shapes.width <= _LOW_WIDTH)
        asked = np.flatnonzero(small[self.cells.cluster])
        top = self.group.largest_of(self.cells.highest)[self.cells.cluster[asked]]
        walled = np.zeros(len(self.cells.name), np.bool_)
        x, y = (values[asked] for values in self.column)
        walled[asked] = self._lookup_with(self.roof).walled_in(x, y, top + _LOW_DEPTH)
        low: Mask = small & (self.group.share_of(walled) == 1.0)
        low[low] = ~self._in_a_level(low)
        return low

    def _in_a_level(self, low: Mask) -> Mask:
        """Tell which low groups lie in one plane with others around them."""
        x, y, z = (self.group.sum_of(v)[low] / self.group.cells[low] for v in self.at.T)
        if len(x) == 0:
            return np.zeros(0, np.bool_)
        flat = np.zeros(len(x))
        near = nearest_rows(build_tree(x, y, flat), x, y, flat, _LEVEL_NEIGHBOURS, _LEVEL_RING[1])
        dx, dy, dz = (v[near] - v[:, None] for v in (x, y, z))
        around = (near >= 0) & (np.hypot(dx, dy) >= _LEVEL_RING[0])
        off, own_off = _off_planes(dx, dy, dz, around)
        close = (around & (np.abs(off) <= _LEVEL_OFF)).sum(axis=1)
        enough = close >= np.clip(_LEVEL_SHARE * around.sum(axis=1), _LEVEL_COUNT, _LEVEL_MANY)
        in_a_level: Mask = enough & (np.abs(own_off) <= _LEVEL_OFF)
        return in_a_level

    def crowns(self) -> Mask:
        """Return what has the place and shape of a tree's crown whose trunk was not seen."""
        base = self.group.quantile_of(self.cells.lowest - self.around.ground, 0.05)
        top = self.group.quantile_of(self.cells.highest - self.around.ground, 0.98)
        deep = self.shapes.depth >= _CROWN_DEPTH * self.shapes.width
        share = np.where(deep, _CROWN_SHARE_DEEP, _CROWN_SHARE)
        full = self.shapes.points >= np.maximum(
            _CROWN_POINTS, _CROWN_FILL * self.shapes.area * self._density()
        )
        crown: Mask = full & (base <= np.minimum(_CROWN_BASE, share * top))
        return crown

    def near(self, crown: Mask) -> Mask:
        """Return what lies close above something kept, or under it; away from all, slopes are allowed for."""
        top = self._lookup_with(self.roof | crown).highest(*self.column)
        height = self.cells.lowest - np.maximum(top, self.around.ground) - _SLOPE * self.around.away
        close: Mask = self.group.quantile_of(height, 0.25) <= self.rules.clearance
        # A crowded cluster high above the ground, beside a crane or just over a tree, stands on nothing; but
        # what hides all below it may be a piece of a roof.
        over = self.cells.lowest - self.around.ground - _SLOPE * self.around.away
        high = self.group.quantile_of(over, 0.25) > self.rules.clearance
        return close & ~(high & self.crowded & ~self.hides)

    def dust(self, asked: Mask) -> Mask:
        """Return cells of some clusters that are overfull or beside one that is, where the cluster is, too.

        What hangs on a ball of dust, a tree say, is judged by the other rules.
        """
        overfull = asked & (self.shapes.points / self.group.cells > _OVERFULL * self._level_points())
        mine = overfull[self.cells.cluster]
        full = mine & (self.cells.points > _OVERFULL * self._level_points()[self.cells.cluster])
        result = full.copy()
        beside = np.flatnonzero(mine & ~full)
        if len(beside) and full.any():
            x, y, z = named_places(self.cells.name[full]).T.astype(np.float64)
            px, py, pz = named_places(self.cells.name[beside]).T.astype(np.float64)
            # The 26 cells around lie within the square root of 3.
            result[beside] = nearest_distances(build_tree(x, y, z), px, py, pz, 1)[:, 0] <= 3.0
        return result

    def dashed(self, pieces: Mask, crown: Mask) -> Mask:
        """Return cells of pieces that lie on a line of cells of pieces, lines and crowns: wires.

        Parameters
        ----------
        pieces, crown : ndarray of bool, shape (clusters,)
            The clusters asked for, and crowns, which wires run through.
        """
        thick = (self.group.cells > _PIECE_CELLS) & (self.shapes.thickness > _PIECE_THICKNESS)
        broad = (self.group.cells > _LONG_PIECE_CELLS) & (self.shapes.compact > _LONG_PIECE_COMPACT)
        length = _DASH_LENGTH * self.edge
        # A wire that puts a crowd into each cell goes on as one: a crowd no wider than a bird, with a gap all
        # around, is one, whatever lies in line with it, or else a piece of a wire that is a line itself.
        short = self.crowded & (self.shapes.width < _CROWD_WIDTH)
        wide = (pieces & (thick | broad))[self.cells.cluster]
        pieces = pieces & ~(thick | broad)
        line = self.shapes.line[self.cells.cluster]
        company = pieces[self.cells.cluster] | line
        wanted = (pieces & ~short)[self.cells.cluster]
        first = self._on_lines(wanted, company, _DASH_LEAST, length)
        leaves = crown[self.cells.cluster]
        amid = self._within(wanted & ~first, leaves, self._dash_reach())
        first |= self._on_lines(amid, company | leaves, _DASH_LEAST, length)
        # Those on a line have others on it beside them.
        sure = self._on_lines(first, first | line, _DASH_LEAST - 1, 0.0)
        # What goes on from a line that is sure needs less.
        onward = self._within(wanted & ~sure, sure | line, self._dash_reach())
        sure |= self._on_lines(onward, sure | line, _DASH_LEAST - 2, 0.0)
        long_enough = self.shapes.width >= max(_DASH_CELLS_LONG * self.edge, _DASH_LONG)
        dash = (self.group.cells >= _DASH_CELLS) & (self.shapes.thickness <= _DASH_THICKNESS) & long_enough
        sure |= self._on_lines((pieces & short)[self.cells.cluster], line, _DASH_LEAST, length)
        return sure | (pieces & dash)[self.cells.cluster] | self._wires_amid(wide, company)

    def _wires_amid(self, wide: Mask, company: Mask) -> Mask:
        """Return cells, among those of wide clusters, on long lines: wires side by side, or amid a flock."""
        length = _WIRE_LENGTH * self.edge
        first = self._on_lines(wide, wide | company, _WIRE_LEAST, length)
        return self._on_lines(first, first | company, _WIRE_LEAST - 1, length)

    def _dash_reach(self) -> float:
        return max(_DASH_SPACINGS * self.rules.spacing, _DASH_REACH_LEAST)

    def _within(self, asked: Mask, others: Mask, distance: float) -> Mask:
        """Return cells, among those asked for, within a distance (m) of some others."""
        found = np.zeros(len(asked), np.bool_)
        if asked.any() and others.any():
            x, y, z = self.at[others].T.copy()
            px, py, pz = self.at[asked].T.copy()
            found[asked] = any_within(build_tree(x, y, z), px, py, pz, distance)
        return found

    def _on_lines(self, asked: Mask, company: Mask, least: int, shortest: float) -> Mask:
        """Return cells, among those asked for, that lie on a line of cells in some company."""
        found = np.zeros(len(asked), np.bool_)
        if asked.any() and company.any():
            x, y, z = self.at[company].T.copy()
            px, py, pz = self.at[asked].T.copy()
            radius = max(_DASH_RADIUS * self.rules.spacing, _DASH_RADIUS_LEAST)
            near = nearest_rows(build_tree(x, y, z), px, py, pz, _DASH_NEIGHBOURS, self._dash_reach())
            # The own cells of a short, crowded cluster make no line: they are one place.
            cluster = self.cells.cluster
            short = (self.crowded & (self.shapes.width < _DASH_LENGTH * self.edge))[cluster[asked]]
            some = np.flatnonzero(short)
            if len(some):
                others = near[some]
                own = (others >= 0) & (cluster[company][others] == cluster[asked][some, None])
                others = np.take_along_axis(others, np.argsort(own, axis=1, kind="stable"), axis=1)
                own.sort(axis=1)
                others[own] = -1
                near[some] = others
            found[asked] = on_lines(x, y, z, px, py, pz, near, radius, shortest, least=least)
        return found

    def poles(self, asked: Mask) -> Mask:
        """Return cells of some clusters to which steps lead up from the ground, over others right below."""
        rows = asked[self.cells.cluster]
        found = np.zeros(len(rows), np.bool_)
        if rows.any():
            x, y, z = self.at[rows].T.copy()
            flat = np.zeros(len(x))
            radius = max(_POLE_RADIUS * self.rules.spacing, _POLE_RADIUS_LEAST)
            starts, near = rows_within(build_tree(x, y, flat), x, y, flat, np.full(len(x), radius**2))
            found[rows] = on_poles(starts, near, z, z, self.around.ground[rows], _POLE_STEP)
        return found


def _off_planes(dx: Floats, dy: Floats, dz: Floats, taken: Mask) -> tuple[Floats, Floats]:
    """Return how far points lie off a plane fitted through those around each of some places, m.

    Parameters
    ----------
    dx, dy, dz : ndarray of float64, shape (m, k)
        Points around each place, m from it.
    taken : ndarray of bool, shape (m, k)
        The points that count.

    Returns
    -------
    off : ndarray of float64, shape (m, k)
        Height of each point above the plane of its place.
    own_off : ndarray of float64, shape (m,)
        Height of each place above its plane.
    """
    rows = np.stack([np.ones_like(dx), dx, dy], axis=-1) * taken[..., None]
    normal = np.einsum("mki,mkj->mij", rows, rows) + 1e-6 * np.eye(3)
    plane = np.linalg.solve(normal, np.einsum("mki,mk->mi", rows, dz)[..., None])[..., 0]
    return dz - np.einsum("mki,mi->mk", rows, plane), -plane[:, 0]
