"""What a comparison of two dates leaves in a folder: rasters, tables, layers, a picture."""

from __future__ import annotations

import csv
import io
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep import __version__
from cloudprep.io.atomic import make_folder, whole_file
from cloudprep.io.raster_writing import written_on_cells
from cloudprep.io.vectors import write_layers
from cloudprep.measuring.areas import read_areas
from cloudprep.measuring.change import LOWERED, RAISED, UNSURE, significance
from cloudprep.model.crs import METRE
from cloudprep.model.layer import Layer

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cloudprep.measuring.change import ChangeReport, Comparison

CODES = {LOWERED: "lowered", UNSURE: "too little to tell", RAISED: "raised"}
_LARGEST_SIDE = 1600
# Blue for raised, orange for lowered, light grey between: apart for all kinds of colour vision (Okabe and Ito
# 2008, "Color universal design", whose blue and vermilion these are).
_RAISED, _LOWERED, _MIDDLE, _NOTHING = (0, 114, 178), (213, 94, 0), (242, 242, 242), (255, 255, 255)
_SAID = 200


def write_change(comparison: Comparison, report: ChangeReport, out: Path) -> list[Path]:
    """Write all products of a comparison.

    Parameters
    ----------
    comparison : Comparison
        Still open.
    report : ChangeReport
        What it came to.
    out : Path
        The folder.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    OutputError
        If one can't be written.
    """
    make_folder(out)
    rasters = [out / "difference.tif", out / "significance.tif"]
    picture = _Picture(comparison)
    with ExitStack() as stack:
        unit = "metre"
        difference = stack.enter_context(
            written_on_cells(
                rasters[0], comparison.first, comparison.window,
                meaning="height after less height before", unit=unit, caution=report.caution,
            )
        )  # fmt: skip
        codes = stack.enter_context(
            written_on_cells(
                rasters[1], comparison.first, comparison.window, codes=CODES,
                meaning="whether the change is significant", caution=report.caution,
            )
        )  # fmt: skip
        for strip in comparison.strips():
            row = strip.row - comparison.window[0]
            code = significance(strip)
            difference.put(row, strip.difference)
            codes.put(row, code)
            picture.add(row, strip.difference, code)
    made = [*rasters, _table(report, out / "change.csv"), picture.write(report, out / "change.png")]
    if comparison.request.over is not None:
        made.append(_layer(comparison, report, out / "change.gpkg"))
    return made


_COLUMNS = ("area_m2", "measured_m2", "raised_m3", "lowered_m3", "net_m3", "interval_95_m3", "raised_sure_m3",
            "lowered_sure_m3", "sure_share", "mean_m")  # fmt: skip


def _values(report: ChangeReport) -> list[tuple[Any, ...]]:
    return [
        (a.area, a.measured, a.raised, a.lowered, a.net, a.interval_95, a.raised_sure, a.lowered_sure,
         a.sure_share, a.mean)
        for a in report.areas
    ]  # fmt: skip


def _table(report: ChangeReport, target: Path) -> Path:
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["name", *_COLUMNS])
    for area, values in zip(report.areas, _values(report), strict=True):
        rows.writerow([area.name, *("" if v is None else f"{v:.4f}" for v in values)])
    with whole_file(target) as part:
        part.write_text(text.getvalue(), encoding="utf-8")
    return target


def _layer(comparison: Comparison, report: ChangeReport, target: Path) -> Path:
    raster, over = comparison.first, comparison.request.over
    assert over is not None  # noqa: S101 - the caller looked
    unit = raster.crs.horizontal_unit or METRE
    areas = read_areas(over, raster)
    columns = np.array([[np.nan if v is None else v for v in row] for row in _values(report)], np.float64)
    attributes: dict[str, Any] = {"name": np.array([a.name for a in report.areas], dtype=object)}
    attributes.update({name: columns[:, i] for i, name in enumerate(_COLUMNS)})
    layer = Layer(
        "change", "polygon", np.array([a.shape for a in areas], dtype=object), attributes,
        "change between two dates",
    )  # fmt: skip
    origin = (raster.left * unit, raster.bottom * unit)
    write_layers([layer], target, raster.crs, origin, software=f"cloudprep {__version__}")
    return target


class _Picture:
    """A map of the change with its scale, at most 1600 pixels a side, gathered strip by strip."""

    def __init__(self, comparison: Comparison) -> None:
        _, _, rows, columns = comparison.window
        self._step = max(1, -(-max(rows, columns) // _LARGEST_SIDE))
        shape = (-(-rows // self._step), -(-columns // self._step))
        self._values = np.full(shape, np.nan)
        self._code = np.zeros(shape, np.uint8)

    def add(self, row: int, difference: NDArray[np.float64], code: NDArray[np.uint8]) -> None:
        """Take every so many cells."""
        first = -row % self._step
        at = slice((row + first) // self._step, (row + len(difference) - 1) // self._step + 1)
        self._values[at] = difference[first :: self._step, :: self._step]
        self._code[at] = code[first :: self._step, :: self._step]

    def write(self, report: ChangeReport, target: Path) -> Path:
        """Write the picture; the scale ends at what 98 % of significant changes stay below."""
        from PIL import Image, ImageDraw, ImageFont  # noqa: PLC0415 - only where a picture is made

        sure = np.isin(self._code, (LOWERED, RAISED))
        most = float(np.nanpercentile(np.abs(self._values[sure]), 98)) if sure.any() else 0.1
        most = max(most, 1e-3)
        share = np.clip(np.nan_to_num(self._values) / most, -1, 1)[..., None]
        ends = np.where(share >= 0, np.array(_RAISED), np.array(_LOWERED))
        colour = np.where(sure[..., None], _MIDDLE + np.abs(share) * (ends - _MIDDLE), np.array(_MIDDLE))
        colour[self._code == 0] = _NOTHING
        high, wide = self._values.shape
        scale = max(1, 600 // max(high, wide))
        picture = Image.fromarray(colour[::-1].astype(np.uint8)).resize((wide * scale, high * scale), 0)
        legend = 110
        canvas = Image.new("RGB", (max(picture.width, 420), picture.height + legend), _NOTHING)
        canvas.paste(picture, (0, 0))
        draw, font, small = ImageDraw.Draw(canvas), ImageFont.load_default(15), ImageFont.load_default(12)
        top = picture.height + 12
        for i in range(_SAID):
            s = 2 * i / (_SAID - 1) - 1
            end = np.array(_RAISED if s >= 0 else _LOWERED)
            shade = tuple(int(v) for v in _MIDDLE + abs(s) * (end - _MIDDLE))
            draw.line([(20 + i, top), (20 + i, top + 18)], fill=shade)
        draw.rectangle([19, top - 1, 20 + _SAID, top + 19], outline=(90, 90, 90))
        draw.text((20, top + 24), f"-{most:.2f} m", fill=(0, 0, 0), font=font)
        draw.text((20 + _SAID - 55, top + 24), f"+{most:.2f} m", fill=(0, 0, 0), font=font)
        words = ["orange: lowered, blue: raised", "grey: too little to tell, white: no heights"]
        for i, line in enumerate(words):
            draw.text((240, top + 18 * i - 2), line, fill=(0, 0, 0), font=small)
        draw.text((20, top + 52), f"significant from {report.smallest}"[:64], fill=(0, 0, 0), font=small)
        draw.text(
            (20, top + 70),
            f"north up, 1 pixel = {self._step * report.cell / scale:g} m",
            fill=(0, 0, 0),
            font=small,
        )
        with whole_file(target) as part:
            canvas.save(part, "PNG")
        return target
