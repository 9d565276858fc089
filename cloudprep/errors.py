"""The exceptions a user can cause. Each says one clear line and knows the exit code it leads to."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

EXIT_DONE = 0
EXIT_INPUT_FAILED = 1
EXIT_USAGE = 2
EXIT_GATE_FAILED = 3
EXIT_INTERRUPTED = 130


def harmless(text: str) -> str:
    r"""Return a text without what a name or a value in it could do to a terminal or to a list of lines.

    >>> harmless("a\x1b[31mb")
    'a\\x1b[31mb'
    """
    return "".join(
        c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode("ascii") for c in text
    )


class CloudprepError(Exception):
    """Base of everything that is reported as one line instead of a traceback."""

    exit_code: ClassVar[int] = EXIT_USAGE

    def __init__(self, message: str = "") -> None:
        super().__init__(harmless(message))


class ConfigError(CloudprepError):
    """One or more problems in a pipeline file or its parameters, all reported at once.

    Parameters
    ----------
    problems : sequence of str
        One line each, as ``file:line: where: what is wrong``.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(map(harmless, problems))
        super().__init__("\n".join(self.problems))

    def __reduce__(self) -> tuple[type[ConfigError], tuple[tuple[str, ...]]]:
        """Rebuild from the problems: the default would take the joined message for a list of letters."""
        return type(self), (self.problems,)


class UsageError(CloudprepError):
    """The command can't be carried out as it was given (a finished folder, no inputs, far-apart sites)."""


class InUseError(UsageError):
    """Another run is at work in the folder: later it may be free."""


class MissingColumnError(CloudprepError):
    """A stage needs a column that the points don't have."""


class BadInputError(CloudprepError):
    """A file can't be used; the message names the file and what is wrong with it."""

    exit_code: ClassVar[int] = EXIT_INPUT_FAILED

    def __init__(self, path: Path | str, reason: str) -> None:
        self.path = str(path)
        self.reason = harmless(reason)
        super().__init__(f"{self.path}: {reason}")

    def __reduce__(self) -> tuple[type[BadInputError], tuple[str, str]]:
        """Rebuild from both parts: the default would pass the joined message only."""
        return type(self), (self.path, self.reason)


class CrsError(CloudprepError):
    """The coordinate reference system is missing, contradictory or of a kind that metric stages refuse."""


class ClusterError(CloudprepError):
    """The workers of a cluster can't go on: each that took a block died, or the scheduler was lost."""

    exit_code: ClassVar[int] = EXIT_INPUT_FAILED


class WorkersDiedError(ClusterError):
    """Each worker that took a block died of it, most likely because its memory was not enough.

    Parameters
    ----------
    message : str
        The line for people.
    points : int
        How many points the block holds.
    """

    def __init__(self, message: str, points: int) -> None:
        self.points = points
        super().__init__(message)

    def __reduce__(self) -> tuple[type[WorkersDiedError], tuple[str, int]]:
        """Rebuild from both parts: the default would pass the message only."""
        return type(self), (str(self), self.points)


class AlignmentError(CloudprepError):
    """Clouds can't be aligned well enough for what is sought; nothing is moved."""

    exit_code: ClassVar[int] = EXIT_GATE_FAILED


class OutputError(CloudprepError):
    """A deliverable can't be written (folder not writable, disk full); nothing half-written is left."""

    exit_code: ClassVar[int] = EXIT_INPUT_FAILED
