"""Volumes as a table, or as polygons with their figures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep import __version__
from cloudprep.errors import UsageError
from cloudprep.io.atomic import make_folder
from cloudprep.io.raster_reading import open_heights
from cloudprep.io.vectors import write_layers
from cloudprep.measuring.areas import read_areas
from cloudprep.measuring.feet import FOOT_COLUMNS, FOOT_NAMES, in_feet
from cloudprep.measuring.outputs import refuse_inputs, write_table
from cloudprep.measuring.volumes import other_terrain
from cloudprep.model.crs import METRE
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from cloudprep.measuring.volumes import VolumeReport

ENDINGS = (".csv", ".gpkg")
_COLUMNS = ("area_m2", "measured_m2", "cut_m3", "fill_m3", "net_m3", "interval_95_m3", "mean_m", "highest_m",
            "lowest_m", "density_t_m3", "mass_t")  # fmt: skip


def check_target(target: Path, terrain: Path, over: Path, base: str) -> None:
    """Refuse a file for volumes that can't be written, before anything is measured.

    Raises
    ------
    UsageError
        If its ending names no format.
    OutputError
        If it is an input.
    """
    if target.suffix.lower() not in ENDINGS:
        raise UsageError(f"--out {target}: give a file that ends in .csv or .gpkg")
    refuse_inputs([target], [terrain, over, other_terrain(base)])


def write_volumes(report: VolumeReport, target: Path, layer: str | None = None) -> Path:
    """Write a row for each area: as CSV, or as a GeoPackage with the polygons in the terrain's system.

    Parameters
    ----------
    report : VolumeReport
        What was measured.
    target : Path
        Ends in ``.csv`` or ``.gpkg``; units stand in the columns' names. Where the report names a foot,
        columns in feet follow, and which foot it is.
    layer : str, optional
        Which layer of areas was measured over.

    Raises
    ------
    OutputError
        If it can't be written.
    """
    make_folder(target.parent)
    values: list[tuple[float | None, ...]] = [
        (v.area, v.measured, v.cut, v.fill, v.net, None if v.error is None else v.error.interval_95, v.mean,
         v.highest, v.lowest, v.density, v.tonnes)
        for v in report.volumes
    ]  # fmt: skip
    columns: tuple[str, ...] = _COLUMNS
    last: tuple[str, ...] = ("base",)
    ends: list[tuple[str, ...]] = [(v.base,) for v in report.volumes]
    if report.foot is not None:
        columns, last = (*columns, *FOOT_COLUMNS), (*last, "foot")
        values = [
            (*row, *in_feet(v, report.foot).values()) for v, row in zip(report.volumes, values, strict=True)
        ]
        ends = [(*end, FOOT_NAMES[report.foot]) for end in ends]
    if target.suffix.lower() == ".csv":
        rows: list[list[Any]] = [["name", *columns, *last]]
        for volume, row, end in zip(report.volumes, values, ends, strict=True):
            rows.append([volume.name, *("" if v is None else f"{v:.4f}" for v in row), *end])
        return write_table(target, rows)
    raster = open_heights(Path(report.terrain))
    areas = read_areas(Path(report.areas), raster, layer)
    table = np.array([[np.nan if v is None else v for v in row] for row in values], np.float64)
    attributes: dict[str, Any] = {"name": np.array([v.name for v in report.volumes], dtype=object)}
    attributes |= {name: table[:, i] for i, name in enumerate(columns)}
    for i, name in enumerate(last):
        attributes[name] = np.array([end[i] for end in ends], dtype=object)
    shapes = np.array([a.shape for a in areas], dtype=object)
    unit = raster.crs.horizontal_unit or METRE
    write_layers(
        [Layer("volumes", "polygon", shapes, attributes, "volumes between a terrain and a base")],
        target,
        raster.crs,
        (raster.left * unit, raster.bottom * unit),
        software=f"cloudprep {__version__}",
    )
    return target
