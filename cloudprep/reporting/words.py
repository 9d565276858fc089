"""Numbers, lengths and names in the words of the report."""

from __future__ import annotations

import math


def whole(value: float) -> str:
    """Return a whole number with thin groups of three.

    >>> whole(1234567)
    '1,234,567'
    """
    return f"{round(value):,}"


def plain(value: float, digits: int = 3) -> str:
    """Return a number with so many digits that count, without exponent for usual sizes.

    >>> plain(0.034567), plain(1234.56), plain(12.0), plain(0.0)
    ('0.0346', '1,235', '12', '0')
    """
    if not math.isfinite(value):
        return "none"
    if value == 0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    if size >= digits - 1:
        return f"{value:,.0f}"
    if size < -5:
        return f"{value:.{digits - 1}e}"
    shown = f"{value:,.{max(digits - 1 - size, 0)}f}"
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


def percent(share: float) -> str:
    """Return a share in per cent, so that little is never shown as nothing.

    >>> percent(0.1234), percent(0.00004), percent(0.0), percent(0.99999)
    ('12.3 %', 'under 0.01 %', '0 %', '99.99 %')
    """
    value = 100.0 * share
    if value == 0:
        return "0 %"
    if value < 0.01:
        return "under 0.01 %"
    if value < 1:
        return f"{value:.2f} %"
    if 99.9 < value < 100:
        return f"{min(value, 99.99):.2f} %"
    return f"{value:.1f} %"


def size_text(size: float) -> str:
    """Return a number of bytes.

    >>> size_text(2_345_678), size_text(120)
    ('2.3 MB', '120 bytes')
    """
    for unit, name in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if size >= unit:
            return f"{size / unit:.1f} {name}"
    return f"{size:.0f} bytes"


def many(count: int, one: str, several: str | None = None) -> str:
    """Return a number with its noun.

    >>> many(1, "point"), many(2000, "point")
    ('1 point', '2,000 points')
    """
    return f"{count:,} {one if count == 1 else several or one + 's'}"


def short_name(path: str) -> str:
    """Return the last part of a path or URL."""
    return path.rstrip("/").rpartition("/")[2] or path


def nice_length(most: float) -> float:
    """Return the largest of 1, 2, 5, 10, ... (any power of ten) that isn't above a length.

    >>> nice_length(34.0), nice_length(0.7), nice_length(5.0)
    (20.0, 0.5, 5.0)
    """
    power = 10.0 ** math.floor(math.log10(most))
    return max(m for m in (power, 2 * power, 5 * power) if m <= most * (1 + 1e-9))


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers from low to high, at most so many.

    >>> ticks(3.2, 17.9)
    [5.0, 10.0, 15.0]
    """
    if not high > low:
        return [low]
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    step = next(step * m for m in (1, 2, 5, 10, 20) if (high - low) / (step * m) <= most)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]
