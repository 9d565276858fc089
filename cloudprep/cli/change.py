"""``cloudprep change``: what moved between two dates."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cloudprep.cli.options import AsJson, Debug  # noqa: TC001 - typer reads the annotations
from cloudprep.cli.volume import (  # noqa: TC001
    FigureUnit,
    RandomError,
    SharedError,
    SharedOver,
    SystematicError,
)

if TYPE_CHECKING:
    from cloudprep.measuring.change import ChangeReport

NAME = "change"
HELP = """Compare two terrains: what was raised and lowered, what of it is significant, and how sure that is.

\b
Examples:
  cloudprep change may.tif june.tif --out may_june
  cloudprep change may.tif june.tif --over piles.gpkg --stable roads.gpkg
  cloudprep change may.tif june.tif --over piles.gpkg --min-change 0.05 --shift --stable roads.gpkg

A change is significant where it is larger than 1.96 times the error of the difference (--min-change auto), or
than what --min-change says. The errors come from rasters of standard errors beside both terrains, from the
stable ground (where differences are nothing but errors), or from the options. Net volumes are summed over all
cells, significant or not: leaving out the others would lose small changes over large areas.

Figures are metres. Where the earlier terrain's plan is in feet, or --unit names a foot, they are given in
that foot too: square feet and acres, cubic feet, and cubic yards of 27 cubic feet. Rasters stay in metres.
"""

_IN_FEET = ("measured_ft2", "raised_yd3", "lowered_yd3", "net_yd3", "interval_95_yd3", "raised_sure_yd3",
            "lowered_sure_yd3")  # fmt: skip

Before = Annotated[
    Path, typer.Argument(metavar="BEFORE", help="Terrain of the earlier date.", show_default=False)
]
After = Annotated[
    Path, typer.Argument(metavar="AFTER", help="Terrain of the later date.", show_default=False)
]
Over = Annotated[
    Path | None,
    typer.Option(
        "--over", metavar="AREAS", help="Polygons to sum up over; all if left out.", show_default=False
    ),
]
Stable = Annotated[
    Path | None,
    typer.Option(
        "--stable",
        metavar="AREAS",
        help="Ground that hasn't changed: tells bias and errors.",
        show_default=False,
    ),
]
MinChange = Annotated[
    str, typer.Option("--min-change", metavar="auto|METRES", help="Smaller changes aren't significant.")
]
Shift = Annotated[bool, typer.Option("--shift", help="Take the bias over stable ground off the later date.")]
Out = Annotated[
    Path | None,
    typer.Option(
        "--out", metavar="DIR", help="Folder for rasters, tables and a picture.", show_default=False
    ),
]


def command(
    before: Before,
    after: After,
    over: Over = None,
    stable: Stable = None,
    min_change: MinChange = "auto",
    shift: Shift = False,
    random_error: RandomError = None,
    shared_error: SharedError = None,
    shared_over: SharedOver = None,
    systematic_error: SystematicError = None,
    unit: FigureUnit = None,
    out: Out = None,
    as_json: AsJson = False,
    debug: Debug = False,  # noqa: ARG001 - the guard reads it
) -> None:
    """Compare two terrains."""
    from contextlib import ExitStack

    from cloudprep.cli.console import put, put_json, tell
    from cloudprep.cli.volume import given_errors
    from cloudprep.errors import UsageError
    from cloudprep.measuring.change import ChangeRequest, Comparison, measure_change
    from cloudprep.measuring.outputs import refuse_urls

    refuse_urls("change", before, after, over, stable, out)
    if shift and stable is None:
        raise UsageError("--shift takes off the bias over stable ground: it goes with --stable AREAS")
    request = ChangeRequest(
        before,
        after,
        over,
        stable,
        _smallest(min_change),
        given_errors(random_error, shared_error, shared_over, systematic_error),
        shift,
        unit,
    )
    with ExitStack() as stack:
        comparison = Comparison(request, stack)
        report = measure_change(comparison)
        if out is not None:
            from cloudprep.measuring.change_files import write_change

            for path in write_change(comparison, report, out):
                tell(f"written: {path}")
    for note in report.assumed:
        tell(f"assumed: {note}")
    for note in report.warnings:
        tell(f"warning: {note}")
    put_json(report.as_dict()) if as_json else put(report_text(report))


def _smallest(text: str) -> float | None:
    from cloudprep.errors import UsageError

    if text == "auto":
        return None
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < float("inf"):
        raise UsageError(f"--min-change {text}: give auto, or metres such as 0.05")
    return value


def report_text(report: ChangeReport) -> str:
    """Return a comparison for people."""
    from cloudprep.cli.foot_table import foot_lines

    wide = max([4, *(len(a.name) for a in report.areas)])
    lines = [
        f"{report.after} less {report.before}, cells of {report.cell:g} m, {report.reference}",
        f"significant: {report.smallest}",
    ]
    if report.stable is not None:
        s = report.stable
        taken = ", taken off" if report.shift else ""
        lines.append(
            f"stable ground, {s.area:,.0f} m2: bias {s.bias:+.4f} m (standard deviation "
            f"{s.bias_error:.4f}){taken}; "
            f"single cells {s.deviation:.4f} m"
        )
    words = f"{'raised m3':>13}{'lowered m3':>13}{'net m3':>13}{'+- 95 %':>11}{'sure':>8}"
    lines += ["", f"{'area':<{wide}}{'m2':>12}{words}"]
    for a in report.areas:
        interval = "-" if a.interval_95 is None else f"{a.interval_95:,.1f}"
        lines.append(
            f"{a.name:<{wide}}{a.measured:>12,.1f}{a.raised:>13,.2f}{a.lowered:>13,.2f}{a.net:>13,.2f}"
            f"{interval:>11}{a.sure_share:>8.0%}"
        )
    lines += ["", "of it significant"]
    lines += [
        f"{a.name:<{wide}}{'':>12}{a.raised_sure:>13,.2f}{a.lowered_sure:>13,.2f}" for a in report.areas
    ]
    if report.foot is not None:
        rows = [(a.name, a.figures) for a in report.areas]
        lines += ["", *foot_lines(rows, report.foot, wide, _IN_FEET)]
    return "\n".join([*lines, "", report.errors, report.caution])
