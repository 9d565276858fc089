"""What a run assumed and warned about: each thing once, told when it is found, kept for the record."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cloudprep.engine.progress import ProgressSink


@dataclass
class Remarks:
    """The remarks of a run.

    Parameters
    ----------
    progress : ProgressSink
        Told each of them when it is made.
    """

    progress: ProgressSink
    assumed: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def warn(self, text: str) -> None:
        """Tell a warning, and keep it."""
        if text not in self.warnings:
            self.warnings.append(text)
            self.progress.note(f"warning: {text}")

    def assume(self, text: str) -> None:
        """Tell what is taken for granted, and keep it."""
        if text not in self.assumed:
            self.assumed.append(text)
            self.progress.note(f"assumed: {text}")
