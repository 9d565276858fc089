"""What a batch passes on of the progress of one site's run."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cloudprep.engine.progress import ProgressSink

# What is said about a failed input is never left out.
_FAILURE = "FAILED "


class SiteProgress:
    """Names the site in front of each step and line; keeps to failures unless all is wanted.

    Parameters
    ----------
    progress : ProgressSink
        Told.
    name : str
        Of the site.
    label : str
        Stands in front of its steps.
    tell_all : bool
        Whether lines that the run's record holds as well are told, too.
    """

    def __init__(self, progress: ProgressSink, name: str, label: str, *, tell_all: bool) -> None:
        self._progress = progress
        self._name = name
        self._label = label
        self._tell_all = tell_all

    def start(self, name: str, total: int) -> None:
        """Begin a step."""
        self._progress.start(f"{self._label}: {name}", total)

    def advance(self, n: int) -> None:
        """Report units done."""
        self._progress.advance(n)

    def finish(self) -> None:
        """End the step."""
        self._progress.finish()

    def note(self, text: str) -> None:
        """Pass on a line."""
        if text.startswith(_FAILURE):
            self._progress.note(f"{_FAILURE}{self._name}: {text.removeprefix(_FAILURE)}")
        elif self._tell_all:
            self._progress.note(f"{self._name}: {text}")
