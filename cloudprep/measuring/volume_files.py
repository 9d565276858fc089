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
from cloudprep.measuring.feet import FOOT_NAMES, with_feet
from cloudprep.measuring.outputs import as_columns, refuse_inputs, table_row, write_table
from cloudprep.measuring.volumes import other_terrain
from cloudprep.model.crs import METRE
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from cloudprep.measuring.volumes import VolumeReport

ENDINGS = (".csv", ".gpkg")


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
    figures = [with_feet(v.figures, report.foot) for v in report.volumes]
    last: tuple[str, ...] = ("base",)
    ends: list[tuple[str, ...]] = [(v.base,) for v in report.volumes]
    if report.foot is not None:
        last = (*last, "foot")
        ends = [(*end, FOOT_NAMES[report.foot]) for end in ends]
    if target.suffix.lower() == ".csv":
        rows: list[list[Any]] = [["name", *figures[0], *last]]
        for volume, row, end in zip(report.volumes, figures, ends, strict=True):
            rows.append(table_row(volume.name, row, *end))
        return write_table(target, rows)
    raster = open_heights(Path(report.terrain))
    areas = read_areas(Path(report.areas), raster, layer)
    attributes: dict[str, Any] = {"name": np.array([v.name for v in report.volumes], dtype=object)}
    attributes |= as_columns(figures)
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
