"""One input on its way through a run: what it turned out to be, and whether it is still in."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from cloudprep.engine.outline import outline_text
from cloudprep.engine.record import InputRecord
from cloudprep.engine.reference import describe
from cloudprep.engine.working import extra_labels
from cloudprep.errors import BadInputError
from cloudprep.io.las import fingerprint, open_flight
from cloudprep.judging import Judged
from cloudprep.model.columns import EXTRA_LABELS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cloudprep.engine.holding import ReadFlight
    from cloudprep.engine.reference import Settled
    from cloudprep.io.las import Flight
    from cloudprep.stages.base import Stage


@dataclass
class TrackedInput:
    """One input of a run.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        Stem of its deliverable.
    shown : str
        The input as it is told to people: its path, or the URL it was fetched from.
    """

    path: Path
    name: str
    shown: str
    flight: Flight | None = None
    settled: Settled | None = None
    loaded: ReadFlight | None = None
    points: int = 0
    stray: int = 0
    beyond: int = 0
    outside: int = 0
    sha256: str = ""
    warnings: list[str] = field(default_factory=list)
    figures: dict[str, float] = field(default_factory=dict)
    failure: str = ""
    try_again: bool = False
    modified_ns: int = 0
    changed_ns: int = 0

    @property
    def alive(self) -> bool:
        """Whether nothing has failed so far."""
        return not self.failure

    def judged(self) -> Judged:
        """Return what gates judge of it."""
        nothing = f"the input failed: {self.failure}" if self.failure else ""
        if self.alive and not self.figures.get("points.count"):
            nothing = "none of its points lies within the boundary or its buffer"
        return Judged({} if nothing else self.figures, self.shown, nothing)

    @classmethod
    def found(cls, path: Path, name: str, shown: str) -> TrackedInput:
        """Return an input with the times of its file: before it is read, so that a change meanwhile shows."""
        try:
            facts = path.stat()
        except OSError:
            return cls(path, name, shown)
        times = max(facts.st_mtime_ns, 0), max(facts.st_ctime_ns, 0)
        return cls(path, name, shown, modified_ns=times[0], changed_ns=times[1])

    def know_again(self) -> None:
        """Take the checksum of a file that failed for what it holds: its times alone might not tell it."""
        if self.failure and not self.try_again and not self.sha256:
            with contextlib.suppress(BadInputError):
                self.sha256 = str(fingerprint(self.path)["sha256"])

    def record(self) -> InputRecord:
        """Return what the run record says about it."""
        return InputRecord(
            path=self.shown,
            name=self.name,
            modified_ns=self.modified_ns,
            changed_ns=self.changed_ns,
            size_bytes=self.flight.size_bytes if self.flight else _size_of(self.path),
            sha256=self.sha256,
            points=self.points,
            stray_points=self.stray,
            unused_points=self.beyond,
            outside_points=self.outside,
            reference_system=describe(self.settled.crs) if self.settled else "",
            warnings=self.warnings,
            status="failed" if self.failure else "done",
            reason=self.failure,
            try_again=self.try_again,
            figures=self.figures,
            outline=self._outline(),
        )

    def _outline(self) -> str:
        if self.loaded is None or self.loaded.outline is None or self.settled is None:
            return ""
        return outline_text(self.loaded.outline, self.loaded.extent, self.settled.units.horizontal)


def open_with_points(path: Path, *, probe: bool = True) -> Flight:
    """Open a flight that holds at least one point; ``probe`` as for :func:`open_flight`.

    Raises
    ------
    BadInputError
        If it can't be used, or is empty.
    """
    flight = open_flight(path, probe=probe)
    if flight.count == 0:
        raise BadInputError(path, "holds no points at all")
    return flight


def old_labels(flight: Flight, stages: Sequence[Stage]) -> list[str]:
    """Say which labels of an earlier run stay in a flight though its ground is classified anew."""
    if not any(s.kind == "ground" and "classification" in s.provides for s in stages):
        return []
    provided = extra_labels(stages)
    return [
        f"carries '{name}' from before, and no stage of this pipeline gives it anew:"
        " it stays as it is and may not fit the new classes"
        for name in EXTRA_LABELS
        if name in flight.columns and name not in provided
    ]


def _size_of(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
