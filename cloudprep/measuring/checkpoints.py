"""Vertical accuracy against surveyed checkpoints."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from cloudprep.engine.reference import describe, unit_name
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.io.caution import FIGURES
from cloudprep.io.las import assumed_crs
from cloudprep.io.point_table import read_point_table
from cloudprep.kernels.accuracy import FEWEST_TESTED, residual_statistics, with_survey_error
from cloudprep.measuring.surfaces import EMPTY, FOUND, OUTSIDE, open_surface
from cloudprep.model.crs import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.io.point_table import PointTable
    from cloudprep.kernels.accuracy import ResidualStatistics
    from cloudprep.measuring.surfaces import Surface

UNITS = {"metre": METRE, "foot": INTERNATIONAL_FOOT, "us_survey_foot": US_SURVEY_FOOT}
# Land cover that counts as vegetated (ASPRS 2014, 2023: tall weeds, crops, brush, forest), and what doesn't.
_VEGETATED = ("forest", "wood", "tree", "brush", "shrub", "scrub", "bush", "crop", "weed", "tall grass",
              "vegetat", "vva", "wald", "gebüsch", "hedge")  # fmt: skip
_OPEN = ("non-vegetat", "nonvegetat", "unvegetat", "nva", "open", "bare", "urban", "hard", "pav", "asphalt",
         "concrete", "road", "gravel", "sand", "rock", "soil", "dirt", "short grass", "low grass",
         "lawn", "offen")  # fmt: skip
_SAME_PLACE = 0.001
_WORST = 5
ALL_OPEN = "all points count as open ground: no land cover is named"
CAUTION = f"Accuracy found here holds for the places of the checkpoints. {FIGURES}"


@dataclass(frozen=True)
class CheckedPoint:
    """One checkpoint and how the product compares. Lengths are metres.

    Parameters
    ----------
    line : int
        Of the file.
    name : str
        As given.
    easting, northing, surveyed : float
        In the product's reference system.
    product : float or None
        Height of the product there.
    residual : float or None
        Product less survey.
    cover : str
        Land cover as given.
    vegetated : bool
        Whether it counts as vegetated.
    left_out : str
        Why it doesn't count; empty where it does.
    """

    line: int
    name: str
    easting: float
    northing: float
    surveyed: float
    product: float | None
    residual: float | None
    cover: str
    vegetated: bool
    left_out: str


@dataclass(frozen=True)
class CheckpointReport:
    """What came of a comparison; lengths in metres.

    Parameters
    ----------
    product, table : str
        The files.
    manner : str
        How heights at the points were found.
    reference : str
        Reference system of the product.
    unit : str
        Unit of heights in the product.
    survey_error : float or None
        RMSE of the checkpoints' own survey.
    points : tuple of CheckedPoint
        All of the file.
    skipped : tuple of (int, str)
        Lines that couldn't be read.
    open_ground, vegetated : ResidualStatistics or None
        Of the points that count; None where there are none.
    statements : tuple of str
        For a report.
    warnings, assumed : tuple of str
        For people.
    """

    product: str
    table: str
    manner: str
    reference: str
    unit: str
    survey_error: float | None
    points: tuple[CheckedPoint, ...]
    skipped: tuple[tuple[int, str], ...]
    open_ground: ResidualStatistics | None
    vegetated: ResidualStatistics | None
    statements: tuple[str, ...]
    warnings: tuple[str, ...]
    assumed: tuple[str, ...]
    caution: str = CAUTION

    def worst(self) -> list[CheckedPoint]:
        """Return the five points that count and are farthest off."""
        counted = [p for p in self.points if not p.left_out]
        return sorted(counted, key=lambda p: -abs(p.residual or 0.0))[:_WORST]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, for machines; lengths in metres."""
        found = asdict(self)
        for name, stats in (("open_ground", self.open_ground), ("vegetated", self.vegetated)):
            if stats is not None:
                found[name] |= {"nva_95": stats.nva_95, "biased": stats.biased}
        found["worst"] = [p.name for p in self.worst()]
        if self.open_ground is not None and self.survey_error is not None:
            found["rmse_with_survey"] = with_survey_error(self.open_ground.rmse, self.survey_error)
        return found


def check_points(
    product: Path,
    table: Path,
    *,
    columns: Sequence[str] | None = None,
    survey_error: float | None = None,
    land_cover: str | None = None,
    vegetated: Sequence[str] = (),
    points_crs: str | None = None,
    points_unit: str | None = None,
) -> CheckpointReport:
    """Compare a terrain model or a classified cloud with surveyed points.

    Parameters
    ----------
    product : Path
        A raster of heights, or a cloud whose ground has class 2.
    table : Path
        The points; see :func:`cloudprep.io.point_table.read_point_table`.
    columns : sequence of str, optional
        What the columns are, where no heading says so.
    survey_error : float, optional
        RMSE of the checkpoints' own survey, m.
    land_cover : str, optional
        Column that tells what grows at a point. Without it all points count as open ground.
    vegetated : sequence of str
        Values of that column that count as vegetated, where the words alone don't tell.
    points_crs : str, optional
        Reference system of the points, ``EPSG:n``; that of the product if left out.
    points_unit : {"metre", "foot", "us_survey_foot"}, optional
        Unit of their heights, and of their positions unless ``points_crs`` tells; that of the product if left
        out.

    Raises
    ------
    BadInputError
        If a file can't be used, or no point lies on the product.
    CrsError
        If a reference system is unknown, or the points can't be transformed.
    UsageError
        If the land cover of a point is of neither kind, or there is no such column.
    """
    surface = open_surface(product)
    found = read_point_table(table, columns)
    assumed = [*surface.assumed, *(() if land_cover else (ALL_OPEN,))]
    x, y, z = _in_metres(found, surface, points_crs, points_unit, assumed)
    cover, grown = _land_cover(found, table, land_cover, vegetated)
    sampled = surface.at(x, y)
    twice, notes = _duplicates(found, x, y, z)
    points = []
    for i, point in enumerate(found.points):
        reason = twice.get(i, "")
        if sampled.state[i] == OUTSIDE:
            reason = reason or "outside the product"
        elif sampled.state[i] == EMPTY:
            reason = reason or "the product has no height there"
        height = float(sampled.heights[i]) if sampled.state[i] == FOUND else None
        points.append(
            CheckedPoint(
                point.line,
                point.name,
                float(x[i]),
                float(y[i]),
                float(z[i]),
                height,
                None if height is None else height - float(z[i]),
                cover[i],
                grown[i],
                reason,
            )
        )
    counted = [p for p in points if not p.left_out]
    if not counted:
        raise BadInputError(table, _nothing_counts(points, product))
    split = [[p.residual or 0.0 for p in counted if p.vegetated is kind] for kind in (False, True)]
    open_ground, grown_over = (residual_statistics(np.array(r)) if r else None for r in split)
    return CheckpointReport(
        product=str(product),
        table=str(table),
        manner=surface.manner,
        reference=describe(surface.crs),
        unit=unit_name(surface.crs.vertical_unit or METRE),
        survey_error=survey_error,
        points=tuple(points),
        skipped=found.skipped,
        open_ground=open_ground,
        vegetated=grown_over,
        statements=tuple(statements(open_ground, grown_over, survey_error)),
        warnings=(*notes, *_bias_warnings(open_ground)),
        assumed=tuple(assumed),
    )


def statements(
    open_ground: ResidualStatistics | None, grown_over: ResidualStatistics | None, survey_error: float | None
) -> list[str]:
    """Return what may be said under both editions of the standard, in words."""

    def cm(value: float) -> str:
        return f"{100 * value:.1f} cm"

    lines: list[str] = []
    if open_ground is not None:
        enough = open_ground.count >= FEWEST_TESTED
        achieved = open_ground.rmse
        survey = (
            "the survey's own error isn't known and not in it (--survey-error adds it, as the edition asks)"
        )
        if survey_error is not None:
            achieved = with_survey_error(open_ground.rmse, survey_error)
            survey = f"the survey of the checkpoints, {cm(survey_error)}, is in it"
        head = "ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2 (2023)"
        fit = f"fit to {open_ground.count} checkpoints {cm(open_ground.rmse)}; {survey}"
        if enough:
            lines.append(f"{head}: tested; vertical RMSE over non-vegetated ground {cm(achieved)} ({fit}).")
        else:
            lines.append(
                f"{head}: can't be stated as tested, since {open_ground.count} of the {FEWEST_TESTED} "
                f"checkpoints that it needs are there. Found: vertical RMSE over non-vegetated ground "
                f"{cm(achieved)} ({fit})."
            )
    if grown_over is not None:
        lines.append(
            f"Edition 2, vegetated ground: RMSE {cm(grown_over.rmse)} over {grown_over.count} checkpoints, "
            "reported without pass or fail."
        )
    if open_ground is not None:
        line = (
            f"ASPRS Edition 1 (2014): non-vegetated vertical accuracy {cm(open_ground.nva_95)} at 95 % "
            f"(1.96 x RMSE {cm(open_ground.rmse)}, {open_ground.count} checkpoints)"
        )
        if grown_over is not None:
            line += (
                f"; vegetated vertical accuracy {cm(grown_over.percentile_95)} "
                f"(95th percentile, {grown_over.count} checkpoints)"
            )
        lines.append(line + ".")
    return lines


def _in_metres(
    found: PointTable,
    surface: Surface,
    points_crs: str | None,
    points_unit: str | None,
    assumed: list[str],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the points in global metres of the product's reference system."""
    x = np.array([p.easting for p in found.points])
    y = np.array([p.northing for p in found.points])
    z = np.array([p.height for p in found.points])
    across, up = surface.crs.horizontal_unit or METRE, surface.crs.vertical_unit or METRE
    plane = height = None
    if points_unit is not None:
        plane = height = UNITS[points_unit]
    if points_crs is not None:
        told = assumed_crs(points_crs)
        own = CRS.from_wkt(surface.crs.wkt) if surface.crs.wkt else None
        if own is None:
            raise CrsError(
                "the product carries no reference system: points in another one can't be brought to it"
            )
        _refuse_other_heights(told.wkt, own)
        x, y = _transformed(x, y, told.wkt, own)
        plane = None
        if height is None:
            height = told.vertical_unit or up
            if height != up:
                assumed.append(
                    f"heights of the points are in {unit_name(height)}, the unit of {points_crs} "
                    "(--points-unit names another)"
                )
    return x * (plane or across), y * (plane or across), z * (height or up)


def _refuse_other_heights(wkt: str | None, own: CRS) -> None:
    """Refuse points whose heights are said to count from another surface: nobody shifts them here."""
    theirs = CRS.from_wkt(wkt) if wkt else None
    if theirs is None or not theirs.is_compound or not own.is_compound:
        return
    first, second = theirs.sub_crs_list[1], own.sub_crs_list[1]
    if not first.equals(second) and first.datum != second.datum:
        raise CrsError(
            f"the points' heights are in {first.name}, the product's in {second.name}: bring them to the "
            "same vertical datum first"
        )


def _transformed(
    x: NDArray[np.float64], y: NDArray[np.float64], wkt: str | None, own: CRS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    try:
        source = CRS.from_wkt(wkt or "")
        plane = source.sub_crs_list[0] if source.is_compound else source
        target = own.sub_crs_list[0] if own.is_compound else own
        moved = Transformer.from_crs(plane, target, always_xy=True).transform(x, y, errcheck=True)
    except (CRSError, ProjError) as error:
        raise CrsError(f"the points can't be brought to the product's reference system: {error}") from error
    return np.asarray(moved[0]), np.asarray(moved[1])


def _land_cover(
    found: PointTable, table: Path, column: str | None, vegetated: Sequence[str]
) -> tuple[list[str], list[bool]]:
    if column is None:
        return [""] * len(found.points), [False] * len(found.points)
    if column not in found.columns:
        others = ", ".join(f"'{c}'" for c in found.columns)
        raise UsageError(f"{table}: no column is called '{column}' (there are: {others})")
    told = {v.strip().casefold() for v in vegetated}
    cover = [p.more.get(column, "").strip() for p in found.points]
    unknown: list[str] = []
    grown: list[bool] = []
    for text in cover:
        word = text.casefold()
        if told:
            grown.append(word in told)
        elif any(w in word for w in _OPEN):
            grown.append(False)
        elif any(w in word for w in _VEGETATED):
            grown.append(True)
        else:
            unknown.append(text)
            grown.append(False)
    if unknown:
        shown = ", ".join(f"'{t[:30]}'" for t in sorted(set(unknown))[:_WORST])
        raise UsageError(
            f"{table}: land cover {shown} may be vegetated or not: name those that are, --vegetated A,B,..."
        )
    return cover, grown


def _duplicates(
    found: PointTable, x: NDArray[np.float64], y: NDArray[np.float64], z: NDArray[np.float64]
) -> tuple[dict[int, str], list[str]]:
    """Return which points repeat an earlier one exactly, and lines about names and places that come twice."""
    places: dict[tuple[int, int], int] = {}
    names: dict[str, int] = {}
    twice: dict[int, str] = {}
    notes: list[str] = []
    for i, point in enumerate(found.points):
        place = (round(x[i] / _SAME_PLACE), round(y[i] / _SAME_PLACE))
        first = places.setdefault(place, i)
        if first != i:
            line = found.points[first].line
            if abs(z[i] - z[first]) < _SAME_PLACE:
                twice[i] = f"repeats line {line}"
            else:
                notes.append(
                    f"lines {line} and {point.line} lie in one place at different heights; both count"
                )
        other = names.setdefault(point.name, i)
        if other != i and i not in twice:
            notes.append(
                f"lines {found.points[other].line} and {point.line} have the same name '{point.name}'"
            )
    return twice, notes


def _nothing_counts(points: Sequence[CheckedPoint], product: Path) -> str:
    outside = sum(p.left_out == "outside the product" for p in points)
    if outside == len(points):
        return (
            f"none of its {len(points)} points lies on {product.name}: are easting and northing swapped, or "
            "is it in another reference system (--points-crs) or unit (--points-unit)?"
        )
    return f"at none of its {len(points)} points has {product.name} a height"


def _bias_warnings(found: ResidualStatistics | None) -> list[str]:
    few = 3
    if found is None or found.count < few or not found.biased or found.bias_p is None or found.bias_p > 0.05:
        return []
    text = (
        f"the mean, {100 * found.mean:+.1f} cm, is more than a quarter of the RMSE and no chance "
        f"(p {found.bias_p:.1g}): it points to a bias, such as another vertical datum or a wrong antenna"
    )
    return [text]
