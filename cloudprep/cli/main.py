"""The command line: parse, call, turn errors into exit codes; nothing else.

Only names are imported here. Each command imports what it needs when it runs, so that ``--help`` is quick.
"""

from __future__ import annotations

import signal
import sys
import threading
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from cloudprep.cli import (
    align,
    batch,
    change,
    check,
    checkpoints,
    compare,
    demo,
    design,
    doctor,
    inspect,
    ledger,
    report,
    run,
    score,
    section,
    stages,
    volume,
    watch,
)
from cloudprep.cli.attended import attended
from cloudprep.cli.console import give_up, tell
from cloudprep.cli.guard import guarded
from cloudprep.cli.kept_back import hand_out, keep_back
from cloudprep.engine.garbage import look_seldom
from cloudprep.engine.heap import one_heap
from cloudprep.errors import EXIT_INPUT_FAILED

if TYPE_CHECKING:
    from types import FrameType

HELP = """Raw lidar and drone flights in; cleaned, ground-classified clouds and a terrain model out.

\b
Examples:
  cloudprep demo
  cloudprep inspect flights/
  cloudprep run bare_earth flights/ --out site
  cloudprep stages progressive_ground

Exit codes: 0 done; 1 some input failed, the others are done; 2 a mistake in the command or the pipeline;
3 done, but a gate failed; 130 interrupted.
"""

app = typer.Typer(
    name="cloudprep",
    help=HELP,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(wanted: bool) -> None:
    if wanted:
        _put_version()
        raise typer.Exit


@guarded
def _put_version() -> None:
    from cloudprep import __version__
    from cloudprep.cli.console import put

    put(__version__)


@app.callback()
def _main(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop."),
    ] = False,
) -> None:
    del version


for _module in (
    run,
    batch,
    watch,
    ledger,
    check,
    stages,
    inspect,
    compare,
    report,
    score,
    checkpoints,
    volume,
    change,
    design,
    section,
    align,
    demo,
    doctor,
):
    app.command(_module.NAME, help=_module.HELP)(guarded(_module.command))


def entry() -> None:
    """Start the command line; ``cloudprep`` calls it."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A file name that is not text in this locale is shown with escapes instead of ending the program.
            stream.reconfigure(errors="backslashreplace")
    if threading.current_thread() is threading.main_thread():
        attended(_carry_out)
    else:
        _carry_out()


def _carry_out() -> None:
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _interrupt)
    keep_back()
    look_seldom()
    one_heap()
    try:
        app(prog_name="cloudprep")
    except OSError as error:  # the help itself could not be written: commands report their own
        give_up(sys.stdout)
        tell(f"the help can't be written to stdout: {error.strerror or error}")
        sys.exit(EXIT_INPUT_FAILED)
    except MemoryError:  # before a command was found, or after it
        pass
    else:
        return
    hand_out()
    tell("the memory of this machine is not enough for that")
    sys.exit(EXIT_INPUT_FAILED)


def _interrupt(_number: int, _frame: FrameType | None) -> NoReturn:
    """Let a polite request to stop (a batch system's, say) clean up like Ctrl-C does."""
    raise KeyboardInterrupt
