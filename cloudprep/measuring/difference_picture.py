"""A map of differences of heights with its scale."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from cloudprep.io.atomic import whole_file

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

_LARGEST_SIDE = 1600
# Blue above, orange below, light grey between: apart for all kinds of colour vision (Okabe and Ito 2008,
# "Color universal design", whose blue and vermilion these are).
_ABOVE, _BELOW, _MIDDLE, _NOTHING = (0, 114, 178), (213, 94, 0), (242, 242, 242), (255, 255, 255)
_SAID = 200
_FRAME = (90, 90, 90)


class DifferencePicture:
    """A map at most 1600 pixels a side, gathered strip by strip: blue above, orange below, grey for little.

    Parameters
    ----------
    rows, columns : int
        Of the raster.
    shown : sequence of int
        Codes of cells whose difference is shown; 0 is a cell without one.
    """

    def __init__(self, rows: int, columns: int, shown: Sequence[int]) -> None:
        self._shown = tuple(shown)
        self._step = max(1, -(-max(rows, columns) // _LARGEST_SIDE))
        shape = (-(-rows // self._step), -(-columns // self._step))
        self._values = np.full(shape, np.nan)
        self._code = np.zeros(shape, np.uint8)

    def add(self, row: int, difference: NDArray[np.float64], code: NDArray[np.uint8]) -> None:
        """Take every so many cells of some rows, the first of them the southernmost."""
        first = -row % self._step
        at = slice((row + first) // self._step, (row + len(difference) - 1) // self._step + 1)
        self._values[at] = difference[first :: self._step, :: self._step]
        self._code[at] = code[first :: self._step, :: self._step]

    def write(self, target: Path, cell: float, legend: Sequence[str], told: str, caution: str) -> Path:
        """Write the picture; the scale ends at what 98 % of the differences that are shown stay below.

        Parameters
        ----------
        target : Path
            A PNG file.
        cell : float
            Side of a cell, m.
        legend : sequence of str
            Lines that say what the colours are.
        told : str
            What is said below the scale.
        caution : str
            What is said at the end.

        Raises
        ------
        OutputError
            If it can't be written.
        """
        from PIL import Image, ImageDraw, ImageFont  # noqa: PLC0415 - only where a picture is made

        sure = np.isin(self._code, self._shown)
        most = float(np.nanpercentile(np.abs(self._values[sure]), 98)) if sure.any() else 0.1
        most = max(most, 1e-3)
        share = np.clip(np.nan_to_num(self._values) / most, -1, 1)[..., None]
        ends = np.where(share >= 0, np.array(_ABOVE), np.array(_BELOW))
        colour = np.where(sure[..., None], _MIDDLE + np.abs(share) * (ends - _MIDDLE), np.array(_MIDDLE))
        colour[self._code == 0] = _NOTHING
        high, wide = self._values.shape
        scale = max(1, 600 // max(high, wide))
        picture = Image.fromarray(colour[::-1].astype(np.uint8)).resize((wide * scale, high * scale), 0)
        font, small = ImageFont.load_default(15), ImageFont.load_default(12)
        words = max(small.getlength(line) for line in legend)
        width = max(picture.width, 250 + round(words))
        lines = [*_wrapped(told, small, width - 40), *_wrapped(caution, small, width - 40)]
        canvas = Image.new("RGB", (width, picture.height + 108 + 17 * len(lines)), _NOTHING)
        canvas.paste(picture, (0, 0))
        draw = ImageDraw.Draw(canvas)
        draw.rectangle([0, 0, picture.width - 1, picture.height - 1], outline=_FRAME)
        top = picture.height + 12
        for i in range(_SAID):
            s = 2 * i / (_SAID - 1) - 1
            end = np.array(_ABOVE if s >= 0 else _BELOW)
            shade = tuple(int(v) for v in _MIDDLE + abs(s) * (end - _MIDDLE))
            draw.line([(20 + i, top), (20 + i, top + 18)], fill=shade)
        draw.rectangle([19, top - 1, 20 + _SAID, top + 19], outline=_FRAME)
        ink = (0, 0, 0)
        for x, text, anchor in (
            (20, f"-{most:.2f} m", "lt"), (20 + _SAID // 2, "0", "mt"), (20 + _SAID, f"+{most:.2f} m", "rt"),
        ):  # fmt: skip
            draw.text((x, top + 25), text, fill=ink, font=font, anchor=anchor)
        for i, line in enumerate(legend):
            draw.text((240, top + 18 * i - 2), line, fill=ink, font=small)
        # A bar of a round length, at most a third of the map.
        metres = self._step * cell / scale
        length = _round_below(picture.width * metres / 3)
        far = 20 + max(1, round(length / metres))
        bar = top + 66
        draw.line([(20, bar - 5), (20, bar), (far, bar), (far, bar - 5)], fill=ink, width=2)
        draw.text((far + 8, bar + 1), f"{length:g} m, north is up", fill=ink, font=small, anchor="ls")
        for i, line in enumerate(lines):
            draw.text((20, bar + 12 + 17 * i), line, fill=ink, font=small)
        with whole_file(target) as part:
            canvas.save(part, "PNG")
        return target


def _wrapped(text: str, font: Any, width: float) -> list[str]:
    """Return lines of whole words that are no wider than that."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and font.getlength(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _round_below(length: float) -> float:
    """Return the largest of 1, 2, 5, 10, 20, ... that isn't longer.

    >>> _round_below(73.0), _round_below(0.3)
    (50.0, 0.2)
    """
    power = float(10.0 ** math.floor(math.log10(length)))
    return round(next(power * m for m in (5, 2, 1) if power * m <= length * (1 + 1e-9)), 12)
