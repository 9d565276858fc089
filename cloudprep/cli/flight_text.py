"""What is in a flight, laid out for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.engine.extra_columns import extra_columns
from cloudprep.engine.reference import describe
from cloudprep.model.classes import class_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cloudprep.engine.inspect import FlightReport

_LABEL_WIDTH = 13
_MOST_LINES = 30


def report_text(report: FlightReport) -> str:
    """Return everything about one flight: its path, then labelled lines."""
    lines = [report.path]
    parts = (_about_file(report), _about_place(report), _about_points(report), [("odd", report.oddities)])
    for part in parts:
        for label, texts in part:
            lines += [f"  {'' if i else label:<{_LABEL_WIDTH}} {text}" for i, text in enumerate(texts)]
    return "\n".join(lines)


def _about_file(report: FlightReport) -> Iterator[tuple[str, Sequence[str]]]:
    flight = report.flight
    kind = "COPC" if flight.copc else "LAZ" if flight.compressed else "LAS"
    version = ".".join(map(str, flight.version))
    size = (
        f"{flight.size_bytes / 1e6:,.1f} MB"
        if flight.size_bytes >= 1e6
        else f"{flight.size_bytes / 1e3:,.1f} kB"
    )
    record = f"point format {flight.point_format}, {flight.record_length} bytes a point"
    yield "file", [f"{kind} {version}, {record}, {size}"]
    made = [text for text in (report.system, report.software) if text]
    if made:
        yield "made by", [", ".join(made)]
    yield "points", [f"{report.tally.points:,}"]


def _about_place(report: FlightReport) -> Iterator[tuple[str, Sequence[str]]]:
    flight, tally = report.flight, report.tally
    source = "" if flight.crs.source == "none" else f", from {flight.crs.source}"
    yield "reference", [f"{describe(flight.crs)}{source}"]
    low, high = tally.corner(tally.lowest), tally.corner(tally.highest)
    if low and high:
        for k, axis in enumerate("xyz"):
            yield axis, [f"{low[k]:.3f} to {high[k]:.3f}, in steps of {flight.scales[k]:.10g}"]
    if report.points_per_area is not None and tally.area is not None:
        densities = f"{report.points_per_area:,.2f} points/m², {report.pulses_per_area:,.2f} pulses/m²"
        assumed = ", metres assumed" if flight.crs.horizontal_unit is None else ""
        where = f"over the {tally.area:,.0f} m² that hold points{assumed}"
        yield "density", [f"{densities} {where}", f"mean spacing {report.spacing:.3f} m"]
    elif tally.points:
        yield "density", ["not worked out: the coordinates are degrees"]


def _about_points(report: FlightReport) -> Iterator[tuple[str, Sequence[str]]]:
    flight, tally = report.flight, report.tally

    def row(count: int, text: str) -> str:
        return f"{count:>13,}  {100 * count / max(tally.points, 1):6.2f} %  {text}"

    by_pulse = sorted(report.returns.items(), key=lambda item: item[0][::-1])
    flags = [row(n, name.replace("_", "-")) for name, n in tally.flags.items() if n]
    values = [(name, limits) for name, limits in tally.ranges.items() if name != "gps_time"]
    yield "returns", [row(n, f"return {number} of {of}") for (number, of), n in by_pulse]
    yield "classes", [row(n, f"{c} {class_name(c, flight.point_format)}") for c, n in report.classes.items()]
    yield "flags", flags or ["none is set"]
    yield "times", [report.times] if report.times else []
    yield "flight lines", _cut([row(n, f"line {number}") for number, n in report.lines.items()])
    yield "values", [f"{name} {low:g} to {high:g}" for name, (low, high) in values]
    yield "extra columns", [", ".join(extra_columns(flight))] if extra_columns(flight) else []
    yield "records", [f"{r.user} {r.number}, {r.length:,} bytes" for r in (*flight.vlrs, *flight.evlrs)]


def _cut(lines: list[str]) -> list[str]:
    if len(lines) <= _MOST_LINES:
        return lines
    return [*lines[:_MOST_LINES], f"and {len(lines) - _MOST_LINES} more (--json lists all)"]
