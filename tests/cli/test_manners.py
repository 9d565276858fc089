"""The manners that every command shares: help, version, streams, exit codes, one line a problem."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import cloudprep
from cloudprep.errors import BadInputError, ConfigError, CrsError, OutputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Call = Callable[..., Result]
    Shell = Callable[..., subprocess.CompletedProcess[str]]

COMMANDS = [
    "run", "batch", "watch", "ledger", "check", "stages", "inspect", "compare", "report", "score",
    "checkpoints", "volume", "change", "design", "section", "align", "demo", "doctor",
]  # fmt: skip
HEAVY = ["numba", "scipy", "rasterio", "laspy", "lazrs", "pyproj", "numpy", "pydantic", "yaml", "rich"]


def test_version_is_a_bare_number(call: Call) -> None:
    result = call("--version")
    assert (result.exit_code, result.stdout.strip()) == (0, cloudprep.__version__)
    assert result.stderr == ""


@pytest.mark.parametrize("flag", ["-h", "--help"])
@pytest.mark.parametrize("command", [[], *([c] for c in COMMANDS)])
def test_help_has_examples_before_everything_else(call: Call, command: list[str], flag: str) -> None:
    result = call(*command, flag)
    assert result.exit_code == 0
    text = result.stdout
    assert re.search(r"Examples:\n +cloudprep ", text)
    assert text.index("Examples:") < text.index("Options:")


def test_every_command_is_listed_with_what_it_does(call: Call) -> None:
    text = call("--help").stdout
    for command in COMMANDS:
        assert re.search(rf"^  {command} +[A-Z].*\.$", text, re.MULTILINE), command


def test_starting_the_command_line_imports_nothing_heavy() -> None:
    code = "import sys, cloudprep.cli.main; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {name.split(".")[0] for name in loaded.stdout.split()} & set(HEAVY)


def test_a_misspelt_command_and_option_are_usage_errors_with_a_suggestion(call: Call) -> None:
    result = call("stagse")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "stages" in result.stderr
    result = call("stages", "--jsn")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "--json" in result.stderr


def test_no_command_shows_the_help(call: Call) -> None:
    result = call()
    assert "Examples:" in result.output


def _break(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    from cloudprep.engine import fetching

    def broken(name: str) -> None:
        raise error

    monkeypatch.setattr(fetching, "load_pipeline", broken)


@pytest.mark.parametrize(
    ("error", "code", "lines"),
    [
        (ConfigError(["a.yaml:1: one", "a.yaml:2: two"]), 2, ["a.yaml:1: one", "a.yaml:2: two"]),
        (UsageError("the folder is finished"), 2, ["the folder is finished"]),
        (CrsError("degrees"), 2, ["degrees"]),
        (BadInputError("north.laz", "not a LAS file"), 1, ["north.laz: not a LAS file"]),
        (OutputError("out: the disk is full"), 1, ["out: the disk is full"]),
        (KeyboardInterrupt(), 130, ["interrupted; nothing half-written is left"]),
        (OSError(28, "No space left on device"), 1, ["a file: can't be written: the disk is full"]),
        (
            OSError(5, "Input/output error", "x.nbi"),
            1,
            ["x.nbi: can't be read or written: the disk reports an error"],
        ),
        (MemoryError(), 1, ["the memory of this machine is not enough for that"]),
    ],
)
def test_errors_are_one_line_each_on_stderr_with_their_exit_code(
    call: Call, monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int, lines: list[str]
) -> None:
    _break(monkeypatch, error)
    result = call("check", "any")
    assert result.exit_code == code
    assert result.stdout == ""
    assert result.stderr.splitlines() == [f"cloudprep: {line}" for line in lines]


def test_a_fault_of_the_program_is_one_line_too(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    _break(monkeypatch, ZeroDivisionError("division\nby zero"))
    result = call("check", "any")
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    assert "a fault of the program, not of your data: ZeroDivisionError: division by zero" in line
    assert "--debug" in line


@pytest.mark.parametrize(("words", "env"), [(["--debug"], {}), ([], {"CLOUDPREP_DEBUG": "1"})])
def test_debug_adds_the_traceback(
    call: Call, monkeypatch: pytest.MonkeyPatch, words: list[str], env: dict[str, str]
) -> None:
    _break(monkeypatch, UsageError("wrong"))
    result = call("check", "any", *words, env=env)
    assert result.exit_code == 2
    assert "Traceback (most recent call last)" in result.stderr
    assert result.stderr.splitlines()[-1] == "cloudprep: wrong"


def test_a_warning_of_a_library_is_a_plain_line(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    import warnings

    from cloudprep.engine import fetching

    def warn(name: str) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("always")
            warnings.warn("something odd", stacklevel=1)
        raise UsageError("end")

    monkeypatch.setattr(fetching, "load_pipeline", warn)
    assert call("check", "any").stderr.splitlines() == ["cloudprep: warning: something odd", "cloudprep: end"]


def test_a_closed_pipe_is_silent(tmp_path: Path) -> None:
    """``cloudprep check ... | head -0``: the reader is gone before the first line."""
    program = "from cloudprep.cli.console import put\nfor _ in range(100000): put('x' * 100)"
    process = subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "x" * 100 + "\n"
    process.stdout.close()
    assert process.stderr is not None
    errors = process.stderr.read()
    process.stderr.close()
    assert (process.wait(), errors) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
@pytest.mark.parametrize(("words", "what"), [(["--version"], "result"), (["stages", "--help"], "help")])
def test_a_full_disk_behind_stdout_is_told(words: list[str], what: str) -> None:
    program = "from cloudprep.cli.main import entry; entry()"
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-c", program, *words],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr == f"cloudprep: the {what} can't be written to stdout: No space left on device\n"


def test_a_file_name_that_is_no_text_is_shown_with_escapes(shell: Shell, tmp_path: Path) -> None:
    name = os.fsdecode(os.fsencode(tmp_path) + b"/\xff\xfe.yaml")
    done = shell("check", name)
    assert done.returncode == 2
    assert "no such file" in done.stderr
    assert "Traceback" not in done.stderr


def test_output_in_ascii_does_not_fail(shell: Shell, tmp_path: Path) -> None:
    done = shell("check", tmp_path / "Hügel.yaml", env={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 2
    assert "H\\xfcgel.yaml: no such file" in done.stderr


def test_a_name_can_do_nothing_to_the_terminal(call: Call) -> None:
    result = call("check", "evil\x1b[2J.yaml")
    assert result.exit_code == 2
    assert "evil\\x1b[2J.yaml: no such file" in result.stderr
    assert "\x1b" not in result.stderr
