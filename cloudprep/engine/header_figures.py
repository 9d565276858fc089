"""What the header of a flight is worth, as figures: what it leaves out, where its points say otherwise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from datetime import date

    from cloudprep.engine.loading import Units
    from cloudprep.engine.point_counts import PointCounts
    from cloudprep.io.las import Flight

__all__ = ["header_figures"]


def header_figures(flight: Flight, units: Units, counts: PointCounts, today: date) -> dict[str, float]:
    """Return the figures of a header, held against the points of its file.

    Parameters
    ----------
    flight : Flight
        The file.
    units : Units
        Metres in its units.
    counts : PointCounts
        Of all its points.
    today : date
        No file was made later than a day after it (somewhere it is tomorrow already).

    Returns
    -------
    dict of str to float
        ``header.version`` (1.4, say), ``header.point_format``; ``header.crs_present``, 1 or 0: whether the
        file carries a reference system or at least the unit of its coordinates; ``header.date_known``, 1 or
        0: whether the header says when the file was made, and that isn't in the future; ``header.step``, the
        coarsest step of a coordinate, m; ``header.count_off``, by how many points a count of the header is
        wrong; ``header.returns_off``, the same of its counts by return, added up, where return numbers were
        read; ``header.bounds_off``, m, how far a side of its bounding box lies from the points' own, less
        than two steps being none; ``header.contradictions``, how many things were odd when it was opened.

    Notes
    -----
    Fields and rules: ASPRS LAS 1.4-R15, public header block. That points with return number 0, which the
    standard doesn't know, may be counted as first returns, and that corners may lie a step off, is common
    practice, no source.
    """
    header, crs = flight.header, flight.crs
    made = header.creation_date
    metres = units.horizontal, units.horizontal, units.vertical
    figures = {
        "header.version": float(f"{flight.version[0]}.{flight.version[1]}"),
        "header.point_format": float(flight.point_format),
        "header.crs_present": float(crs.wkt is not None or crs.horizontal_unit is not None),
        "header.date_known": float(made is not None and (made - today).days <= 1),
        "header.step": max(scale * unit for scale, unit in zip(flight.scales, metres, strict=True)),
        "header.count_off": float(_count_off(flight)),
        "header.bounds_off": _bounds_off(flight, metres, counts),
        "header.contradictions": float(len(flight.warnings) + len(crs.warnings)),
    }
    if counts.by_return is not None:
        figures["header.returns_off"] = float(_returns_off(flight, counts.by_return))
    return figures


def _count_off(flight: Flight) -> int:
    """Return by how much the worse of the header's two counts is wrong."""
    header = flight.header
    stated = [header.legacy_count] if header.count is None else [header.count]
    if header.count is not None and header.legacy_count:
        stated.append(header.legacy_count)
    return max(abs(number - flight.count) for number in stated)


def _returns_off(flight: Flight, by_return: np.ndarray[tuple[int], np.dtype[np.int64]]) -> int:
    header = flight.header
    stated = header.by_return if header.by_return is not None else header.legacy_by_return
    plain = by_return[1 : len(stated) + 1].copy()
    with_zero = plain.copy()
    with_zero[0] += by_return[0]
    padded = np.zeros(len(stated), np.int64)
    padded[: len(plain)] = plain
    differences = [int(np.abs(padded - stated).sum())]
    padded[: len(with_zero)] = with_zero
    differences.append(int(np.abs(padded - stated).sum()))
    return min(differences)


def _bounds_off(flight: Flight, metres: tuple[float, float, float], counts: PointCounts) -> float:
    worst = 0.0
    for axis, (low, high) in enumerate(zip(counts.low, counts.high, strict=True)):
        scale, offset = flight.scales[axis], flight.offsets[axis]
        for stated, raw in ((flight.header_min[axis], low), (flight.header_max[axis], high)):
            truth = raw * scale + offset
            off = abs(stated - truth)
            if not off < 2 * scale + 4 * np.spacing(max(abs(truth), abs(offset), METRE)):
                # A header may hold NaN or infinity, which no gate takes for a number.
                worst = max(worst, off * metres[axis]) if np.isfinite(off) else np.finfo(np.float64).max
    return float(worst)
