"""The two streams: results on stdout, everything else on stderr; plain where nobody watches."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any, TextIO

from cloudprep.errors import OutputError, harmless

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

# Columns of a table that goes into a file or a pipe: wide enough that no file name is folded in practice.
_WIDTH_UNWATCHED = 200


def put(text: str) -> None:
    """Write a result to stdout. A reader that went away is no error; a full disk is.

    Raises
    ------
    OutputError
        If stdout can't be written for another reason than a closed pipe.
    """
    _write(sys.stdout, text)


def tell(text: str) -> None:
    """Write a line for people to stderr, under the program's name."""
    for line in text.splitlines() or [""]:
        _write(sys.stderr, f"cloudprep: {harmless(line)}")


def put_json(value: Any) -> None:
    """Write a result for machines: JSON with two spaces, letters of any language as they are."""
    import json

    put(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def put_rendered(*parts: RenderableType) -> None:
    """Write tables to stdout with a blank line after each, in colour on a terminal unless NO_COLOR is set."""
    console = result_console()
    with console.capture() as captured:
        for part in parts:
            console.print(part)
            console.print()
    put("\n".join(line.rstrip() for line in captured.get().removesuffix("\n").split("\n")))


def result_console() -> Console:
    """Return a console for stdout as it is now (tests exchange it)."""
    from rich.console import Console

    width = None if is_watched(sys.stdout) else _WIDTH_UNWATCHED
    return Console(file=sys.stdout, width=width, markup=False, highlight=False, emoji=False, soft_wrap=False)


def is_watched(stream: TextIO) -> bool:
    """Tell whether a stream is a terminal."""
    try:
        return stream.isatty()
    except (AttributeError, ValueError):
        return False


def _write(stream: TextIO, text: str) -> None:
    try:
        stream.write(text + "\n")
        stream.flush()
    except BrokenPipeError:
        give_up(stream)
    except OSError as error:
        give_up(stream)
        if stream is sys.stdout:
            raise OutputError(f"the result can't be written to stdout: {error.strerror or error}") from error


def give_up(stream: TextIO) -> None:
    """Take a stream as lost: what is still written, at the latest when Python ends, vanishes silently."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        return
