"""Which numbers can be GPS times (ASPRS LAS 1.4-R15, global encoding bit 0)."""

ADJUSTMENT = 1e9
"""Adjusted standard GPS time is so many seconds less than GPS time, which counts from 6 January 1980."""
SECONDS_OF_WEEK = 604_800.0
"""Times of the GPS week lie between 0 and this, s."""
EARLIEST = -ADJUSTMENT
"""The earliest adjusted time, s."""
LATEST = 100 * 366 * 86_400.0 - ADJUSTMENT
"""The latest adjusted time, s: a century is enough for every flight, larger numbers are rot."""
