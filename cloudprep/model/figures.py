"""Named figures: what a run tells of itself and of each flight, and what gates judge."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """What stands behind the name of a figure.

    Parameters
    ----------
    name : str
        Dotted, in lower case.
    unit : str
        ``m``, ``m2``, ``per m2``, ``s`` or empty for shares and counts.
    meaning : str
        One line for people.
    per_flight : bool
        Whether flights have it, each its own.
    per_run : bool
        Whether the run has it.
    """

    name: str
    unit: str
    meaning: str
    per_flight: bool = False
    per_run: bool = True


def _of_header(name: str, unit: str, meaning: str) -> Figure:
    return Figure(f"header.{name}", unit, meaning, per_flight=True, per_run=False)


_ALL = (
    _of_header("version", "", "LAS version of the file: 1.4, say"),
    _of_header("point_format", "", "point format of the file"),
    _of_header("crs_present", "", "1 if the file carries a reference system or a unit, else 0"),
    _of_header("date_known", "", "1 if the header says when the file was made, before tomorrow, else 0"),
    _of_header("step", "m", "coarsest step of a coordinate"),
    _of_header("count_off", "", "points by which a count of the header is wrong"),
    _of_header(
        "returns_off",
        "",
        "points by which the header's counts by return are wrong, if a stage reads return numbers",
    ),
    _of_header("bounds_off", "m", "distance of the header's bounding box from the points' own"),
    _of_header("contradictions", "", "how many things were odd when the file was opened"),
    Figure("points.count", "", "points, stray ones included", per_flight=True),
    Figure("points.stray", "", "points at absurd coordinates, labelled noise", per_flight=True),
    Figure("points.area", "m2", "area of the square cells of 5 m that hold points", per_flight=True),
    Figure(
        "points.density", "per m2", "points over the area that holds any, without stray ones", per_flight=True
    ),
    Figure(
        "points.spacing",
        "m",
        "mean point spacing: square root of the area that one point has",
        per_flight=True,
    ),
    Figure("ground.points", "", "points of class 2, as delivered", per_flight=True),
    Figure("ground.share", "", "points of class 2 as a share of all points", per_flight=True),
    Figure("noise.points", "", "points of classes 7 and 18, as delivered", per_flight=True),
    Figure("noise.share", "", "points of classes 7 and 18 as a share of all points", per_flight=True),
    Figure(
        "returns.multiple_share",
        "",
        "points of pulses that gave more than one return as a share of all points, without stray ones",
        per_flight=True,
    ),
    Figure("seconds", "s", "how long the run took up to its gates"),
)

FIGURES: dict[str, Figure] = {figure.name: figure for figure in _ALL}
"""Figures of every run; stages add theirs (``Stage.reports``)."""
