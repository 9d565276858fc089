"""Co-registration: one date's clouds brought onto a reference, or the flights of a run onto each other."""

from __future__ import annotations

import itertools
import math
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.engine.reference import describe, site_reference
from cloudprep.errors import AlignmentError, UsageError
from cloudprep.io.caution import FIGURES as CAUTION
from cloudprep.io.raster_reading import HeightRaster
from cloudprep.kernels.volume_error import TWO_SIDED_95
from cloudprep.measuring.align_fit import Limits, Match, import_open3d
from cloudprep.measuring.align_network import Tie, adjusted, parts_of
from cloudprep.measuring.align_points import (
    Choice,
    Cloud,
    joined,
    open_cloud,
    open_reference,
    origin_of,
    read_cloud,
    read_raster,
    read_stable,
    refuse_other_system,
)
from cloudprep.model.motion import Motion

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.measuring.align_fit import Fit, Residuals
    from cloudprep.measuring.align_points import Thinned
    from cloudprep.model.crs import CloudCrs

    Floats = NDArray[np.float64]

_MOST_FLIGHTS = 200


@dataclass(frozen=True)
class AlignRequest:
    """What is wanted.

    Parameters
    ----------
    moving : sequence of Path
        The clouds to move.
    reference : sequence of Path
        Clouds, or one raster of heights, to bring all of them onto, as one. None: bring them onto each other.
    stable : Path, optional
        Areas that haven't changed.
    ground : bool
        Ground (class 2) only; else all points but noise, which needs stable areas.
    limits : Limits
        What may move, and when it is refused.
    hold : Path, optional
        The flight that stays, where there is no reference.
    """

    moving: tuple[Path, ...]
    reference: tuple[Path, ...] = ()
    stable: Path | None = None
    ground: bool = True
    limits: Limits = field(default_factory=Limits)
    hold: Path | None = None


@dataclass(frozen=True)
class Moved:
    """Where a cloud goes.

    Parameters
    ----------
    cloud : Cloud
        Which.
    motion : Motion
        Global metres.
    shift_error, turn_error : tuple of float or None
        Standard errors at the motion's centre, m and degrees; None for what is held.
    """

    cloud: Cloud
    motion: Motion
    shift_error: tuple[float | None, ...]
    turn_error: tuple[float | None, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "cloud": str(self.cloud.path),
            **self.motion.as_dict(),
            "shift_standard_error": list(self.shift_error),
            "turn_standard_error_degrees": list(self.turn_error),
        }


@dataclass(frozen=True)
class Compared:
    """Two things that overlap.

    Parameters
    ----------
    moving, reference : str
        Their names.
    fit : Fit
        Of these two alone.
    after : Residuals
        With the motions that are proposed in the end.
    misclosure : tuple of float or None
        East, north, up, m: by how much the proposed motions miss this pair's own; None where it is the only
        one.
    """

    moving: str
    reference: str
    fit: Fit
    after: Residuals
    misclosure: tuple[float, float, float] | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        own = {**self.fit.as_dict(), "after": asdict(self.after)}
        return {"moving": self.moving, "reference": self.reference, **own, "misclosure": self.misclosure}


@dataclass(frozen=True)
class AlignReport:
    """What an alignment came to."""

    request: AlignRequest
    system: str
    clouds: tuple[Moved, ...]
    pairs: tuple[Compared, ...]
    warnings: tuple[str, ...]
    assumed: tuple[str, ...]
    caution: str = CAUTION

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines; metres and degrees."""
        r = self.request
        return {
            "schema_version": 1,
            "reference": [str(p) for p in r.reference] or None,
            "hold": None if r.hold is None else str(r.hold),
            "stable": None if r.stable is None else str(r.stable),
            "points": "ground" if r.ground else "all",
            "limits": asdict(r.limits),
            "reference_system": self.system,
            "transform": "p' = R (p - centre) + centre + shift; east, north, up in metres",
            "clouds": [c.as_dict() for c in self.clouds],
            "pairs": [p.as_dict() for p in self.pairs],
            "warnings": list(self.warnings),
            "assumed": list(self.assumed),
            "caution": self.caution,
        }


def align_epoch(request: AlignRequest) -> AlignReport:
    """Bring the clouds of one date, as one, onto a reference.

    Parameters
    ----------
    request : AlignRequest
        With a reference.

    Returns
    -------
    AlignReport
        One motion for all clouds. Nothing is written.

    Raises
    ------
    AlignmentError
        If the motion can't be told well enough; see :mod:`cloudprep.measuring.align_fit`.
    BadInputError, CrsError
        If a file can't be used.
    UsageError
        If the request makes no sense, or a library is missing.

    Notes
    -----
    Points are thinned to the means of squares, the reference's get a plane each (Chen and Medioni 1992), and
    distances to these are made least with Tukey's weights, so that what has changed counts for nothing.
    """
    _refuse_early(request)
    clouds = [open_cloud(p) for p in request.moving]
    references = [open_reference(p) for p in request.reference]
    earlier = [r for r in references if isinstance(r, Cloud)]
    rasters = [r for r in references if isinstance(r, HeightRaster)]
    if rasters and len(references) > 1:
        raise UsageError("--to takes one raster, or clouds; not several rasters, and not both")
    crs, notes = _system([*clouds, *earlier])
    for raster in rasters:
        refuse_other_system(clouds[0], raster)
        notes.extend(raster.assumed)
    choice = _choice(request, crs, origin_of(clouds), notes)
    parts = [read_cloud(c, choice) for c in clouds]
    moving = joined(parts)
    names = _both([c.path.name for c in clouds]), _both([p.name for p in request.reference])
    _refuse_empty(moving, names[0], request)
    bounds = moving.bounds(request.limits.most)
    if rasters:
        reference = read_raster(rasters[0], choice, bounds)
    else:
        reference = joined([read_cloud(c, choice, bounds) for c in earlier])
    match = Match(moving, reference, request.limits, names)
    fit = match.fit()
    motion = _global(fit.motion, choice.origin)
    compared = Compared(names[0], names[1], fit, fit.after)
    moved = tuple(_moved(c, motion, fit.covariance, request.limits.free) for c in clouds)
    return AlignReport(request, describe(crs), moved, (compared,), _warnings(moved), tuple(notes))


def align_flights(request: AlignRequest) -> AlignReport:
    """Bring the flights of one run onto each other, in their overlaps.

    Parameters
    ----------
    request : AlignRequest
        Without a reference.

    Returns
    -------
    AlignReport
        A motion for each flight. One is held if the request says so; else their mean is zero. Nothing is
        written.

    Raises
    ------
    AlignmentError
        If a motion can't be told well enough, or a flight shares too little with the others.
    BadInputError, CrsError
        If a file can't be used.
    UsageError
        If the request makes no sense, or a library is missing.

    Notes
    -----
    Each two flights are aligned as :func:`align_epoch` does it; all these ties are adjusted together,
    weighted by how sure they are. Where flights lie in a ring the misclosures check the standard errors.
    """
    _refuse_early(request)
    if len(request.moving) > _MOST_FLIGHTS:
        raise UsageError(f"{len(request.moving)} flights are too many at once (at most {_MOST_FLIGHTS})")
    clouds = [open_cloud(p) for p in request.moving]
    crs, notes = _system(clouds)
    choice = _choice(request, crs, origin_of(clouds), notes)
    parts = [read_cloud(c, choice) for c in clouds]
    for cloud, part in zip(clouds, parts, strict=True):
        _refuse_empty(part, cloud.path.name, request)
    held = _held(request)
    matches, fits, left_out = _ties(clouds, parts, request.limits)
    groups = parts_of(len(clouds), list(fits))
    if len(groups) > 1:
        alone = "; ".join(_both([clouds[i].path.name for i in g]) for g in groups)
        why = f" ({'; '.join(left_out)})" if left_out else ""
        raise AlignmentError(f"the flights don't hang together by their overlaps: {alone}{why}")
    low = np.min([p.points.min(axis=0) for p in parts], axis=0)
    high = np.max([p.points.max(axis=0) for p in parts], axis=0)
    x, y, z = (float(v) for v in np.round((low + high) / 2))
    ties = [Tie(i, j, fit.motion, fit.covariance) for (i, j), fit in fits.items()]
    network = adjusted(len(clouds), ties, request.limits.free, (x, y, z), held)
    pairs = []
    for k, ((i, j), fit) in enumerate(fits.items()):
        relative = network.motions[i].then(network.motions[j].inverse()).about(fit.motion.centre)
        east, north, up = (float(v) for v in network.misclosures[k, 3:])
        _refuse_misclosure(clouds[i], clouds[j], up, request.limits)
        after = matches[i, j].residuals(relative)
        pairs.append(Compared(clouds[i].path.name, clouds[j].path.name, fit, after, (east, north, up)))
    moved = tuple(
        _moved(c, _global(m, choice.origin), v, request.limits.free)
        for c, m, v in zip(clouds, network.motions, network.covariances, strict=True)
    )
    warnings = (*(f"left out: {w}" for w in left_out), *_warnings(moved))
    return AlignReport(request, describe(crs), moved, tuple(pairs), warnings, tuple(notes))


def _ties(
    clouds: Sequence[Cloud], parts: Sequence[Thinned], limits: Limits
) -> tuple[dict[tuple[int, int], Match], dict[tuple[int, int], Fit], list[str]]:
    """Align each two flights that overlap; return also why some were left out."""
    matches: dict[tuple[int, int], Match] = {}
    fits: dict[tuple[int, int], Fit] = {}
    left_out: list[str] = []
    for j, i in itertools.combinations(range(len(clouds)), 2):
        a, b = parts[i].bounds(limits.most), parts[j].bounds()
        if a.x0 > b.x1 or b.x0 > a.x1 or a.y0 > b.y1 or b.y0 > a.y1:
            continue
        try:
            match = Match(parts[i], parts[j], limits, (clouds[i].path.name, clouds[j].path.name))
            fits[i, j] = match.fit()
            matches[i, j] = match
        except AlignmentError as error:
            left_out.append(str(error))
    return matches, fits, left_out


def _refuse_misclosure(moving: Cloud, reference: Cloud, up: float, limits: Limits) -> None:
    if abs(up) > limits.min_change:
        raise AlignmentError(
            f"{moving.path.name} to {reference.path.name}: the flights contradict each other by {up:+.3f} m "
            f"in height, more than the change sought ({limits.min_change:g} m, --min-change)"
        )


def _refuse_early(request: AlignRequest) -> None:
    """Refuse what makes no sense before anything is read."""
    limits = request.limits
    for name, value in (
        ("--min-change", limits.min_change),
        ("--most-shift", limits.most),
        ("--cell", limits.cell if limits.cell is not None else 1.0),
    ):
        if not 0 < value < math.inf:
            raise UsageError(f"{name} {value:g}: metres above 0 are wanted")
    if not 0 <= limits.least_overlap < math.inf:
        raise UsageError(f"--min-overlap {limits.least_overlap:g}: square metres are wanted")
    if not request.ground and request.stable is None:
        raise UsageError("--points all takes plants and machines too: it goes with --stable AREAS")
    if not request.reference and len(request.moving) < 2:
        raise UsageError("one cloud alone can't be aligned: give --to REFERENCE, or several flights")
    if limits.allow == "rigid":
        import_open3d()


def _refuse_empty(part: Thinned, name: str, request: AlignRequest) -> None:
    if part.total:
        return
    where = "" if request.stable is None else f" in the areas of {request.stable.name}"
    what = "ground points (class 2)" if request.ground else "points"
    raise AlignmentError(f"{name}: has no {what}{where} to align by")


def _held(request: AlignRequest) -> int | None:
    if request.hold is None:
        return None
    for i, path in enumerate(request.moving):
        if path.resolve() == request.hold.resolve() or path.name == str(request.hold):
            return i
    raise UsageError(f"--hold {request.hold}: is none of the flights")


def _system(clouds: Sequence[Cloud]) -> tuple[CloudCrs, list[str]]:
    """Return the one reference system of all clouds, and what was assumed."""
    crs, lines = site_reference([(c.flight, c.settled) for c in clouds])
    return crs, [*(a for c in clouds for a in c.settled.assumed), *lines]


def _choice(request: AlignRequest, crs: CloudCrs, origin: tuple[float, float], notes: list[str]) -> Choice:
    stable = None if request.stable is None else read_stable(request.stable, crs, origin, notes.append)
    return Choice(request.ground, stable, origin)


def _both(names: Sequence[str]) -> str:
    shown = ", ".join(names[:3])
    return shown if len(names) <= 3 else f"{shown} and {len(names) - 3} more"


def _global(motion: Motion, origin: tuple[float, float]) -> Motion:
    x, y, z = motion.centre
    return Motion(motion.shift, motion.turn, (x + origin[0], y + origin[1], z))


def _moved(cloud: Cloud, motion: Motion, covariance: Floats, free: tuple[int, ...]) -> Moved:
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    told = [float(e) if part in free else None for part, e in enumerate(errors)]
    turns = tuple(None if e is None else math.degrees(e) for e in told[:3])
    return Moved(cloud, motion, tuple(told[3:]), turns)


def _warnings(moved: Sequence[Moved]) -> tuple[str, ...]:
    """Say which motions don't differ from nothing, and what turns leave wrong."""
    found = []
    for one in moved:
        turn = math.degrees(math.hypot(*one.motion.turn))
        if one.cloud.flight.layout.waves is not None and turn > 0:
            found.append(
                f"{one.cloud.path.name}: its points carry waveforms, whose directions aren't turned with the "
                f"points: they would be off by up to {turn:.4f} degrees; --allow shift leaves them right"
            )
        values = (*one.motion.shift, *map(math.degrees, one.motion.turn))
        told = zip(values, (*one.shift_error, *one.turn_error), strict=True)
        free = [(abs(value), error) for value, error in told if error]
        if free and all(value <= TWO_SIDED_95 * error for value, error in free):
            found.append(f"{one.cloud.path.name}: its motion differs from none by no more than its errors")
    return tuple(found)
