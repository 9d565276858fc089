"""``cloudprep align``: clouds brought onto a reference, or flights onto each other."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations

if TYPE_CHECKING:
    from cloudprep.measuring.align import AlignReport, Compared, Moved

NAME = "align"
HELP = """Bring one date's clouds onto a reference, or flights onto each other; by default only tell how.

\b
Examples:
  cloudprep align june/ --to may/clouds --stable roads.gpkg
  cloudprep align june.laz --to may.tif --allow vertical --out aligned --apply
  cloudprep align flights/ --flights --allow rigid --out aligned --apply

Distances from ground points (class 2) to the reference's surface are made least; what has changed counts for
nothing. Refused, with exit code 3, is what can't be told: too small an overlap, ground too even to show the
motion, a fit worse than the change sought. --apply writes moved clouds into --out: coordinates are rounded to
each file's own steps, which is told in alignment.json, and everything else stays to the bit.
"""


class Allow(StrEnum):
    """What may move."""

    vertical = "vertical"
    shift = "shift"
    rigid = "rigid"


class Points(StrEnum):
    """Which points count."""

    ground = "ground"
    all = "all"


Moving = Annotated[
    list[str],
    typer.Argument(
        metavar="MOVING", help="Clouds to move: files, folders, or patterns in quotes.", show_default=False
    ),
]
To = Annotated[
    list[str] | None,
    typer.Option(
        "--to",
        metavar="REFERENCE",
        help="What stays: an earlier cloud (or a folder of them; may be repeated), or a terrain raster.",
        show_default=False,
    ),
]
Flights = Annotated[bool, typer.Option("--flights", help="Bring MOVING onto each other in their overlaps.")]
Hold = Annotated[
    Path | None,
    typer.Option(
        "--hold",
        metavar="FLIGHT",
        help="With --flights: this one stays. Without it the mean of all motions is zero.",
        show_default=False,
    ),
]
Stable = Annotated[
    Path | None,
    typer.Option(
        "--stable",
        metavar="AREAS",
        help="Polygons that haven't changed: only these count.",
        show_default=False,
    ),
]
Which = Annotated[
    Points, typer.Option("--points", help="Which points count: ground, or all but noise (with --stable).")
]
Allowed = Annotated[
    Allow, typer.Option("--allow", help="What may move: heights, all coordinates, or these and turns.")
]
MinChange = Annotated[
    float, typer.Option("--min-change", metavar="METRES", help="Change sought: a worse fit is refused.")
]
MostShift = Annotated[
    float, typer.Option("--most-shift", metavar="METRES", help="No point may move farther than this.")
]
MinOverlap = Annotated[
    float, typer.Option("--min-overlap", metavar="M2", help="A smaller overlap is refused, square metres.")
]
Cell = Annotated[
    float | None,
    typer.Option(
        "--cell",
        metavar="METRES",
        help="Thin points to this; by their density if left out.",
        show_default=False,
    ),
]
Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Folder for the record and moved clouds.", show_default=False),
]
Apply = Annotated[bool, typer.Option("--apply", help="Write moved clouds into --out.")]


def command(
    moving: Moving,
    to: To = None,
    flights: Flights = False,
    hold: Hold = None,
    stable: Stable = None,
    points: Which = Points.ground,
    allow: Allowed = Allow.shift,
    min_change: MinChange = 0.1,
    most_shift: MostShift = 2.0,
    min_overlap: MinOverlap = 500.0,
    cell: Cell = None,
    out: Out = None,
    apply: Apply = False,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Align clouds."""
    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.engine.inputs import expand_inputs
    from cloudprep.errors import UsageError
    from cloudprep.measuring.align import AlignRequest, align_epoch, align_flights
    from cloudprep.measuring.align_files import write_alignment
    from cloudprep.measuring.align_fit import Limits
    from cloudprep.measuring.outputs import refuse_urls

    refuse_urls("align", *moving, *(to or ()), hold, stable, out)
    if flights == bool(to):
        raise UsageError("give either --to REFERENCE, or --flights to bring the clouds onto each other")
    if hold is not None and not flights:
        raise UsageError("--hold names the flight that stays: it goes with --flights")
    if apply and out is None:
        raise UsageError("--apply writes moved clouds: it goes with --out DIR")
    request = AlignRequest(
        moving=tuple(expand_inputs(moving, leave_out=out, note=tell)),
        reference=tuple(expand_inputs(to, leave_out=out, note=tell)) if to else (),
        stable=stable,
        ground=points is Points.ground,
        limits=Limits(allow.value, min_change, most_shift, min_overlap, cell),
        hold=hold,
    )
    report = align_flights(request) if flights else align_epoch(request)
    record: dict[str, Any] = {**report.as_dict(), "applied": False}
    if out is not None:
        paths, record = write_alignment(report, out, apply=apply)
        for path in paths:
            tell(f"written: {path}")
    for note in report.assumed:
        tell(f"assumed: {note}")
    written = [cloud["written"] for cloud in record["clouds"] if "written" in cloud]
    for note in (*report.warnings, *(f"{w['file']}: {text}" for w in written for text in w["warnings"])):
        tell(f"warning: {note}")
    put_json(record) if as_json else put(report_text(report, record))


def report_text(report: AlignReport, record: dict[str, Any]) -> str:
    """Return an alignment for people."""
    limits = report.request.limits
    lines = [f"{report.system}; {limits.allow} allowed, sought are changes of {limits.min_change:g} m"]
    for pair in report.pairs:
        lines += ["", *_pair_lines(pair)]
    shown = report.clouds if not report.request.reference else report.clouds[:1]
    lines += ["", "motion (standard error), about its centre"]
    for moved in shown:
        lines += _motion_lines(moved, alone=bool(report.request.reference))
    for cloud in record["clouds"]:
        if "written" in cloud:
            w = cloud["written"]
            rounding = max(w["largest_rounding_mm"])
            lines.append(
                f"{w['file']}: {w['moved']:,} of {w['points']:,} points moved, rounded by at most "
                f"{rounding:.2f} mm to the file's steps"
            )
    if not record["applied"]:
        lines += ["", "nothing is moved; --apply --out DIR writes moved clouds"]
    return "\n".join([*lines, "", report.caution])


def _pair_lines(pair: Compared) -> list[str]:
    fit = pair.fit
    what = (
        f"{pair.moving} onto {pair.reference}: {fit.points:,} points thinned to {fit.cell:g} m on "
        f"{fit.overlap:,.0f} m2, {fit.outliers:.1%} left out as outliers"
    )
    lines = [
        what,
        f"{'distances, m':<14}{'median':>10}{'spread':>10}{'rms':>10}",
    ]
    for words, r in (("before", fit.before), ("after", pair.after)):
        lines.append(f"{words:<14}{r.median:>+10.4f}{r.spread:>10.4f}{r.rms:>10.4f}")
    lines.append(
        f"heights unsure by {fit.height_error_95:.4f} m (95 %); pieces of ground off by up to "
        f"{fit.uneven:.4f} m; reliability {fit.reliability:.2f}, conditioning {fit.condition:.1e}"
    )
    if pair.misclosure is not None:
        east, north, up = pair.misclosure
        lines.append(f"misclosure {east:+.4f} east, {north:+.4f} north, {up:+.4f} up, m")
    return lines


def _motion_lines(moved: Moved, *, alone: bool) -> list[str]:
    import math

    words = []
    for name, value, error in zip(
        ("east", "north", "up"), moved.motion.shift, moved.shift_error, strict=True
    ):
        if error is not None:
            words.append(f"{name} {value:+.4f} m ({error:.4f})")
    lines = [("" if alone else f"{moved.cloud.path.name}: ") + ", ".join(words)]
    turns = []
    for name, value, error in zip(("east", "north", "up"), moved.motion.turn, moved.turn_error, strict=True):
        if error is not None:
            turns.append(f"about {name} {math.degrees(value):+.5f} deg ({error:.5f})")
    if turns:
        lines.append("  " + ", ".join(turns))
        x, y, z = moved.motion.centre
        lines.append(f"  centre {x:,.0f} east, {y:,.0f} north, {z:,.0f} up, m")
    return lines
