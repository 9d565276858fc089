"""Histograms as drawings whose text stays text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.reporting.colours import GROUND, KINDS, NOISE
from cloudprep.reporting.markup import Html, el, joined
from cloudprep.reporting.words import many, percent, plain, ticks, whole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cloudprep.reporting.subject import Subject

# Drawn for a phone's width, so that letters are never smaller than they are meant to be.
_WIDTH, _HEIGHT = 340.0, 190.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 50.0, 10.0, 10.0, 36.0
_OTHERS = "#7d8a97"


@dataclass(frozen=True)
class Series:
    """One set of bars: a name, a colour, a number for every bin."""

    name: str
    colour: str
    counts: NDArray[np.float64]


@dataclass(frozen=True)
class Chart:
    """A drawing with its legend and what is said about it."""

    title: str
    svg: Html
    legend: tuple[tuple[str, str], ...]
    note: str


def _compact(value: float) -> str:
    for size, name in ((1e9, " G"), (1e6, " M"), (1e3, " k")):
        if value >= size:
            return f"{plain(value / size)}{name}"
    return plain(value)


def histogram(
    series: Sequence[Series], low: float, high: float, axis: str, alt: str, *, digits: int = 3
) -> Html:
    """Return stacked bars over an axis.

    Parameters
    ----------
    series : sequence of Series
        From the bottom up; all of as many bins, evenly spaced from low to high.
    low, high : float
        Ends of the axis.
    axis, alt : str
        What the axis is, and words in place of the drawing.
    digits : int
        Digits of the numbers on the axis that count, at least.
    """
    table = np.stack([s.counts for s in series]).astype(np.float64)
    tops = np.cumsum(table, axis=0)
    most = max(float(tops[-1].max()), 1.0)
    across, up = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    floor = _TOP + up
    marks: list[Html] = []
    for value in ticks(0.0, most, 4):
        y = floor - value / most * up
        marks.append(el("line", x1=_LEFT, x2=_WIDTH - _RIGHT, y1=_f(y), y2=_f(y), class_="grid"))
        marks.append(el("text", _compact(value), x=_LEFT - 6, y=_f(y + 4), class_="end"))
    for value in ticks(low, high, 5):
        x = _LEFT + (value - low) / max(high - low, 1e-9) * across
        marks.append(el("line", x1=_f(x), x2=_f(x), y1=_f(floor), y2=_f(floor + 4), class_="axis"))
        marks.append(
            el(
                "text",
                plain(value, max(digits, len(f"{abs(value):.0f}"))),
                x=_f(x),
                y=_f(floor + 17),
                class_="mid",
            )
        )
    below = np.zeros(table.shape[1])
    shapes = []
    for one, top in zip(series, tops, strict=True):
        if one.counts.any():
            shapes.append(el("path", d=_bars(below, top, most, across, up, floor), fill=one.colour))
        below = top
    return el(
        "svg",
        el("title", alt),
        *marks,
        *shapes,
        el("line", x1=_LEFT, x2=_WIDTH - _RIGHT, y1=_f(floor), y2=_f(floor), class_="axis"),
        el("text", axis, x=_f(_LEFT + across / 2), y=_f(_HEIGHT - 3), class_="mid"),
        viewBox=f"0 0 {_WIDTH:.0f} {_HEIGHT:.0f}",
        role="img",
        class_="chart",
    )


def _bars(
    below: NDArray[np.float64], top: NDArray[np.float64], most: float, across: float, up: float, floor: float
) -> str:
    """Return the outline of bars that touch each other: along their tops, and back along their feet."""
    edges = _LEFT + np.arange(len(top) + 1) / len(top) * across

    def line(values: NDArray[np.float64]) -> list[str]:
        ys = floor - values / most * up
        places = []
        for k, y in enumerate(ys.tolist()):
            places += [f"{_f(edges[k])} {_f(y)}", f"{_f(edges[k + 1])} {_f(y)}"]
        return places

    return "M" + "L".join(line(top) + line(below)[::-1]) + "Z"


def _f(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _merged(counts: NDArray[np.int64], bins: int) -> NDArray[np.float64]:
    """Return fewer bins: each the sum of several that follow each other; the number must divide."""
    merged = counts.reshape(*counts.shape[:-1], bins, -1).sum(axis=-1)
    return np.asarray(merged, np.float64)


def height_chart(subject: Subject) -> Chart:
    """Return how many points lie how high: ground, others, noise near them."""
    gathered = subject.gathered
    place = gathered.place
    counts = gathered.counts.heights
    used = np.flatnonzero(counts[:2].sum(axis=0))
    bins = counts.shape[1]
    first, last = (int(used[0]), int(used[-1]) + 1) if len(used) else (0, bins)
    # Noise far away would push all others together.
    room = max(2, (last - first) // 10)
    first, last = max(0, first - room), min(bins, last + room)
    step = (place.highest - place.lowest) / bins
    low, high = place.height(place.lowest + first * step), place.height(place.lowest + last * step)
    if not high > low:
        high = low + 0.01
    bars = counts[:, first:last].astype(np.float64)
    series = [
        Series("ground", KINDS[GROUND].colour, bars[0]),
        Series("other points", _OTHERS, bars[1]),
        Series("noise", KINDS[NOISE].colour, bars[2]),
    ]
    unit = place.unit
    beyond = int(counts[2].sum() - bars[2].sum())
    alt = f"Points by height, from {plain(low, 5)} to {plain(high, 5)} {unit}"
    note = f"{many(beyond, 'noise point')} above or below are not drawn." if beyond else ""
    return Chart("Heights", histogram(series, low, high, f"height, {unit}", alt), _legend(series), note)


def confidence_chart(subject: Subject) -> Chart | None:
    """Return how sure the ground stage was; None where nothing says so."""
    gathered = subject.gathered
    sure = gathered.counts.sure
    if not gathered.has_confidence or not sure.any():
        return None
    counts = _merged(sure[:, 1:], 20)
    series = [
        Series("labelled ground", KINDS[GROUND].colour, counts[0]),
        Series("labelled anything else", _OTHERS, counts[1]),
    ]
    judged = int(sure.sum())
    unsure = int(sure[:, :71].sum())
    return Chart(
        "How sure the labels are",
        histogram(
            series,
            0.0,
            100.0,
            "ground_confidence, %",
            "Points by how sure the ground stage is of their label",
        ),
        _legend(series),
        f"Of {many(judged, 'point')} that the ground stage judged, {percent(unsure / judged)} are no "
        "more than 70 % "
        "sure.",
    )


def intensity_chart(subject: Subject) -> Chart | None:
    """Return how bright points are; None where they carry no intensity, or all the same."""
    counts = subject.gathered.counts.intensity
    used = np.flatnonzero(counts)
    if not subject.gathered.has_intensity or len(used) < 2:
        return None
    total = counts.sum()
    # The brightest half per cent would push all others together.
    most = int(np.searchsorted(np.cumsum(counts), 0.995 * total))
    step = max(1, -(-(most + 1) // 60))
    size = -(-len(counts) // step) * step
    padded = np.zeros(size, np.int64)
    padded[: len(counts)] = counts
    bins = padded.reshape(-1, step).sum(axis=1)
    shown = min(-(-(most + 1) // step), len(bins))
    bars = bins[:shown].astype(np.float64)
    series = [Series("points", "#336d9c", bars)]
    beyond = int(bins[shown:].sum())
    note = f"{many(beyond, 'point')} brighter than {whole(shown * step)} are not shown." if beyond else ""
    return Chart(
        "Intensities",
        histogram(series, 0.0, float(shown * step), "intensity", "Points by intensity"),
        (),
        f"Noise aside. {note}".strip(),
    )


def _legend(series: Sequence[Series]) -> tuple[tuple[str, str], ...]:
    return tuple((s.colour, s.name) for s in series if s.counts.any())


def all_charts(subject: Subject) -> list[Chart]:
    """Return the histograms that there is something for."""
    found = (height_chart(subject), confidence_chart(subject), intensity_chart(subject))
    return [chart for chart in found if chart is not None]


def chart_figure(chart: Chart, legend: Html) -> Html:
    """Return a histogram as a figure of the page."""
    return el(
        "figure",
        el("h3", chart.title),
        chart.svg,
        joined(legend),
        el("figcaption", chart.note) if chart.note else None,
        class_="chart-figure",
    )
