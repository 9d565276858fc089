"""Bars appear on a terminal only; notes are never lost; colour obeys NO_COLOR."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys

import pytest

PROGRAM = """
import sys
from cloudprep.cli.progress import shown_progress
with shown_progress(int(sys.argv[1]), int(sys.argv[2])) as progress:
    progress.start("reading [flights]", 100)
    for _ in range(10):
        progress.advance(10)
    progress.note("assumed: [metres]")
    progress.finish()
    progress.note("FAILED a.laz: bad")
    progress.start("empty", 0)
    progress.finish()
print("result")
"""


def on_terminal(*words: str, env: dict[str, str] | None = None) -> tuple[str, str]:
    """Run the program with stderr on a pseudo-terminal; return stdout and what the terminal got."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *words],
        stdout=subprocess.PIPE,
        stderr=theirs,
        text=True,
        env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "100", **(env or {})},
    )
    os.close(theirs)
    shown = b""
    while True:
        try:
            piece = os.read(ours, 65_536)
        except OSError:  # Linux says so when the other side is closed
            break
        if not piece:
            break
        shown += piece
    os.close(ours)
    assert process.stdout is not None
    output = process.stdout.read()
    process.stdout.close()
    assert process.wait() == 0
    return output, shown.decode()


def test_a_bar_is_drawn_on_a_terminal() -> None:
    output, shown = on_terminal("0", "0")
    assert output == "result\n"
    assert "reading [flights]" in shown
    assert "━" in shown
    assert "%" in shown
    assert "cloudprep: assumed: [metres]" in shown
    assert "cloudprep: FAILED a.laz: bad" in shown


def test_colour_is_there_unless_no_color_is_set() -> None:
    colour = re.compile(r"\x1b\[(3[0-7]|38;5;[0-9]+)m")
    assert colour.search(on_terminal("0", "0")[1])
    plain = on_terminal("0", "0", env={"NO_COLOR": "1"})[1]
    assert not colour.search(plain)
    assert "reading [flights]" in plain


def test_quiet_draws_no_bar_but_tells_failures() -> None:
    output, shown = on_terminal("0", "1")
    assert (output, shown) == ("result\n", "cloudprep: FAILED a.laz: bad\r\n")


@pytest.mark.parametrize(
    ("words", "lines"),
    [
        (("0", "0"), ["assumed: [metres]", "FAILED a.laz: bad"]),
        (("0", "1"), ["FAILED a.laz: bad"]),
        (
            ("1", "0"),
            [
                "assumed: [metres]",
                "reading [flights]: 0.0 s",
                "FAILED a.laz: bad",
                "empty: 0.0 s",
            ],
        ),
    ],
)
def test_a_pipe_gets_plain_lines(words: tuple[str, str], lines: list[str]) -> None:
    done = subprocess.run([sys.executable, "-c", PROGRAM, *words], capture_output=True, text=True, check=True)
    assert done.stdout == "result\n"
    assert done.stderr.splitlines() == [f"cloudprep: {line}" for line in lines]


def test_forced_colour_draws_no_bar_into_a_pipe() -> None:
    env = {**os.environ, "FORCE_COLOR": "1"}
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "0", "0"], capture_output=True, text=True, check=True, env=env
    )
    assert "\x1b" not in done.stderr
