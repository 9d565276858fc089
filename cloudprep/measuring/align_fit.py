"""The motion that brings points onto others, and how sure it is; refused where it can't be told."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from scipy.spatial import cKDTree

from cloudprep.errors import AlignmentError, UsageError
from cloudprep.kernels.point_to_plane import (
    FREE,
    MAD_TO_SIGMA,
    TUKEY,
    Pairs,
    Planes,
    Shown,
    biweights,
    design,
    fitted_planes,
    group_scores,
    jackknifed,
    paired,
    robust_spread,
    shown,
    solved,
)
from cloudprep.kernels.thinning import column_means
from cloudprep.kernels.volume_error import TWO_SIDED_95
from cloudprep.model.motion import Motion, rotation_vector

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cloudprep.measuring.align_points import Thinned

    Floats = NDArray[np.float64]

Allowed = Literal["vertical", "shift", "rigid"]

LEAST_PAIRS = 200
"""With fewer there is no telling."""
LEAST_GROUPS = 12
"""Pieces of ground whose errors count as independent; with fewer standard errors mean nothing."""
LEAST_RELIABILITY = 0.5
"""Below it, noise makes up more of what the ground seems to show of a motion than the ground does."""
MOST_OUTLIERS = 0.5
"""With more, what moved can't be told from what stood still."""
_MOST_CELLS = 400_000
_SMALLEST_CELL = 0.1
# Squares by which the overlap is measured, in cells: most of them hold a point.
_SQUARE_IN_CELLS = 2.0
_REACH_IN_CELLS = 2.0
_PLANE_IN_CELLS = 3.0
_GROUPS = 30
_TURNS = 60
# Rounds end where a step is shorter; after the last one a step may be a little longer, m.
_ROUGH, _FINE, _UNSETTLED = 1e-3, 2e-5, 5e-4
_SMALLEST_SPREAD = 1e-4
_STEEPEST = 0.3


@dataclass(frozen=True)
class Limits:
    """What an alignment may do, and when it is refused.

    Parameters
    ----------
    allow : {"vertical", "shift", "rigid"}
        What may move: heights; all three coordinates; these and three turns.
    min_change : float
        Size of the change that is sought, m: a worse fit is refused.
    most : float
        No point may move farther, m.
    least_overlap : float
        Smaller overlaps are refused, m2.
    cell : float or None
        Points are thinned to it, m; by their density if None.
    """

    allow: Allowed = "shift"
    min_change: float = 0.1
    most: float = 2.0
    least_overlap: float = 500.0
    cell: float | None = None

    @property
    def free(self) -> tuple[int, ...]:
        """Which of the six parts of a motion are free."""
        return FREE[self.allow]


@dataclass(frozen=True)
class Residuals:
    """Distances of points from the reference's planes, outliers included. m.

    Parameters
    ----------
    points : int
        Thinned points that were paired.
    median : float
        Above is positive.
    spread : float
        1.4826 times the median absolute deviation from the median.
    rms : float
        Root of the mean square.
    """

    points: int
    median: float
    spread: float
    rms: float


@dataclass(frozen=True)
class Fit:
    """What an alignment came to. Metres.

    Parameters
    ----------
    motion : Motion
        Local metres.
    covariance : ndarray of float64, shape (6, 6)
        Of turns (radians) about, and shifts at, the centre of the motion; zero for what is held.
    cell : float
        Side of the squares that points were thinned to.
    overlap : float
        Area where both have points, m2.
    points : int
        Thinned points that the motion rests on.
    outliers : float
        Share of the thinned points in the overlap that count for nothing.
    before, after : Residuals
        In the same overlap.
    uneven : float
        95 % of the pieces of ground lie, by their median, within this of the reference after it: what a rigid
        motion can't take off.
    height_error_95 : float
        95 % interval of the height that the motion gives, at 95 % of the points.
    reliability, condition : float
        See :class:`cloudprep.kernels.point_to_plane.Shown`.
    """

    motion: Motion
    covariance: Floats
    cell: float
    overlap: float
    points: int
    outliers: float
    before: Residuals
    after: Residuals
    uneven: float
    height_error_95: float
    reliability: float
    condition: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, without motion and covariance."""
        left_out = ("motion", "covariance", "before", "after")
        plain = {k: v for k, v in self.__dict__.items() if k not in left_out}
        return {**plain, "before": asdict(self.before), "after": asdict(self.after)}


class Match:
    """Two sets of points, made ready to be brought together.

    Parameters
    ----------
    moving, reference : Thinned
        Local metres.
    limits : Limits
        What may happen.
    names : tuple of str
        For messages.

    Raises
    ------
    AlignmentError
        If they overlap too little.
    """

    def __init__(self, moving: Thinned, reference: Thinned, limits: Limits, names: tuple[str, str]) -> None:
        self.limits, self.names = limits, names
        if not len(moving.points) or not len(reference.points):
            self._refuse_overlap(0.0)
        reference = reference.within(moving.bounds(limits.most))
        if len(reference.points):
            moving = moving.within(reference.bounds(limits.most))
        if not len(moving.points) or not len(reference.points):
            self._refuse_overlap(0.0)
        box = moving.bounds()
        x, y = round((box.x0 + box.x1) / 2), round((box.y0 + box.y1) / 2)
        z = round(float(np.median(reference.points[:, 2])))
        self.centre = (float(x), float(y), float(z))
        self.cell = limits.cell or _cell_for(moving, reference)
        self.moving, _ = self._thinned(moving)
        thin, _ = self._thinned(reference)
        self.planes: Planes = fitted_planes(thin, _PLANE_IN_CELLS * self.cell)
        self._judge_overlap()
        self.tree = cKDTree(self.planes.places)
        self._groups_side = max(4 * self.cell, math.sqrt(self.overlap / _GROUPS))

    def _thinned(self, cloud: Thinned) -> tuple[Floats, Floats]:
        return column_means(cloud.points - self.centre, cloud.counts, self.cell, 2 * self.cell)

    def _judge_overlap(self) -> None:
        if not len(self.planes.places):
            self._refuse_overlap(0.0)
        near = cKDTree(self.planes.places[:, :2])
        reach = _REACH_IN_CELLS * self.cell
        both = np.isfinite(near.query(self.moving[:, :2], distance_upper_bound=reach)[0])
        # Points of the moving cloud that can say something; the rest is of no use any more.
        self.moving = self.moving[both]
        side = _SQUARE_IN_CELLS * self.cell
        squares = np.unique(np.floor(self.moving[:, :2] / side), axis=0)
        self.overlap = len(squares) * side**2
        if self.overlap < self.limits.least_overlap or len(self.moving) < LEAST_PAIRS:
            self._refuse_overlap(self.overlap)

    def _refuse_overlap(self, area: float) -> None:
        raise AlignmentError(
            f"{self.names[0]} and {self.names[1]}: the points to align share {area:,.0f} m2 "
            f"({len(getattr(self, 'moving', ())):,} thinned points); at least "
            f"{self.limits.least_overlap:,.0f} m2 and {LEAST_PAIRS} points are needed"
        )

    def pairs(self, motion: Motion, reach: float) -> Pairs:
        """Return the pairs after a motion."""
        return paired(self.moving + motion.displacements(self.moving), self.planes, self.tree, reach)

    @property
    def reach(self) -> float:
        """How far apart pairs may lie in the end, m."""
        return _REACH_IN_CELLS * self.cell

    def residuals(self, motion: Motion) -> Residuals:
        """Return the distances after a motion."""
        d = self.pairs(motion, max(self.reach, self.limits.most)).distances
        middle = float(np.median(d)) if len(d) else math.nan
        spread = MAD_TO_SIGMA * float(np.median(np.abs(d - middle))) if len(d) else math.nan
        return Residuals(len(d), middle, spread, float(np.sqrt(np.mean(d * d))) if len(d) else math.nan)

    def start(self) -> Motion:
        """Return the motion that moves nothing."""
        return Motion(centre=self.centre)

    def fit(self) -> Fit:
        """Find the motion and judge it.

        Returns
        -------
        Fit
            Good enough for the change sought.

        Raises
        ------
        AlignmentError
            If the ground doesn't tell, nothing settles, the motion leaves its bounds, too much has changed,
            or the fit is worse than the change sought.
        UsageError
            If turns are allowed and open3d can't be loaded.
        """
        first = self.pairs(self.start(), max(self.reach, self.limits.most))
        if len(first.rows) < LEAST_PAIRS:
            raise AlignmentError(
                f"{self._which}: only {len(first.rows):,} of {len(self.moving):,} points lie within "
                f"{max(self.reach, self.limits.most):g} m of the other's surface: farther than may be moved "
                "(--most-shift)"
            )
        self._refuse_few_groups(first)
        self._refuse_unshown(shown(first, self.planes, self.limits.free, _limit(first)))
        motion = (_turning if self.limits.allow == "rigid" else _shifting)(self).rounded()
        pairs = self.pairs(motion, self.reach)
        if len(pairs.rows) < LEAST_PAIRS:
            raise AlignmentError(f"{self._which}: too few points lie near each other after it: no fit")
        limit = _limit(pairs)
        told = shown(pairs, self.planes, self.limits.free, limit)
        self._refuse_unshown(told)
        farthest = float(np.linalg.norm(motion.displacements(self.moving), axis=1).max())
        if farthest > self.limits.most:
            raise AlignmentError(
                f"{self._which}: points would move by {farthest:.2f} m, but no more than "
                f"{self.limits.most:g} m are allowed (--most-shift)"
            )
        used = np.abs(pairs.distances) < limit
        outliers = 1.0 - float(used.sum()) / len(self.moving)
        if outliers > MOST_OUTLIERS:
            raise AlignmentError(
                f"{self._which}: {outliers:.0%} of the points don't fit: too much has changed to tell what "
                "hasn't; name what is stable with --stable AREAS"
            )
        covariance = self._covariance(motion, limit)
        whole = design(pairs, self.planes, tuple(range(6)))
        upright = np.maximum(self.planes.normals[pairs.planes][:, 2], _STEEPEST)
        errors = np.sqrt(np.maximum(np.einsum("ni,ij,nj->n", whole, covariance, whole), 0.0)) / upright
        fit = Fit(
            motion=motion,
            covariance=covariance,
            cell=self.cell,
            overlap=self.overlap,
            points=int(used.sum()),
            outliers=outliers,
            before=self.residuals(self.start()),
            after=self.residuals(motion),
            uneven=self._uneven(pairs, used),
            height_error_95=TWO_SIDED_95 * float(np.percentile(errors, 95)),
            reliability=told.reliability,
            condition=told.condition,
        )
        self._refuse_poor(fit)
        return fit

    @property
    def _which(self) -> str:
        return f"{self.names[0]} to {self.names[1]}"

    def _groups(self, points: Floats) -> NDArray[np.int64]:
        """Return the number of the piece of ground that each point lies on."""
        squares = np.floor(points[:, :2] / self._groups_side)
        found: NDArray[np.int64] = np.unique(squares, axis=0, return_inverse=True)[1].reshape(-1)
        return found

    def _refuse_few_groups(self, pairs: Pairs) -> None:
        number = int(self._groups(pairs.points).max()) + 1
        if number < LEAST_GROUPS:
            raise AlignmentError(
                f"{self._which}: the points lie on {number} pieces of ground of {self._groups_side:.0f} m; "
                f"at least {LEAST_GROUPS} are needed to know how sure a fit is"
            )

    def _covariance(self, motion: Motion, limit: float) -> Floats:
        """Return how unsure the motion is: errors count as shared within pieces of ground.

        How a piece responds to a motion is tried out, with new pairs: rough ground looks as if it held better
        than it does, since a point that moves finds another plane.
        """
        free, groups = self.limits.free, self._groups(self.moving)
        number = int(groups.max()) + 1
        size = float(np.sqrt(np.mean(np.sum(self.moving**2, axis=1)))) or 1.0
        step = max(limit / TUKEY, 10 * _SMALLEST_SPREAD)

        def scores(change: Motion) -> Floats:
            pairs = self.pairs(motion.then(change), self.reach)
            return group_scores(pairs, self.planes, free, limit, groups, number)

        responses = np.empty((number, len(free), len(free)))
        for i, part in enumerate(free):
            by = step / size if part < 3 else step
            there, back = (scores(_part(part, sign * by, self.centre)) for sign in (1.0, -1.0))
            responses[:, :, i] = (there - back) / (2 * by)
        whole = np.zeros((6, 6))
        whole[np.ix_(free, free)] = jackknifed(scores(self.start()), responses)
        return whole

    def _refuse_unshown(self, told: Shown) -> None:
        if told.reliability >= LEAST_RELIABILITY:
            return
        what = "a shift" if self.limits.allow == "shift" else "a rigid motion"
        words = [("turn about " + a) for a in ("east", "north", "up")] + ["shift east", "shift north", "lift"]
        weakest = words[self.limits.free[int(np.argmax(np.abs(told.weakest)))]]
        raise AlignmentError(
            f"{self._which}: the ground is too even to tell {what}, above all the {weakest} (reliability "
            f"{max(told.reliability, 0.0):.2f}, at least {LEAST_RELIABILITY:g} is needed; conditioning "
            f"{max(told.condition, 0.0):.1e}); --allow vertical works here"
        )

    def _refuse_poor(self, fit: Fit) -> None:
        sought = self.limits.min_change
        figures = (
            ("points scatter by", fit.after.spread),
            ("pieces of ground are off by", fit.uneven),
            ("the heights it gives are unsure by", fit.height_error_95),
        )
        poor = [f"{words} {value:.3f} m" for words, value in figures if not value <= sought]
        if poor:
            raise AlignmentError(
                f"{self._which}: the fit is worse than the change sought ({sought:g} m, --min-change): "
                f"{'; '.join(poor)}"
            )

    def _uneven(self, pairs: Pairs, used: NDArray[np.bool_]) -> float:
        groups, d = self._groups(pairs.points)[used], pairs.distances[used]
        order = np.argsort(groups, kind="stable")
        pieces = np.split(d[order], np.flatnonzero(np.diff(groups[order])) + 1)
        medians = [abs(float(np.median(p))) for p in pieces if len(p) >= 10]
        return float(np.percentile(medians, 95)) if medians else math.nan


def _cell_for(moving: Thinned, reference: Thinned) -> float:
    """Return the wider of both spacings, to the centimetre.

    On the two laser flights of the demo cells twice as wide gave larger errors of shifts.
    """
    box = moving.bounds()
    finest = math.sqrt(max(box.width * box.height, 0.0) / _MOST_CELLS)
    spacing = max(moving.spacing(), reference.spacing())
    return round(max(spacing, finest, _SMALLEST_CELL), 2)


def _part(part: int, by: float, centre: tuple[float, float, float]) -> Motion:
    """Return a motion along one of the six parts."""
    values = [0.0] * 6
    values[part] = by
    return Motion((values[3], values[4], values[5]), (values[0], values[1], values[2]), centre)


def _limit(pairs: Pairs) -> float:
    return TUKEY * max(robust_spread(pairs.distances), _SMALLEST_SPREAD)


def _reaches(match: Match) -> list[float]:
    """Return how far pairs may be apart, from what may be moved down to what is needed in the end."""
    reaches = [match.limits.most]
    while reaches[-1] > match.reach:
        reaches.append(max(reaches[-1] / 2, match.reach))
    return [*reaches[:-1], match.reach]


def _shifting(match: Match) -> Motion:
    """Return the shift: weighted least squares, repeated with new pairs and weights until nothing moves.

    Three unknowns at most: open3d has no estimate for these, and this one is the same sum in closed form.
    """
    motion, free = match.start(), match.limits.free
    reaches = _reaches(match)
    step = np.full(len(free), math.inf)
    for i, reach in enumerate(reaches):
        last = i == len(reaches) - 1
        for _ in range(_TURNS):
            pairs = match.pairs(motion, reach)
            if len(pairs.rows) < LEAST_PAIRS:
                break
            weights = biweights(pairs.distances, _limit(pairs))
            jacobian = design(pairs, match.planes, free)
            right = -jacobian.T @ (weights * pairs.distances)
            step = solved((jacobian * weights[:, None]).T @ jacobian, right)
            shift = np.zeros(3)
            shift[[f - 3 for f in free]] = step
            motion = motion.then(
                Motion((float(shift[0]), float(shift[1]), float(shift[2])), centre=match.centre)
            )
            if float(np.abs(step).max()) < (_FINE if last else _ROUGH):
                break
        if last:
            _refuse_unsettled(match, float(np.abs(step).max()))
    return motion


def _turning(match: Match) -> Motion:
    """Return the rigid motion, by open3d: point to plane, Tukey's weights, whose limit follows the spread."""
    import_open3d()
    import open3d  # noqa: PLC0415 - large, and only turns need it

    registration = open3d.pipelines.registration
    vectors = open3d.utility.Vector3dVector
    source = open3d.geometry.PointCloud(vectors(match.moving))
    target = open3d.geometry.PointCloud(vectors(match.planes.places))
    target.normals = vectors(match.planes.normals)
    rounds = registration.ICPConvergenceCriteria(1e-10, 1e-10, 8)
    size = float(np.linalg.norm(match.moving, axis=1).max())
    motion, moved = match.start(), math.inf
    reaches = _reaches(match)
    for i, reach in enumerate(reaches):
        last = i == len(reaches) - 1
        for _ in range(_TURNS):
            pairs = match.pairs(motion, reach)
            if len(pairs.rows) < LEAST_PAIRS:
                break
            matrix = np.eye(4)
            matrix[:3, :3], matrix[:3, 3] = motion.rotation, motion.shift
            estimate = registration.TransformationEstimationPointToPlane(
                registration.TukeyLoss(_limit(pairs))
            )
            found = registration.registration_icp(source, target, reach, matrix, estimate, rounds)
            matrix = np.array(found.transformation)
            shift = (float(matrix[0, 3]), float(matrix[1, 3]), float(matrix[2, 3]))
            new = Motion(shift, rotation_vector(matrix[:3, :3]), match.centre)
            change = motion.inverse().then(new)
            moved = float(np.abs(change.shift).max() + np.linalg.norm(change.turn) * size)
            motion = new
            if moved < (_FINE if last else _ROUGH):
                break
        if last:
            _refuse_unsettled(match, moved)
    return motion


def _refuse_unsettled(match: Match, step: float) -> None:
    if step <= _UNSETTLED:
        return
    raise AlignmentError(
        f"{match.names[0]} to {match.names[1]}: doesn't settle (still moves by {step:.4f} m after "
        f"{_TURNS} rounds)"
    )


def import_open3d() -> None:
    """Load open3d.

    Raises
    ------
    UsageError
        If it, or a system library that it needs, is missing.
    """
    try:
        import open3d  # noqa: F401, PLC0415 - large, and only turns need it
    except (ImportError, OSError) as error:
        told = " ".join(str(error).split())
        raise UsageError(
            f"--allow rigid needs open3d and the system libraries that it loads: "
            f"pip install 'cloudprep[align]' ({told})"
        ) from error
