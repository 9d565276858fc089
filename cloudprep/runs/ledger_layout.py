"""What a ledger holds: its layers, their columns, and which figure each of these shows."""

from __future__ import annotations

from cloudprep.io.geopackage import Column, Table

__all__ = ["FIGURE_COLUMNS", "FLIGHTS", "TABLES"]

# Columns that show figures of the record; the figures that a pipeline doesn't make are null.
FIGURE_COLUMNS = {
    "density": "points.density",
    "spacing": "points.spacing",
    "ground_share": "ground.share",
    "noise_share": "noise.share",
    "void_count": "voids.count",
    "void_area": "voids.area",
    "void_share": "voids.share",
    "coverage_share": "coverage.share",
}
_FIGURES = (
    Column("points", "INTEGER", "points"),
    Column("density", "REAL", "density (points per m2)", "points over ground that holds any"),
    Column("spacing", "REAL", "spacing (m)", "mean distance of points over ground that holds any"),
    Column("ground_share", "REAL", "ground share (0 to 1)", "share of the points that have class 2"),
    Column("noise_share", "REAL", "noise share (0 to 1)", "share of the points that have class 7 or 18"),
    Column("void_count", "INTEGER", "voids", "areas without first returns, by the rule of the pipeline"),
    Column("void_area", "REAL", "voids (m2)", "area of the voids"),
    Column("void_share", "REAL", "voids (0 to 1)", "their share of the area that was judged"),
    Column("coverage_share", "REAL", "coverage (0 to 1)", "share of cells with first returns, by that rule"),
)
_RUN = Column("run", "TEXT", "run", "folder of the run, from the folder of the ledger on")
_STATUS = Column("status", "TEXT", "status")
_SYSTEM = Column("reference_system", "TEXT", "reference system", "of the clouds, with their units")
_OUTLINE = Column(
    "outline",
    "TEXT",
    "where the outline comes from",
    "points: cells that hold points; bounds: their bounding box; else why there is none",
)
_WHERE = "Longitude and latitude (WGS 84), whatever the system of the clouds."
_HONEST = "Empty where it was not measured."
_RMSE_OPEN = "product less survey, on open ground; from checkpoints.json in the folder of the run"

FLIGHTS = Table(
    "flights",
    "Flights",
    f"One polygon an input: the ground that its points lie on. {_WHERE} Lengths m, areas m2, shares 0 to 1. "
    f"{_HONEST}",
    (
        _RUN,
        Column("flight", "TEXT", "flight", "name of the input without its ending"),
        Column("input", "TEXT", "input", "its path: from the folder of the ledger on where it lies below"),
        _STATUS,
        Column("reason", "TEXT", "reason", "why it failed"),
        *_FIGURES,
        Column("rmse", "REAL", "RMSE (m)", f"of this flight's delivered cloud: {_RMSE_OPEN}"),
        Column("seconds", "REAL", "seconds", "that the run took, where this was its only flight"),
        Column("gates_failed", "INTEGER", "gates failed", "of this flight alone"),
        Column("gates_warned", "INTEGER", "gates with a warning", "of this flight alone"),
        Column("warnings", "INTEGER", "warnings"),
        Column("size_bytes", "INTEGER", "size (bytes)"),
        Column("sha256", "TEXT", "SHA-256", "of the input's bytes"),
        _SYSTEM,
        _OUTLINE,
    ),
    polygons=True,
)
_RUNS = Table(
    "runs",
    "Runs",
    f"One polygon a run: its flights together. {_WHERE} Lengths m, areas m2, shares 0 to 1. {_HONEST}",
    (
        _RUN,
        _STATUS,
        Column("pipeline", "TEXT", "pipeline"),
        Column("pipeline_source", "TEXT", "pipeline's file"),
        Column("started", "DATETIME", "started (UTC)"),
        Column("finished", "DATETIME", "finished (UTC)"),
        Column("seconds", "REAL", "seconds"),
        Column("version", "TEXT", "version of cloudprep"),
        Column("versions", "TEXT", "all versions", "of what the result depends on"),
        Column("flights", "INTEGER", "flights"),
        Column("flights_failed", "INTEGER", "flights that failed"),
        *_FIGURES,
        Column("rmse", "REAL", "RMSE (m)", f"of the terrain model: {_RMSE_OPEN}"),
        Column("rmse_vegetated", "REAL", "RMSE under plants (m)", "of the terrain model, likewise"),
        Column("checkpoints", "INTEGER", "checkpoints", "that count, on open ground and under plants"),
        Column("gates_passed", "INTEGER", "gates passed"),
        Column("gates_failed", "INTEGER", "gates failed"),
        Column("gates_warned", "INTEGER", "gates with a warning"),
        Column("gates_not_judged", "INTEGER", "gates not judged"),
        Column("warnings", "INTEGER", "warnings"),
        Column("notes", "TEXT", "notes", "what of the folder was left out of the ledger, and why"),
        _SYSTEM,
        _OUTLINE,
    ),
    polygons=True,
)
_GATES = Table(
    "gates",
    "Gates",
    "One row a gate and run, or a gate and flight.",
    (
        _RUN,
        Column("flight", "TEXT", "flight", "empty for a gate of the run"),
        Column("input", "TEXT", "input", "empty for a gate of the run"),
        Column("figure", "TEXT", "figure"),
        Column("value", "REAL", "value"),
        Column("unit", "TEXT", "unit", "of value and limits, where it is known"),
        Column("at_least", "REAL", "at least"),
        Column("at_most", "REAL", "at most"),
        Column("severity", "TEXT", "severity", "fail or warn"),
        Column("outcome", "TEXT", "outcome", "passed, warned, failed or not_judged"),
        Column("reason", "TEXT", "reason", "why it did not pass"),
    ),
    polygons=False,
)
_FIGURES_TABLE = Table(
    "figures",
    "Figures",
    "Every figure of every run and flight, one a row; their units are those of the run record.",
    (
        _RUN,
        Column("flight", "TEXT", "flight", "empty for a figure of the run"),
        Column("input", "TEXT", "input", "empty for a figure of the run"),
        Column("figure", "TEXT", "figure"),
        Column("value", "REAL", "value"),
    ),
    polygons=False,
)
TABLES = (FLIGHTS, _RUNS, _GATES, _FIGURES_TABLE)
