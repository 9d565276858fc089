"""Maps of a site as pictures: relief, classes, density, gaps, noise, trust."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from cloudprep.kernels.relief import light_of, shades
from cloudprep.reporting.colours import DENSITY_RAMP, KINDS, NOISE, TRUST_RAMP, kind_of_codes, ramp, rgb_of
from cloudprep.reporting.png import palette_png
from cloudprep.reporting.words import many, percent, plain, whole

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cloudprep.model.grid import Window
    from cloudprep.reporting.gathered import Gathered
    from cloudprep.reporting.subject import Subject

_SHADES = 64
_CLASS_SHADES = 10
_NOTHING = np.array([[255, 255, 255]], np.uint8)
_PALE = "#dfe4e8"
# Ground confidence in per cent, from unsure to sure.
_SURE = (50, 70, 85, 95)
# Standard errors of heights, m.
_ERRORS = (0.05, 0.1, 0.2, 0.5, 1.0)


@dataclass(frozen=True)
class Map:
    """One picture with what is said about it.

    Parameters
    ----------
    key : str
        Short name, for links.
    title, alt, note : str
        Heading, words in place of the picture, one line or two below it.
    png : bytes
        The picture.
    legend : tuple of (colour, text)
        From first to last.
    """

    key: str
    title: str
    alt: str
    png: bytes
    legend: tuple[tuple[str, str], ...] = ()
    note: str = ""
    window: Window | None = field(default=None, compare=False)


def shaded(heights: NDArray[np.float64], cell: float) -> NDArray[np.uint8]:
    """Return shades of a relief in light from the north-west, 1 to 64; 0 where there is no height."""
    light = shades(heights, cell, [light_of(315.0, 45.0)])
    known = np.isfinite(light)
    steps = np.where(known, light, 0.0) * (_SHADES - 1) / 255.0
    return np.where(known, 1 + np.clip(np.rint(steps), 0, _SHADES - 1), 0).astype(np.uint8)


def surface_shown(subject: Subject) -> tuple[NDArray[np.float64], str]:
    """Return the heights whose relief is shown, m, and what they are."""
    gathered = subject.gathered
    model = subject.rasters.reduced("dtm", gathered.place, gathered.window)
    if model is not None and np.isfinite(model).any():
        return model, "the terrain model"
    if subject.grounded:
        return gathered.ground, "mean heights of ground points, cell by cell: the run made no terrain model"
    return np.asarray(gathered.cells.high, np.float64), "the highest points of all cells: no point is ground"


def relief_map(subject: Subject) -> Map:
    """Return the relief in light."""
    heights, what = surface_shown(subject)
    greys = np.linspace(40, 250, _SHADES)
    tint = np.stack([greys, greys * 0.995, greys * 0.975], axis=1)
    colours = np.concatenate([_NOTHING, np.rint(tint).astype(np.uint8)])
    return Map(
        "relief",
        "Relief",
        f"Map of the relief in light from the north-west, drawn from {what}",
        palette_png(shaded(heights, subject.gathered.cell), colours),
        note=f"Light from the north-west on {what}. White: nothing.",
    )


def shaded_classes(
    gathered: Gathered, rows: slice = slice(None), columns: slice = slice(None)
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Return the classes seen from above in light from the north-west, and their palette.

    Returns
    -------
    indices : ndarray of uint8, shape (rows, columns)
        0 where there are no points.
    colours : ndarray of uint8, shape (n, 3)
        Every kind in ten shades.
    """
    cells = gathered.cells
    high = np.asarray(cells.high[rows, columns], np.float64)
    light = shades(high, gathered.cell, [light_of(315.0, 45.0)])
    step = np.clip(np.nan_to_num(light, nan=180.0) / 255.0 * _CLASS_SHADES, 0, _CLASS_SHADES - 1).astype(
        np.int64
    )
    kind = kind_of_codes()[cells.high_code[rows, columns]].astype(np.int64)
    only_noise = (cells.points[rows, columns] == 0) & (cells.noise[rows, columns] > 0)
    kind = np.where(only_noise, NOISE, kind)
    seen = (cells.points[rows, columns] > 0) | only_noise
    indices = np.where(
        seen, 1 + kind * _CLASS_SHADES + np.where(only_noise, _CLASS_SHADES - 1, step), 0
    ).astype(np.uint8)
    dim = np.linspace(0.45, 1.0, _CLASS_SHADES)
    colours = np.array([k.rgb for k in KINDS], float)[:, None, :] * dim[None, :, None]
    return indices, np.concatenate([[(255, 255, 255)], np.rint(colours.reshape(-1, 3))]).astype(np.uint8)


def class_map(subject: Subject) -> Map:
    """Return the class of the highest point of every cell."""
    indices, colours = shaded_classes(subject.gathered)
    used = np.unique((indices[indices > 0].astype(np.int64) - 1) // _CLASS_SHADES)
    return Map(
        "classes",
        "Classes",
        "Map of the class of the highest point in every cell, seen from above",
        palette_png(indices, colours),
        tuple((KINDS[k].colour, KINDS[k].name) for k in used.tolist()),
        "The class of the highest point of each cell, noise left aside where there is any other point: "
        "what is "
        "seen from above, shaded by light from the north-west.",
    )


def density_breaks(values: NDArray[np.float64], classes: int) -> list[float]:
    """Return round numbers that part values into classes of about as many; ascending, each once."""
    if len(values) == 0:
        return []
    wanted = np.quantile(values, np.linspace(0.02, 0.98, classes - 1))
    breaks: list[float] = []
    for value in wanted.tolist():
        step = 10.0 ** np.floor(np.log10(max(value, 1e-9)))
        rounded = float(min((m * step for m in (1, 1.5, 2, 3, 4, 5, 6, 8, 10)), key=lambda r: abs(r - value)))
        if not breaks or rounded > breaks[-1] * (1 + 1e-9):
            breaks.append(rounded)
    return breaks


def density_map(subject: Subject) -> Map:
    """Return how many points lie on a square metre."""
    gathered = subject.gathered
    density = gathered.cells.points / gathered.cell**2
    breaks = density_breaks(density[gathered.seen], len(DENSITY_RAMP))
    colours = ramp(DENSITY_RAMP, len(breaks) + 1)
    steps = np.where(gathered.seen, np.searchsorted(breaks, density, side="right") + 1, 0).astype(np.uint8)
    return Map(
        "density",
        "Density",
        "Map of the number of points per square metre",
        palette_png(steps, np.concatenate([_NOTHING, colours])),
        _range_legend([_hex(c) for c in colours], breaks, " per m²"),
        f"Points per square metre, noise aside, in cells of {plain(gathered.cell)} m.",
    )


def gap_map(subject: Subject) -> Map:
    """Return where points, and where ground points, are missing."""
    gathered = subject.gathered
    inside, seen = gathered.inside, gathered.seen
    ground = gathered.cells.ground > 0
    state = np.where(inside & ~seen, 1, np.where(seen & ~ground, 2, np.where(ground, 3, 0))).astype(np.uint8)
    colours = ("#b01858", "#f0b88a", _PALE)
    counts = [int(np.count_nonzero(state == k)) for k in (1, 2, 3)]
    total = max(sum(counts), 1)
    names = ("no point at all", "points, none of them ground", "ground points")
    legend = tuple(
        (c, f"{n}: {percent(k / total)}") for c, n, k in zip(colours, names, counts, strict=True) if k
    )
    return Map(
        "gaps",
        "Gaps",
        "Map of cells without any point, and of cells without ground points",
        palette_png(state, np.array([(255, 255, 255), *map(rgb_of, colours)], np.uint8)),
        legend,
        f"Shares of the site's cells of {plain(gathered.cell)} m; smaller gaps don't show. What the "
        "points enclose "
        "belongs to the site, and gaps at its edge up to 20 m wide.",
    )


def noise_map(subject: Subject) -> Map:
    """Return where noise was found."""
    gathered = subject.gathered
    noise = gathered.cells.noise
    # Single cells would not be seen: each is shown a little wider, on large sites more so.
    wide = max(1, round(max(noise.shape) / 300))
    least = noise > 0
    many_points = ndimage.maximum_filter(noise, size=2 * wide + 1) if least.any() else noise
    levels = (1, 3, 10)
    steps = np.searchsorted(levels, many_points, side="right")
    colours = (_PALE, "#f4a08c", KINDS[NOISE].colour, "#7a0d02")
    state = np.where(steps > 0, steps + 1, np.where(gathered.seen, 1, 0)).astype(np.uint8)
    share = percent(gathered.noise / max(gathered.total, 1))
    left = " They are left out of the delivered clouds." if subject.drops_noise else ""
    note = (
        f"{many(gathered.noise, 'point')} ({share}) are noise.{left} Cells are drawn {2 * wide + 1} "
        "times as wide as "
        "they are."
    )
    if gathered.noise == 0:
        note = "No point is labelled as noise."
    legend = (
        (colours[0], "no noise"),
        (colours[1], "1 or 2 noise points in a cell"),
        (colours[2], "3 to 9"),
        (colours[3], "10 and more"),
    )
    return Map(
        "noise",
        "Noise found",
        f"Map of the places where noise was found: {whole(gathered.noise)} points",
        palette_png(state, np.array([(255, 255, 255), *map(rgb_of, colours)], np.uint8)),
        legend if gathered.noise else legend[:1],
        note,
    )


def trust_map(subject: Subject) -> Map | None:
    """Return how sure the ground labels are; None where nothing says so."""
    gathered = subject.gathered
    cells = gathered.cells
    if not gathered.has_confidence or not (cells.sure_count > 0).any():
        return None
    mean = cells.sure_sum / np.maximum(cells.sure_count, 1)
    steps = np.searchsorted(_SURE, mean, side="right")
    colours = ramp(TRUST_RAMP, len(_SURE) + 1)
    state = np.where(cells.sure_count > 0, steps + 2, np.where(gathered.seen, 1, 0)).astype(np.uint8)
    legend = _range_legend([_hex(c) for c in colours], [float(s) for s in _SURE], " %")
    return Map(
        "trust",
        "Trust in the ground labels",
        "Map of how sure the ground stage is of its ground points",
        palette_png(state, np.concatenate([_NOTHING, [rgb_of(_PALE)], colours]).astype(np.uint8)),
        (*legend, (_PALE, "no ground point")),
        "Mean of ground_confidence over the ground points of each cell: how sure the ground stage is of "
        "their label.",
    )


def error_map(subject: Subject) -> Map | None:
    """Return how far the terrain model can be trusted; None where the run didn't say."""
    gathered = subject.gathered
    error = subject.rasters.reduced("dtm_standard_error", gathered.place, gathered.window)
    if error is None or not np.isfinite(error).any():
        return None
    unit = gathered.place.vertical_unit
    known = np.isfinite(error)
    steps = np.searchsorted(_ERRORS, np.where(known, error, 0.0), side="right")
    colours = ramp(TRUST_RAMP[::-1], len(_ERRORS) + 1)
    state = np.where(known, steps + 1, 0).astype(np.uint8)
    legend = _range_legend(
        [_hex(c) for c in colours],
        [e / unit for e in _ERRORS],
        f" {gathered.place.unit}",
        low="under",
        high="over",
    )
    return Map(
        "error",
        "Trust in the terrain model",
        "Map of the standard error of the terrain model's heights",
        palette_png(state, np.concatenate([_NOTHING, colours])),
        legend,
        "Standard error of the model's heights: about two thirds of the true heights lie this near, as "
        "far as the "
        "points can tell.",
    )


def _range_legend(
    colours: list[str], breaks: list[float], unit: str, *, low: str = "under", high: str = "from"
) -> tuple[tuple[str, str], ...]:
    if not breaks:
        return tuple((c, "all cells") for c in colours[:1])
    words = [f"{low} {plain(breaks[0])}{unit}"]
    words += [f"{plain(a)} to {plain(b)}" for a, b in itertools.pairwise(breaks)]
    words.append(f"{high} {plain(breaks[-1])}{unit}")
    return tuple(zip(colours, words, strict=True))


def _hex(colour: NDArray[np.uint8]) -> str:
    r, g, b = (int(v) for v in colour)
    return f"#{r:02x}{g:02x}{b:02x}"


MAPS: tuple[Callable[[Subject], Map | None], ...] = (
    relief_map,
    class_map,
    density_map,
    gap_map,
    noise_map,
    trust_map,
    error_map,
)
"""What draws the maps, in the order of the page; each returns None where there is nothing to draw."""
