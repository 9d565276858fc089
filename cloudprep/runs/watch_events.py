"""What happens to a watched folder, as one line each for people, and as plain values for machines."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

__all__ = ["Event"]

_WORDS = {
    "watching": "watching",
    "found": "found",
    "begun": "begun",
    "resumed": "taken up again",
    "delivered": "delivered",
    "gate_failed": "delivered, but a gate FAILED",
    "in_part": "delivered in part",
    "adopted": "known",
    "duplicate": "not taken",
    "set_aside": "SET ASIDE",
    "postponed": "put off",
    "changed": "taken again later",
    "away": "the folder is away",
    "back": "the folder is back",
    "note": "note",
    "ended": "ended",
}


@dataclass(frozen=True)
class Event:
    """One event.

    Parameters
    ----------
    event : str
        What happened: one of a fixed set of words.
    capture : str or None
        Its path below the inbox.
    folder : str or None
        Of its run, below the folder of the results.
    reason : str
        More, in words.
    seconds : float or None
        That the run took.
    points : int or None
        Of the flights that were delivered.
    time : str
        ISO 8601, UTC.
    """

    event: str
    capture: str | None = None
    folder: str | None = None
    reason: str = ""
    seconds: float | None = None
    points: int | None = None
    time: str = field(default_factory=lambda: datetime.now(UTC).isoformat(timespec="seconds"))

    def as_dict(self) -> dict[str, Any]:
        """Return plain values; what isn't known is left out."""
        return {name: value for name, value in asdict(self).items() if value not in (None, "")}

    @property
    def is_trouble(self) -> bool:
        """Whether somebody should look."""
        return self.event in ("set_aside", "postponed", "in_part", "gate_failed", "away", "note")

    def line(self) -> str:
        """Return one line for people.

        >>> when = "2026-03-01T12:00:00+00:00"
        >>> Event("delivered", "a.laz", "a", seconds=2.04, points=1200, time=when).line()
        '2026-03-01 12:00:00  a.laz: delivered to a, 1,200 points in 2.0 s'
        """
        where = f"{self.capture}: " if self.capture else ""
        text = f"{self.time[:19].replace('T', ' ')}  {where}{_WORDS[self.event]}"
        if self.folder and self.event in ("begun", "delivered", "gate_failed", "in_part"):
            text += f" {'in' if self.event == 'begun' else 'to'} {self.folder}"
        if self.points is not None and self.seconds is not None:
            text += f", {self.points:,} points in {self.seconds:.1f} s"
        if self.reason:
            text += f" {self.reason}" if self.event == "watching" else f": {self.reason}"
        return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
