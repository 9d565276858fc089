"""Named figures: what a run tells of itself and of each flight, and what gates judge."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """What stands behind the name of a figure.

    Parameters
    ----------
    unit : str
        ``m``, ``m2``, ``per m2``, ``s`` or empty for shares and counts.
    meaning : str
        One line for people.
    per_flight : bool
        Whether flights have it, each its own.
    per_run : bool
        Whether the run has it.
    """

    unit: str
    meaning: str
    per_flight: bool = False
    per_run: bool = True


def _of_header(unit: str, meaning: str) -> Figure:
    return Figure(unit, meaning, per_flight=True, per_run=False)


FIGURES: dict[str, Figure] = {
    "header.version": _of_header("", "LAS version of the file: 1.4, say"),
    "header.point_format": _of_header("", "point format of the file"),
    "header.crs_present": _of_header("", "1 if the file carries a reference system or a unit, else 0"),
    "header.date_known": _of_header(
        "", "1 if the header says when the file was made, before tomorrow, else 0"
    ),
    "header.step": _of_header("m", "coarsest step of a coordinate"),
    "header.count_off": _of_header("", "points by which a count of the header is wrong"),
    "header.returns_off": _of_header(
        "", "points by which the header's counts by return are wrong, if a stage reads return numbers"
    ),
    "header.bounds_off": _of_header("m", "distance of the header's bounding box from the points' own"),
    "header.contradictions": _of_header("", "how many things were odd when the file was opened"),
    "points.count": Figure("", "points, stray ones included", per_flight=True),
    "points.stray": Figure("", "points at absurd coordinates, labelled noise", per_flight=True),
    "points.area": Figure("m2", "area of the square cells of 5 m that hold points", per_flight=True),
    "points.density": Figure(
        "per m2", "points over the area that holds any, without stray ones", per_flight=True
    ),
    "points.spacing": Figure(
        "m", "mean point spacing: square root of the area that one point has", per_flight=True
    ),
    "ground.points": Figure("", "points of class 2, as delivered", per_flight=True),
    "ground.share": Figure("", "points of class 2 as a share of all points", per_flight=True),
    "noise.points": Figure("", "points of classes 7 and 18, as delivered", per_flight=True),
    "noise.share": Figure("", "points of classes 7 and 18 as a share of all points", per_flight=True),
    "returns.multiple_share": Figure(
        "",
        "points of pulses that gave more than one return as a share of all points, without stray ones",
        per_flight=True,
    ),
    "seconds": Figure("s", "how long the run took up to its gates"),
}
"""Figures of every run; stages add theirs (``Stage.reports``)."""
