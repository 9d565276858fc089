"""GPS times in words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from cloudprep.model.gps_time import ADJUSTMENT, EARLIEST, LATEST, SECONDS_OF_WEEK

__all__ = ["SECONDS_OF_WEEK", "is_plausible", "times_text"]

# It knows no leap seconds, so it is ahead of UTC (by 18 s since 2017).
_EPOCH = datetime(1980, 1, 6, tzinfo=UTC)
_DAYS = ("Sunday", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday")


def is_plausible(seconds: float, *, adjusted: bool) -> bool:
    """Tell whether a time can be what the header says it is.

    Parameters
    ----------
    seconds : float
        As stored.
    adjusted : bool
        Adjusted standard GPS time, else seconds of the GPS week.
    """
    if adjusted:
        return EARLIEST <= seconds <= LATEST
    return 0 <= seconds <= SECONDS_OF_WEEK


def times_text(first: float, last: float, *, adjusted: bool) -> str:
    """Return a range of times in words.

    Parameters
    ----------
    first, last : float
        As stored, s.
    adjusted : bool
        Adjusted standard GPS time, else seconds of the GPS week.

    Examples
    --------
    >>> times_text(0.0, 90.5, adjusted=True)
    '2011-09-14 01:46:40 to 2011-09-14 01:48:10 GPS time'
    >>> times_text(86400.0, 90000.0, adjusted=False)
    'Monday 00:00:00 to Monday 01:00:00 of an unknown GPS week'
    """
    if not (is_plausible(first, adjusted=adjusted) and is_plausible(last, adjusted=adjusted)):
        return f"{first:.10g} to {last:.10g} s"
    if adjusted:
        start, end = (_EPOCH + timedelta(seconds=int(s + ADJUSTMENT)) for s in (first, last))
        return f"{start:%Y-%m-%d %H:%M:%S} to {end:%Y-%m-%d %H:%M:%S} GPS time"
    return f"{_weekday(first)} to {_weekday(last)} of an unknown GPS week"


def _weekday(seconds: float) -> str:
    day, rest = divmod(int(seconds), 86_400)
    return f"{_DAYS[day % 7]} {rest // 3600:02}:{rest // 60 % 60:02}:{rest % 60:02}"
