"""Turns whatever happens inside a command into one clear line and an exit code."""

from __future__ import annotations

import errno
import functools
import os
import warnings
from typing import TYPE_CHECKING, Any

import typer

from cloudprep.cli.console import tell
from cloudprep.cli.kept_back import hand_out, is_own_process
from cloudprep.engine.addresses import bytes_within, too_few_addresses
from cloudprep.errors import EXIT_INPUT_FAILED, EXIT_INTERRUPTED, CloudprepError

if TYPE_CHECKING:
    from collections.abc import Callable

_WRITING = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG)
_NO_THREADS = (
    "the system lets this program start no more threads: its memory or a limit is reached; "
    "fewer --workers need fewer"
)
DEBUG_VARIABLE = "CLOUDPREP_DEBUG"


def guarded(command: Callable[..., None]) -> Callable[..., None]:
    """Wrap a command: mistakes of the user become one line a problem on stderr, never a traceback.

    ``--debug`` or the environment variable ``CLOUDPREP_DEBUG`` adds the traceback.
    """

    @functools.wraps(command)
    def run(**options: Any) -> None:
        too_few = too_few_addresses() if is_own_process() else None
        if too_few is not None:
            tell(too_few)
            raise typer.Exit(EXIT_INPUT_FAILED)
        debug = bool(options.get("debug")) or os.environ.get(DEBUG_VARIABLE, "0") not in ("", "0")
        with warnings.catch_warnings():
            warnings.showwarning = _show_warning
            try:
                command(**options)
            except (typer.Exit, typer.Abort, typer.BadParameter):
                raise
            except CloudprepError as error:
                _explain(str(error), debug=debug)
                raise typer.Exit(error.exit_code) from None
            except KeyboardInterrupt:
                tell("interrupted; nothing half-written is left")
                raise typer.Exit(EXIT_INTERRUPTED) from None
            except MemoryError:
                if debug:
                    _show_traceback()
            except OSError as error:  # for instance a full disk when compiled code is cached
                _explain(_refusal(error), debug=debug)
                raise typer.Exit(EXIT_INPUT_FAILED) from None
            except Exception as error:  # noqa: BLE001 - a fault must not end in a traceback
                if _is_thread_refused(error):
                    _explain(_NO_THREADS, debug=debug)
                    raise typer.Exit(EXIT_INPUT_FAILED) from None
                told = " ".join(str(error).split()) or "no more is known"
                _explain(
                    f"a fault of the program, not of your data: {type(error).__name__}: {told} "
                    "(run it again with --debug for the details, and please report them)",
                    debug=debug,
                )
                raise typer.Exit(EXIT_INPUT_FAILED) from None
            else:
                return
        # Not where it is caught: what failed would still hold its memory, and saying so takes some.
        hand_out()
        tell(_too_little_memory(options))
        raise typer.Exit(EXIT_INPUT_FAILED)

    return run


def _is_thread_refused(error: Exception) -> bool:
    return isinstance(error, RuntimeError) and "can't start new thread" in str(error)


def _too_little_memory(options: dict[str, Any]) -> str:
    """Return what to do where memory ran out, by what the command can be told."""
    text = "the memory of this machine is not enough for that"
    if "memory" not in options:
        return text
    try:
        from cloudprep.engine.memory import default_memory, parse_bytes

        given = options["memory"]
        half = bytes_within((parse_bytes(given) if given is not None else default_memory()) // 2)
    except MemoryError:
        return f"{text}: give it less with --memory, so that points are held in files"
    return f"{text}: give it less with --memory, {half / 1e9:.2g}GB say, so that points are held in files"


def _refusal(error: OSError) -> str:
    """Return what the system refused, in words."""
    from cloudprep.io.atomic import plain_reason

    verb = "written" if error.errno in _WRITING else "read or written"
    return f"{error.filename or 'a file'}: can't be {verb}: {plain_reason(error)}"


def _explain(text: str, *, debug: bool) -> None:
    hand_out()  # libraries blame other things where they got no memory
    if debug:
        _show_traceback()
    tell(text)


def _show_traceback() -> None:
    import traceback

    tell(traceback.format_exc().rstrip())


def _show_warning(message: Warning | str, *_place: Any, **_more: Any) -> None:
    tell(f"warning: {message}")
