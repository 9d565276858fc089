"""How the engine tells what it is doing; the command line shows it, everyone else may stay silent."""

from __future__ import annotations

from typing import Protocol


class ProgressSink(Protocol):
    """Receives the steps of a run. One step is under way at a time; calls come from one thread."""

    def start(self, name: str, total: int) -> None:
        """Begin a step of so many units (points)."""

    def advance(self, n: int) -> None:
        """Report units done."""

    def finish(self) -> None:
        """End the step."""

    def note(self, text: str) -> None:
        """Pass on a line for people: a warning or an assumption."""


class Silent:
    """A sink that shows nothing."""

    def start(self, name: str, total: int) -> None:
        """Begin a step."""

    def advance(self, n: int) -> None:
        """Report units done."""

    def finish(self) -> None:
        """End the step."""

    def note(self, text: str) -> None:
        """Pass on a line."""
