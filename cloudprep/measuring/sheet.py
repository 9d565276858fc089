"""Simple drawings that come out both as SVG and as PNG, from the same lines, dots and words."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

from cloudprep.io.atomic import whole_file

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Colour = tuple[int, int, int]


@dataclass
class Sheet:
    """A sheet of paper; places in pixels from the upper left.

    Parameters
    ----------
    width, height : int
        Pixels.
    title : str
        What the picture shows, for people who can't see it.
    """

    width: int
    height: int
    title: str = ""
    _lines: list[tuple[Floats, Colour, float, tuple[float, ...]]] = field(default_factory=list)
    _dots: list[tuple[Floats, Colour, float]] = field(default_factory=list)
    _words: list[tuple[float, float, str, float, str]] = field(default_factory=list)

    def line(self, places: Floats, colour: Colour, width: float = 1.0, dash: Sequence[float] = ()) -> None:
        """Draw a line through places, shape (n, 2)."""
        if len(places) > 1:
            self._lines.append((places, colour, width, tuple(dash)))

    def dots(self, places: Floats, colour: Colour, size: float = 1.5) -> None:
        """Draw dots at places, shape (n, 2)."""
        if len(places):
            self._dots.append((places, colour, size))

    def words(self, x: float, y: float, text: str, size: float = 12.0, anchor: str = "start") -> None:
        """Write a line of text with its foot at a place; ``anchor``: start, middle or end."""
        self._words.append((x, y, text, size, anchor))

    def save_svg(self, target: Path) -> Path:
        """Write it as SVG 1.1.

        Raises
        ------
        OutputError
            If it can't be written.
        """
        size_words = f'width="{self.width}" height="{self.height}" viewBox="0 0 {self.width} {self.height}"'
        parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" {size_words} role="img" font-family="sans-serif">',
            f"<title>{escape(self.title)}</title>",
            '<rect width="100%" height="100%" fill="white"/>',
        ]
        for places, colour, size in self._dots:
            dots = "".join(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size / 2:g}"/>' for x, y in places)
            parts.append(f'<g fill="{_rgb(colour)}">{dots}</g>')
        for places, colour, width, dash in self._lines:
            through = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
            dashes = f' stroke-dasharray="{" ".join(f"{d:g}" for d in dash)}"' if dash else ""
            parts.append(
                f'<polyline points="{through}" fill="none" stroke="{_rgb(colour)}" '
                f'stroke-width="{width:g}"{dashes}/>'
            )
        for x, y, text, size, anchor in self._words:
            place = f'x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"'
            parts.append(f"<text {place}>{escape(text)}</text>")
        parts.append("</svg>\n")
        with whole_file(target) as part:
            part.write_text("\n".join(parts), encoding="utf-8")
        return target

    def save_png(self, target: Path) -> Path:
        """Write it as PNG.

        Raises
        ------
        OutputError
            If it can't be written.
        """
        from PIL import Image, ImageDraw, ImageFont  # noqa: PLC0415 - only where a picture is made

        fine = 2  # drawn twice as large and reduced, for smooth lines
        picture = Image.new("RGB", (self.width * fine, self.height * fine), (255, 255, 255))
        draw = ImageDraw.Draw(picture)
        for places, colour, size in self._dots:
            r = max(1.0, size * fine / 2)
            for x, y in places * fine:
                draw.ellipse([x - r, y - r, x + r, y + r], fill=colour)
        for places, colour, width, dash in self._lines:
            for piece in _dashed(places * fine, [d * fine for d in dash]):
                draw.line([tuple(p) for p in piece], fill=colour, width=max(1, round(width * fine)))
        for x, y, text, size, anchor in self._words:
            font = ImageFont.load_default(size * fine)
            place = {"start": "ls", "middle": "ms", "end": "rs"}[anchor]
            draw.text((x * fine, y * fine), text, fill=(0, 0, 0), font=font, anchor=place)
        with whole_file(target) as part:
            picture.resize((self.width, self.height), Image.Resampling.LANCZOS).save(part, "PNG")
        return target


def _rgb(colour: Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)


def _dashed(places: Floats, dash: Sequence[float]) -> list[list[Sequence[float]]]:
    """Cut a line into its dashes."""
    if not dash:
        return [[(float(x), float(y)) for x, y in places]]
    pieces: list[list[Sequence[float]]] = []
    drawn, left = True, dash[0]
    number = 0
    for (x0, y0), (x1, y1) in itertools.pairwise(places):
        length = float(((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5)
        at = 0.0
        while length - at > 1e-9:
            step = min(left, length - at)
            if drawn:
                a, b = at / length, (at + step) / length
                pieces.append(
                    [(x0 + a * (x1 - x0), y0 + a * (y1 - y0)), (x0 + b * (x1 - x0), y0 + b * (y1 - y0))]
                )
            at, left = at + step, left - step
            if left <= 1e-9:
                number, drawn = number + 1, not drawn
                left = dash[number % len(dash)]
    return pieces
